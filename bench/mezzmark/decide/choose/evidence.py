"""What runs say of the figures that needs and wishes name: per encoding the report's own estimate,
and one value a round, of which the spread is made.

Values are kept as logs, since costs are compared as ratios; decibels are logs already.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from mezzmark.decide.choose.draws import KNOWN_EXACTLY, Column, RoundKey, exact_column, to_log
from mezzmark.decide.estimate.observations import Observation, observe
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.pooling import BITS_PER_HOUR_TO_GB, pool_clips, pooled_bitrates_bps
from mezzmark.decide.estimate.ranking import scrub_settings
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS, estimate_values
from mezzmark.decide.picture.fidelity import EncodingFidelity, QualityEstimate, judge_encodings
from mezzmark.model.cell import KERNEL_ENCODING, Setting
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.figures import FigureName, figure_names
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.numbers import count_text
from mezzmark.statistics.quantiles import sorted_quantile

Placed = tuple[int, Observation]
"""An observation with the place of its run among those given."""

Kind = tuple[str, Setting]
"""A task and its setting."""

_FURTHER_RUN: Final = 1_000_000
"""Added to the rounds of each further run that is put together round by round: more rounds than a
scenario may have."""


class TimedFigures:
    """The timed figures of runs; estimates are made when first asked for, and kept."""

    def __init__(self, runs: Sequence[MeasuredRun], *, confidence_level: float) -> None:
        self._is_by_run = len(runs) >= MINIMUM_ROUNDS
        self._level = confidence_level
        self._pooled: dict[tuple[int | None, str, Kind], Mapping[str, Estimate]] = {}
        self._placed: dict[Kind, dict[str, list[Placed]]] = {}
        for place, run in enumerate(runs):
            for o in observe(run.trials):
                by_encoding = self._placed.setdefault((o.cell.task, o.cell.setting), {})
                by_encoding.setdefault(o.cell.encoding, []).append((place, o))

    def columns(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, Column]:
        """The figure of each encoding, in the setting that leads the report (scrub) or in the
        encoding's own best (others)."""
        kinds = [kind for kind in self._placed if _is_meant(figure, kind)]
        if not TASKS[figure.task].is_best_setting and kinds:
            everything = [o for k in kinds for group in self._placed[k].values() for _, o in group]
            kinds = [(figure.task, scrub_settings(everything)[0])]
        having = {
            kind: {
                name: kept
                for name, group in self._placed[kind].items()
                if (kept := [p for p in group if p[1].figures.get(figure.figure, 0) > 0])
            }
            for kind in kinds
        }
        clips = {
            o.cell.clip for groups in having.values() for group in groups.values() for _, o in group
        }
        return {
            name: self._best(
                figure,
                name,
                {kind: groups[name] for kind, groups in having.items() if name in groups},
                clips,
            )
            for name in encodings
        }

    def measured_names(self) -> tuple[tuple[str, str | None, str], ...]:
        """Task, pattern and figure of all that was timed."""
        found = {
            (task, setting["pattern"], figure)
            for (task, setting), groups in self._placed.items()
            for group in groups.values()
            for _, o in group
            for figure in o.figures
        }
        return tuple(sorted(found, key=str))

    def _best(
        self,
        figure: FigureName,
        name: str,
        kinds: Mapping[Kind, Sequence[Placed]],
        clips: set[str],
    ) -> Column:
        """The setting in which the encoding does best; scrub has only one left by now."""
        sign = 1 if figure.better == "less" else -1
        columns = [
            column
            for kind, placed in kinds.items()
            if (column := self._column(figure, name, kind, placed, clips)) is not None
        ]
        if not columns:
            reason = "a clip is missing" if kinds else "not measured"
            return Column(logs={}, reason=reason)
        return min(columns, key=lambda c: (sign * c.point, c.setting))

    def _column(
        self,
        figure: FigureName,
        name: str,
        kind: Kind,
        placed: Sequence[Placed],
        clips: set[str],
    ) -> Column | None:
        """The figure in one setting, or None where no round has every clip."""
        logs = _round_logs(figure, placed, clips)
        if not logs:
            return None
        if not self._is_by_run:
            estimate = self._pool(name, kind)[figure.figure]
            return Column(logs=logs, estimate=estimate, setting=setting_text(*kind))
        points = {
            place: self._pool(name, kind, place)[figure.figure].point
            for place in sorted({place for place, _ in logs})
        }
        samples = sum(o.sample_count for _, o in placed)
        return Column(
            logs={(place, -1): to_log(point, figure.unit) for place, point in points.items()},
            estimate=estimate_values(list(points.values()), figure.unit, samples, self._level),
            setting=setting_text(*kind),
        )

    def _pool(self, name: str, kind: Kind, of_run: int | None = None) -> Mapping[str, Estimate]:
        """The report's estimates over clips, of one run or of all round by round."""
        key = of_run, name, kind
        if key not in self._pooled:
            group = [
                replace(o, round_index=place * _FURTHER_RUN + o.round_index)
                for place, o in self._placed[kind][name]
                if of_run in (None, place)
            ]
            [self._pooled[key]] = pool_clips(group, confidence_level=self._level).values()
        return self._pooled[key]


