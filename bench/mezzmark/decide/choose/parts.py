"""Parts of the choice that need no chance: who takes part, what rules out, how near the misses."""

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from mezzmark.decide.choose.choice import JudgedEncoding, NearMiss, NeedResult, Status
from mezzmark.decide.choose.draws import Likely, RoundKey
from mezzmark.decide.choose.needs import Judged
from mezzmark.decide.estimate.complete_rounds import run_names, truncated_round
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.identity import POOLED, differing_facts
from mezzmark.model.errors import RunError
from mezzmark.model.estimate import Estimate
from mezzmark.model.request import Wish
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.scrub import ScrubMeasurement

NEAREST_SHOWN: Final = 3


def refuse_unlike_runs(runs: Sequence[MeasuredRun]) -> None:
    """RunError unless all runs are of one machine, and clips and encodings of one name the same."""
    names = run_names(runs)
    for run, name in zip(runs[1:], names[1:], strict=True):
        unlike = _unlikeness(runs[0].manifest, run.manifest)
        if unlike:
            raise RunError(
                where=name,
                what=f"it cannot be put together with {names[0]}: {unlike}",
                remedy="Choose from runs of one machine and the same footage, one set at a time",
            )


def _unlikeness(first: Manifest, other: Manifest) -> str:
    if differing := differing_facts(first.host, other.host, POOLED):
        return f"the machine's {differing[0].replace('_', ' ')} differs"
    if {c.clip: c.fingerprint for c in first.clips} != {c.clip: c.fingerprint for c in other.clips}:
        return "the clips are not the same"
    known = {encoding.name: encoding for encoding in first.encodings}
    for encoding in other.encodings:
        if known.get(encoding.name, encoding) != encoding:
            return f'encoding "{encoding.name}" is defined differently'
    return ""


def wrong_pictures(runs: Sequence[MeasuredRun]) -> dict[str, int]:
    """Wrong pictures by encoding, over all runs and ways of moving."""
    counts: dict[str, int] = {}
    for run in runs:
        for trial in run.trials:
            if isinstance(trial.measurement, ScrubMeasurement):
                name = trial.cell.encoding
                wrong = trial.measurement.proof.count("wrong")
                counts[name] = counts.get(name, 0) + wrong
    return counts


def count_begun(runs: Sequence[MeasuredRun]) -> int:
    """Rounds that were begun, over all runs; whole runs where they are the unit."""
    if len(runs) >= MINIMUM_ROUNDS:
        return len(runs)
    return sum(len({trial.round_index for trial in run.trials}) for run in runs)


def cut_short_rounds(runs: Sequence[MeasuredRun]) -> frozenset[RoundKey]:
    """The rounds within which a run was stopped, by the place of their run."""
    found = ((place, truncated_round(run)) for place, run in enumerate(runs))
    return frozenset((place, index) for place, index in found if index is not None)


def judge_encodings_by_needs(
    likely: Likely,
    judged: Judged,
    wishes: Sequence[Wish],
    not_judged: Mapping[str, tuple[str, ...]],
    *,
    confidence_level: float,
) -> tuple[JudgedEncoding, ...]:
    """One entry per encoding: its status, its needs and the figures that the wishes look at."""
    return tuple(
        _judge(likely, judged, wishes, not_judged, e, confidence_level)
        for e in range(len(likely.encodings))
    )


def _judge(
    likely: Likely,
    judged: Judged,
    wishes: Sequence[Wish],
    not_judged: Mapping[str, tuple[str, ...]],
    e: int,
    confidence_level: float,
) -> JudgedEncoding:
    name = likely.encodings[e]
    results = judged.results[name]
    missing = [r for r in results if r.outcome == "not shown" and r.need not in judged.not_shown]
    chance = float(judged.chance_all[e])
    is_unsure = likely.is_thin and any(r.chance is None for r in results if r not in missing)
    status: Status
    reasons: tuple[str, ...] = ()
    if ruling := [r.need for r in results if r.outcome == "misses"]:
        status, reasons = "ruled out", tuple(ruling)
    elif name in not_judged or missing:
        status = "not judged"
        reasons = (*not_judged.get(name, ()), *(f"{r.need}: {r.reason}" for r in missing))
    elif chance >= confidence_level and not is_unsure:
        status = "meets"
    else:
        status = "open"
    figures: dict[str, Estimate] = {}
    settings: dict[str, str] = {}
    for wish in wishes:
        f = likely.place(wish.figure.name)
        if (name, wish.figure.name) in likely.estimates:
            figures[wish.figure.name] = likely.estimates[name, wish.figure.name]
        if not np.isnan(likely.points[e, f]):
            settings[wish.figure.name] = likely.settings[name, wish.figure.name]
    return JudgedEncoding(
        encoding=name,
        status=status,
        reasons=reasons,
        needs=results,
        figures=figures,
        settings=settings,
        chance_all=None if missing or is_unsure else chance,
        chance_measured=None if is_unsure else chance,
        is_comparable=name not in not_judged and not missing,
    )


def without_claims(entries: Sequence[JudgedEncoding]) -> tuple[JudgedEncoding, ...]:
    """The entries where a need was not measured: nobody is known to meet all."""
    return tuple(
        entry.model_copy(
            update={
                "status": "open" if entry.status == "meets" else entry.status,
                "chance_all": None,
            }
        )
        for entry in entries
    )


def nearest_misses(entries: Sequence[JudgedEncoding]) -> tuple[NearMiss, ...]:
    """The encodings with the fewest missed facts, then the smallest worst miss of a limit."""
    ruled_out = [entry for entry in entries if entry.status == "ruled out"]
    found = []
    for entry in ruled_out:
        missed = sorted(
            (r for r in entry.needs if r.outcome == "misses"), key=_miss_size, reverse=True
        )
        facts = sum(math.isinf(_miss_size(r)) for r in missed)
        limits = [_miss_size(r) for r in missed if math.isfinite(_miss_size(r))]
        size = (facts, max(limits, default=0.0), entry.encoding)
        found.append((size, NearMiss(encoding=entry.encoding, missed=tuple(missed))))
    return tuple(miss for _, miss in sorted(found, key=lambda pair: pair[0])[:NEAREST_SHOWN])


def _miss_size(result: NeedResult) -> float:
    """How far beyond its limit, as a share of it (dB: as a ratio); a missed fact is infinite."""
    if result.margin_db is not None:
        return math.expm1(-result.margin_db * math.log(10) / 10)
    return math.inf if result.margin_fraction is None else -result.margin_fraction
