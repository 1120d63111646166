"""What runs say of the figures that needs and wishes name: per encoding the report's own estimate,
and one value a round, of which the spread is made.

Values are kept as logs, since costs are compared as ratios; decibels are logs already.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from mezzmark.decide.choose.choice import Lack, Unit
from mezzmark.decide.choose.draws import FigureSamples, RoundKey, to_log
from mezzmark.decide.estimate.observed_run import (
    BITS_PER_HOUR_TO_GB,
    MeasuredRun,
    Observation,
    ObservedRun,
    over_common_blocks,
    run_names,
)
from mezzmark.decide.estimate.over_clips import bitrates_over_clips, pool_clips
from mezzmark.decide.estimate.pooling import group_over_clips
from mezzmark.decide.estimate.ranking import scrub_settings
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS, estimate_values
from mezzmark.decide.machine.identity import refuse_other_machines
from mezzmark.decide.picture.fidelity import EncodingFidelity, judge_run
from mezzmark.model.cell import KERNEL_ENCODING, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import RunError
from mezzmark.model.estimate import Estimate, Withheld
from mezzmark.model.figures import FigureName, known_figures
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.fidelity import METRICS, metric_of
from mezzmark.model.tasks.scrub import ScrubMeasurement
from mezzmark.statistics.quantiles import sorted_quantile

_FURTHER_RUN: Final = 1_000_000
"""Added to the rounds of each further run that is put together round by round: more rounds than a
scenario may have."""

DELTA_E_FLOOR: Final = 0.1
"""Colour shifts below a tenth of what can be seen side by side are alike to everybody, and an
exact 0 has no ratio."""

QUALITY_CAP_DB: Final = 100.0
"""Stands for pictures that came back bit for bit, which have no finite PSNR; above what any lossy
encoding of 16-bit pictures reaches."""


def refuse_unlike_runs(runs: Sequence[MeasuredRun]) -> None:
    """RunError unless all runs are of one machine, and clips and encodings of one name the same."""
    refuse_other_machines(runs)
    first, names = runs[0].manifest, run_names(runs)
    fingerprints = {clip.clip: clip.fingerprint for clip in first.clips}
    known = {encoding.name: encoding.instructions for encoding in first.encodings}
    for run, name in zip(runs[1:], names[1:], strict=True):
        unlike = [
            f'encoding "{e.name}" is defined differently'
            for e in run.manifest.encodings
            if known.get(e.name, e.instructions) != e.instructions
        ]
        if fingerprints != {clip.clip: clip.fingerprint for clip in run.manifest.clips}:
            unlike = ["the clips are not the same"]
        if unlike:
            raise RunError(
                where=name,
                what=f"it cannot be put together with {names[0]}: {unlike[0]}",
                remedy="Choose from runs of the same footage, one set at a time",
            )


def list_encodings(runs: Sequence[ObservedRun]) -> tuple[str, ...]:
    """All encodings that any of the runs measured or prepared, in alphabetical order."""
    names = {e.name for run in runs for e in run.manifest.encodings}
    names |= {t.cell.encoding for run in runs for t in run.trials if not t.arm}
    return tuple(sorted(names - {KERNEL_ENCODING}))


def count_wrong(runs: Sequence[ObservedRun]) -> Counter[str]:
    """Wrong pictures by encoding, over all runs and ways of moving."""
    counts: Counter[str] = Counter()
    for trial in (trial for run in runs for trial in run.trials):
        if isinstance(trial.measurement, ScrubMeasurement):
            counts[trial.cell.encoding] += trial.measurement.proof.count("wrong")
    return counts


class RunFigures:
    """The figures of runs, looked up by name; intervals at `confidence_level`. Estimates are made
    when first asked for, and kept. `unit` is what their samples have a value of."""

    def __init__(self, runs: Sequence[ObservedRun], *, confidence_level: float) -> None:
        self._level, self._manifest = confidence_level, runs[0].manifest
        # Days differ more than rounds do.
        self.unit: Unit = "run" if len(runs) >= MINIMUM_ROUNDS else "round"
        self._bitrates: dict[str, float] = {}
        self._fidelity: dict[str, EncodingFidelity] = {}
        for run in runs:
            self._bitrates = bitrates_over_clips(run.manifest) | self._bitrates
            judged = judge_run(run, confidence_level=confidence_level)
            self._fidelity = {entry.encoding: entry for entry in judged} | self._fidelity
        self._groups = group_over_clips(
            replace(o, round_index=place * _FURTHER_RUN + o.round_index)
            for place, run in enumerate(runs)
            for o in run.observations
        )
        self._pooled: dict[tuple[int | None, Cell], Mapping[str, Estimate]] = {}

    def samples(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, FigureSamples]:
        """The figure of each encoding."""
        if not figure.task:
            return {name: self._size(figure, name) for name in encodings}
        if figure.task == "fidelity":
            return {name: self._quality(figure, name) for name in encodings}
        found = self._timed(figure, encodings)
        is_free = TASKS[figure.task].is_free_for_original and ORIGINAL in found
        if is_free and any(one.logs for one in found.values()):
            best = -np.inf if figure.better == "less" else np.inf
            found[ORIGINAL] = FigureSamples(point=best, no_number="nothing to do")
        return found

    def timed_figures(self) -> tuple[FigureName, ...]:
        """The bit rate, and all timed figures that a wish could name, without counts of threads or
        jobs."""
        timed = {
            (cell.task, cell.setting["pattern"], figure)
            for cell, group in self._groups.items()
            for o in group
            for figure in o.figures
        }
        return tuple(
            figure
            for figure in known_figures()
            if figure.name == "bitrate_bps" or (figure.task, figure.pattern, figure.figure) in timed
        )

    def _size(self, figure: FigureName, name: str) -> FigureSamples:
        rate = self._bitrates.get(name)
        if rate is None:
            return FigureSamples(lack=Lack(kind="size not known"))
        value = rate * BITS_PER_HOUR_TO_GB if figure.figure == "gb_per_hour" else rate
        estimate = Estimate.exact(value, figure.unit)
        return FigureSamples(point=to_log(value, figure.unit), estimate=estimate)

    def _quality(self, figure: FigureName, name: str) -> FigureSamples:
        entry, best = self._fidelity.get(name), bounded_quality(figure.figure)
        untouched = to_log(best, figure.unit)
        if name == ORIGINAL and self._fidelity:
            return FigureSamples(point=untouched, no_number="the footage itself")
        estimate = entry.figure(figure.figure) if entry else None
        if estimate is not None:
            value = bounded_quality(figure.figure, estimate.point)
            if estimate.low is None:  # fidelity is judged once: the same comes every time
                exact = {"withheld": (Withheld(kind="exact"),), "method": "as it is"}
                estimate = estimate.model_copy(update=exact)
            return FigureSamples(point=to_log(value, figure.unit), estimate=estimate)
        if entry is not None and entry.is_bit_exact and metric_of(figure.figure):
            return FigureSamples(point=untouched, no_number="identical")
        return FigureSamples(lack=Lack(kind="not measured"))

    def _timed(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, FigureSamples]:
        """The figure of each encoding, in the setting that leads the report (scrub) or in the
        encoding's own best (others)."""
        meant = {cell: group for cell, group in self._groups.items() if _is_meant(figure, cell)}
        if leading := scrub_settings([o for group in meant.values() for o in group]):
            meant = {cell: group for cell, group in meant.items() if cell.setting == leading[0]}
        having = {
            cell: kept
            for cell, group in meant.items()
            if (kept := [o for o in group if o.figures.get(figure.figure, 0) > 0])
        }
        clips = {o.cell.clip for group in having.values() for o in group}
        found: dict[str, list[FigureSamples]] = {}
        for cell, group in having.items():
            found.setdefault(cell.encoding, []).extend(self._in_setting(figure, cell, group, clips))
        sign = 1 if figure.better == "less" else -1
        return {
            name: min(found[name], key=lambda one: (sign * one.point, str(one.setting)))
            if found.get(name)
            else FigureSamples(lack=Lack(kind="clip missing" if name in found else "not measured"))
            for name in encodings
        }

    def _in_setting(
        self, figure: FigureName, cell: Cell, group: Sequence[Observation], clips: set[str]
    ) -> Iterator[FigureSamples]:
        """The figure in one setting; none where no round has every clip."""
        logs = _round_logs(figure, group, clips)
        if not logs:
            return
        if self.unit == "run":
            points = {
                place: self._pool(cell, place)[figure.figure].point
                for place in sorted({place for place, _ in logs})
            }
            logs = {(place, -1): to_log(point, figure.unit) for place, point in points.items()}
            count = sum(o.sample_count for o in group)
            estimate = estimate_values(list(points.values()), figure.unit, count, self._level)
        else:
            estimate = self._pool(cell)[figure.figure]
        point = to_log(estimate.point, figure.unit)
        yield FigureSamples(point=point, logs=logs, estimate=estimate, setting=cell.setting)

    def _pool(self, cell: Cell, of_run: int | None = None) -> Mapping[str, Estimate]:
        """The report's estimates over clips, of one run or of all round by round."""
        if (of_run, cell) not in self._pooled:
            group = [o for o in self._groups[cell] if of_run in (None, _round_key(o)[0])]
            clips = dict.fromkeys(o.cell.clip for o in group)
            found = pool_clips(group, self._manifest, confidence_level=self._level, only=clips)
            [self._pooled[of_run, cell]] = found.values()
        return self._pooled[of_run, cell]