def _is_meant(figure: FigureName, kind: Kind) -> bool:
    task, setting = kind
    return (
        task == figure.task
        and setting["pattern"] == figure.pattern
        and figure.thread_count in (None, setting["threads"])
        and figure.job_count in (None, setting["jobs"])
    )


def _round_logs(
    figure: FigureName, placed: Iterable[Placed], clips: set[str]
) -> dict[RoundKey, float]:
    """The figure of each round in which every clip took part."""
    by_round: dict[RoundKey, dict[str, Observation]] = {}
    for place, o in placed:
        by_round.setdefault((place, o.round_index), {})[o.cell.clip] = o
    return {
        key: _log_of_round(figure, list(by_clip.values()))
        for key, by_clip in sorted(by_round.items())
        if by_clip.keys() == clips
    }


def _log_of_round(figure: FigureName, clips: Sequence[Observation]) -> float:
    """A tail is that of all moves of the round; other figures are the geometric mean of clips."""
    moves = [o.work.latencies_ms for o in clips if o.work.latencies_ms is not None]
    probability = TASKS[figure.task].figure(figure.figure).probability
    if probability is not None and moves:
        return to_log(sorted_quantile(np.sort(np.concatenate(moves)), probability), figure.unit)
    return float(np.mean([to_log(o.figures[figure.figure], figure.unit) for o in clips]))


def setting_text(task: str, setting: Setting) -> str:
    """Threads, and jobs, order, passes and policy where the task has them."""
    parts = [count_text(setting["threads"], "thread")]
    if "jobs" in TASKS[task].axes:
        parts.insert(0, count_text(setting["jobs"], "job"))
    if setting["policy"]:
        parts.append(f"policy {setting['policy']}")
    player = PLAYERS.get(setting["player"])
    if player and player.device:
        parts.append(player.device)
    if setting["clip_order"]:
        parts.append(setting["clip_order"])
    if setting["passes"]:
        parts.append("one pass" if setting["passes"] == 1 else "two passes")
    return ", ".join(parts)


DELTA_E_FLOOR: Final = 0.1
"""Colour shifts below a tenth of what can be seen side by side are alike to everybody, and an
exact 0 has no ratio."""

QUALITY_CAP_DB: Final = 100.0
"""Stands for pictures that came back bit for bit, which have no finite PSNR; above what any lossy
encoding of 16-bit pictures reaches."""

_QUALITY: Final = {
    "psnr_db": "PSNR",
    "psnr_worst_db": "PSNR",
    "xpsnr_db": "XPSNR Y",
    "ssim": "SSIM",
}
SSIM_OF_THE_SAME: Final = 1.0

NOTHING_TO_DO: Final = "nothing to do"


def list_encodings(runs: Sequence[MeasuredRun]) -> tuple[str, ...]:
    """All encodings that any of the runs measured or prepared, in alphabetical order."""
    names = {e.name for run in runs for e in run.manifest.encodings}
    names |= {t.cell.encoding for run in runs for t in run.trials if not t.arm}
    return tuple(sorted(names - {KERNEL_ENCODING}))


