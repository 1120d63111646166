"""Cells that a run measured twice: they must not differ from themselves."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.estimates import cell_key
from mezzmark.decide.evidence import MeasuredRun, read_costs
from mezzmark.decide.rounds import MINIMUM_ROUNDS
from mezzmark.decide.speedups import ratio_estimate
from mezzmark.decide.verdicts import NullArm
from mezzmark.statistics.multiplicity import holm_adjusted
from mezzmark.statistics.paired import paired_change

NULL_ARM_LEVEL: Final = 0.01
"""Error level of all null arms of a comparison together. They fire in one of a hundred honest
comparisons, and their firing takes every verdict away, so it must be rare by chance."""


def judge_null_arms(runs: Sequence[MeasuredRun], confidence_level: float) -> tuple[NullArm, ...]:
    """Every cell that a run measured twice, compared with itself by pairs of rounds."""
    found = []
    for run in runs:
        costs = read_costs(run.trials).by_cell
        for cell in sorted((c for c in costs if c.arm == "null"), key=cell_key):
            plain = costs.get(cell.model_copy(update={"arm": ""}), {})
            common = sorted(plain.keys() & costs[cell].keys())
            if len(common) >= MINIMUM_ROUNDS:
                change = paired_change(
                    [plain[key] for key in common], [costs[cell][key] for key in common]
                )
                found.append((run.manifest.run_id, cell, change))
    adjusted = holm_adjusted([2 * min(c.p_above(), c.p_below(), 0.5) for _, _, c in found])
    return tuple(
        NullArm(
            run_id=run_id,
            cell=cell,
            cost_ratio=ratio_estimate(change.interval(confidence_level=confidence_level)),
            adjusted_p=float(p_value),
            has_fired=bool(p_value <= NULL_ARM_LEVEL),
        )
        for (run_id, cell, change), p_value in zip(found, adjusted, strict=True)
    )