def bounded_quality(figure: str, value: float | None = None) -> float:
    """A fidelity figure held within what has a finite ratio; without a value that of pictures that
    nothing has happened to."""
    metric = metric_of(figure)
    if metric is None:
        return max(value or 0.0, DELTA_E_FLOOR)
    best = min(METRICS[metric].best, QUALITY_CAP_DB)
    return best if value is None else min(value, best)


def _is_meant(figure: FigureName, cell: Cell) -> bool:
    return (
        cell.task == figure.task
        and cell.setting["pattern"] == figure.pattern
        and figure.thread_count in (None, cell.setting["threads"])
        and figure.job_count in (None, cell.setting["jobs"])
    )


def _round_key(observation: Observation) -> RoundKey:
    return divmod(observation.round_index, _FURTHER_RUN)


def _round_logs(
    figure: FigureName, group: Iterable[Observation], clips: set[str]
) -> dict[RoundKey, float]:
    """The figure of each round in which every clip took part."""
    by_round: dict[RoundKey, dict[str, Observation]] = {}
    for o in group:
        by_round.setdefault(_round_key(o), {})[o.cell.clip] = o
    return {
        key: _log_of_round(figure, list(by_clip.values()))
        for key, by_clip in sorted(by_round.items())
        if by_clip.keys() == clips
    }


def _log_of_round(figure: FigureName, clips: Sequence[Observation]) -> float:
    """A tail is that of all moves of the round; other figures are the geometric mean of clips."""
    (even,) = over_common_blocks([clips], lambda _: None)
    moves = [o.work.latencies_ms for o in even if o.work.latencies_ms is not None]
    probability = TASKS[figure.task].figure(figure.figure).probability
    if probability is not None and moves:
        return to_log(sorted_quantile(np.sort(np.concatenate(moves)), probability), figure.unit)
    return float(np.mean([to_log(o.figures[figure.figure], figure.unit) for o in clips]))