class RunFigures:
    """The figures of runs, read once and looked up by name; intervals at `confidence_level`."""

    def __init__(self, runs: Sequence[MeasuredRun], *, confidence_level: float) -> None:
        self._timed = TimedFigures(runs, confidence_level=confidence_level)
        self._bitrates: dict[str, float] = {}
        self._fidelity: dict[str, EncodingFidelity] = {}
        for run in runs:
            self._bitrates = pooled_bitrates_bps(run.manifest) | self._bitrates
            judged = judge_encodings(run.trials, confidence_level=confidence_level)
            self._fidelity = {entry.encoding: entry for entry in judged} | self._fidelity

    def columns(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, Column]:
        """The figure of each encoding."""
        if not figure.task:
            found = {name: self._size(figure, name) for name in encodings}
        elif figure.task == "fidelity":
            found = {name: self._quality(figure, name) for name in encodings}
        else:
            found = self._timed.columns(figure, encodings)
        if (
            figure.task
            and TASKS[figure.task].is_free_for_original
            and ORIGINAL in found
            and any(column.logs for column in found.values())
        ):
            found[ORIGINAL] = Column(logs={}, is_free=True, setting=NOTHING_TO_DO)
        return found

    def measured_names(self) -> tuple[str, ...]:
        """Names of all timed figures that a wish could name, without counts of threads or jobs."""
        timed = {".".join(filter(None, parts)) for parts in self._timed.measured_names()}
        return tuple(name for name in figure_names() if name in timed)

    def _size(self, figure: FigureName, name: str) -> Column:
        rate = self._bitrates.get(name)
        if rate is None:
            return Column(logs={}, reason="its size is not known")
        value = rate * BITS_PER_HOUR_TO_GB if figure.figure == "gb_per_hour" else rate
        estimate = _known(value, figure.unit)
        return exact_column(to_log(value, figure.unit), "files on disk", estimate=estimate)

    def _quality(self, figure: FigureName, name: str) -> Column:
        if name == ORIGINAL and self._fidelity:
            best = DELTA_E_FLOOR
            if figure.figure in _QUALITY:
                best = _untouched(figure.figure)
            return exact_column(
                to_log(best, figure.unit), "the footage itself", wording="the footage itself"
            )
        entry = self._fidelity.get(name)
        value = None if entry is None else quality_value(entry, figure.figure)
        if entry is None or value is None:
            return Column(logs={}, reason="not measured")
        estimate = _shown_quality(entry, figure)
        wording = "" if estimate else "identical"
        log = to_log(value, figure.unit)
        return exact_column(log, "generation 1", estimate=estimate, wording=wording)


def quality_value(entry: EncodingFidelity, figure: str) -> float | None:
    """A fidelity figure as it counts: the worst clip's shift, the mean (or worst) quality, both
    held within what has a finite ratio; None where it was not measured."""
    if figure in _QUALITY:
        estimate = entry.estimates.get(_QUALITY[figure])
        if estimate is None:
            return _untouched(figure) if entry.is_bit_exact else None
        value = estimate.worst if figure == "psnr_worst_db" else estimate.point
        return min(value, QUALITY_CAP_DB)
    shift = _colour_shift(entry, figure)
    return None if shift is None else max(shift, DELTA_E_FLOOR)


def _shown_quality(entry: EncodingFidelity, figure: FigureName) -> Estimate | None:
    """The figure as the report shows it; None where pictures came back bit for bit."""
    if figure.figure in _QUALITY:
        found = entry.estimates.get(_QUALITY[figure.figure])
        if found is None:
            return None
        if figure.figure == "psnr_worst_db":
            return _known(found.worst, figure.unit)
        return _known(found.point, figure.unit, over_clips=found)
    shift = _colour_shift(entry, figure.figure)
    return None if shift is None else _known(shift, figure.unit)


def _colour_shift(entry: EncodingFidelity, figure: str) -> float | None:
    """The worst clip's shift on the chart, or what lost colour tags show."""
    if figure == "delta_e_tags":
        return entry.tags.delta_e_shown if entry.tags else None
    if figure == "delta_e_max":
        return entry.worst_patch.worst_delta_e if entry.worst_patch else None
    return entry.worst_chart.delta_e if entry.worst_chart else None


def _untouched(figure: str) -> float:
    """A quality figure of a picture that nothing has happened to."""
    return SSIM_OF_THE_SAME if figure == "ssim" else QUALITY_CAP_DB


def _known(value: float, unit: str, *, over_clips: QualityEstimate | None = None) -> Estimate:
    """A value that is the same in every round, with its interval over clips where it has one."""
    low, high = (over_clips.low, over_clips.high) if over_clips else (None, None)
    return Estimate(
        point=value,
        low=low,
        high=high,
        confidence_level=over_clips.confidence_level if over_clips else 0.95,
        unit=unit,
        round_count=1,
        sample_count=over_clips.clip_count if over_clips else 1,
        method="as it is" if low is None else "mean of clips; t over clips",
        withheld=KNOWN_EXACTLY if low is None else (),
    )
