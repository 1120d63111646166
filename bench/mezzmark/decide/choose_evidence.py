"""What runs say of the figures that needs and wishes name: per encoding, one value a round.

Values are kept as logs, since costs are compared as ratios; decibels are logs already. Within a
round clips are averaged (geometric mean), as everywhere.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.bitrates import BITS_PER_HOUR_TO_GB, pooled_bitrates_bps
from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.fidelity import EncodingFidelity, judge_encodings
from mezzmark.decide.observations import Observation, observe
from mezzmark.decide.ranking import scrub_settings, setting_of
from mezzmark.decide.wording import count_text
from mezzmark.facts.cells import KERNEL_ENCODING, Cell
from mezzmark.facts.choosing_figures import FREE_FOR_ORIGINAL, FigureName
from mezzmark.facts.encoding import ORIGINAL

RoundKey = tuple[int, int]
"""Place of the run among those given, and round."""

DECIBEL_LOG: Final = math.log(10) / 10
"""A decibel as a natural log of a ratio of powers: for PSNR, of the mean squared error."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One figure of one encoding. `logs` has one value a round, or one value under `EXACTLY` where
    it is known without spread. `is_free`: the encoding does without, which beats any value.
    Without logs and not free, `reason` says why nothing is known."""

    logs: Mapping[RoundKey, float]
    setting: str = ""
    sample_count: int = 0
    is_exact: bool = False
    is_free: bool = False
    reason: str = ""


EXACTLY: Final[RoundKey] = (-1, -1)
"""The key of a value that no round made."""


def to_log(value: float, unit: str) -> float:
    """A figure on the log scale; decibels are turned into natural logs."""
    return value * DECIBEL_LOG if unit == "dB" else math.log(value)


def from_log(log: float, unit: str) -> float:
    """The inverse of `to_log`."""
    return log / DECIBEL_LOG if unit == "dB" else math.exp(log)


def list_encodings(runs: Sequence[MeasuredRun]) -> tuple[str, ...]:
    """All encodings that any of the runs measured or prepared, in alphabetical order."""
    names = {e.name for run in runs for e in run.manifest.encodings}
    names |= {t.cell.encoding for run in runs for t in run.trials if not t.cell.arm}
    return tuple(sorted(names - {KERNEL_ENCODING}))


class RunFigures:
    """The figures of runs, read once and looked up by name."""

    def __init__(self, runs: Sequence[MeasuredRun]) -> None:
        self._observations = tuple(
            (place, observation)
            for place, run in enumerate(runs)
            for observation in observe(run.trials)
            if not observation.cell.arm
        )
        self._bitrates: dict[str, float] = {}
        self._fidelity: dict[str, EncodingFidelity] = {}
        for run in runs:
            self._bitrates = pooled_bitrates_bps(run.manifest) | self._bitrates
            judged = judge_encodings(run.trials)
            self._fidelity = {entry.encoding: entry for entry in judged} | self._fidelity

    def columns(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, Column]:
        """The figure of each encoding."""
        if not figure.task:
            found = {name: self._size(figure, name) for name in encodings}
        elif figure.task == "fidelity":
            found = {name: self._quality(figure, name) for name in encodings}
        else:
            found = _timed_columns(figure, encodings, self._observations)
        if (
            figure.task in FREE_FOR_ORIGINAL
            and ORIGINAL in found
            and any(column.logs for column in found.values())
        ):
            found[ORIGINAL] = Column(logs={}, is_free=True, setting="nothing to do")
        return found

    def _size(self, figure: FigureName, name: str) -> Column:
        rate = self._bitrates.get(name)
        if rate is None:
            return Column(logs={}, reason="its size is not known")
        value = rate * BITS_PER_HOUR_TO_GB if figure.figure == "gb_per_hour" else rate
        return _exact(to_log(value, figure.unit), "files on disk")

    def _quality(self, figure: FigureName, name: str) -> Column:
        if name == ORIGINAL and self._fidelity:
            best = DELTA_E_FLOOR
            if figure.figure in _QUALITY:
                best = _untouched(figure.figure)
            return _exact(to_log(best, figure.unit), "the footage itself")
        entry = self._fidelity.get(name)
        value = None if entry is None else quality_value(entry, figure.figure)
        if value is None:
            return Column(logs={}, reason="not measured")
        return _exact(to_log(value, figure.unit), "generation 1")


def quality_value(entry: EncodingFidelity, figure: str) -> float | None:
    """A fidelity figure of an encoding: the worst clip's shift, the mean (or worst) quality."""
    if figure in _QUALITY:
        estimate = entry.estimates.get(_QUALITY[figure])
        if estimate is None:
            return _untouched(figure) if entry.is_bit_exact else None
        value = estimate.worst if figure == "psnr_worst_db" else estimate.point
        return min(value, QUALITY_CAP_DB)
    if figure == "delta_e_tags":
        return max(entry.tags.delta_e_shown, DELTA_E_FLOOR) if entry.tags else None
    charts = [clip.diagnosis for clip in entry.clips if clip.diagnosis is not None]
    if not charts:
        return None
    shifts = [c.worst_delta_e if figure == "delta_e_max" else c.delta_e for c in charts]
    return max(*shifts, DELTA_E_FLOOR)


def _untouched(figure: str) -> float:
    """A quality figure of a picture that nothing has happened to."""
    return SSIM_OF_THE_SAME if figure == "ssim" else QUALITY_CAP_DB


def _exact(log: float, setting: str) -> Column:
    return Column(logs={EXACTLY: log}, is_exact=True, setting=setting, sample_count=1)


Placed = tuple[int, Observation]


def _timed_columns(
    figure: FigureName, encodings: Sequence[str], observations: Sequence[Placed]
) -> dict[str, Column]:
    mine = [
        (place, o)
        for place, o in observations
        if o.cell.task == figure.task
        and o.cell.pattern == figure.pattern
        and (figure.thread_count or o.cell.thread_count) == o.cell.thread_count
        and (figure.job_count or o.cell.job_count) == o.cell.job_count
        and o.figures.get(figure.figure, 0) > 0
    ]
    if figure.task == "scrub" and mine:
        lead = scrub_settings([o for _, o in mine])[0]
        mine = [(place, o) for place, o in mine if setting_of(o.cell) == lead]
    clips = {o.cell.clip for _, o in mine}
    by_encoding: dict[str, dict[Cell, list[Placed]]] = {name: {} for name in encodings}
    for place, o in mine:
        settings = by_encoding.setdefault(o.cell.encoding, {})
        settings.setdefault(setting_of(o.cell), []).append((place, o))
    return {name: _best_column(figure, by_encoding[name], clips) for name in encodings}


def _best_column(
    figure: FigureName, settings: Mapping[Cell, Sequence[Placed]], clips: set[str]
) -> Column:
    """The setting in which the encoding does best; scrub has only one left by now."""
    sign = 1 if figure.better == "less" else -1
    columns = []
    for setting, placed in settings.items():
        logs = _round_logs(figure, placed, clips)
        if logs:
            samples = sum(o.sample_count for _, o in placed)
            columns.append(Column(logs=logs, setting=setting_text(setting), sample_count=samples))
    if not columns:
        reason = "a clip is missing" if settings else "not measured"
        return Column(logs={}, reason=reason)
    return min(columns, key=lambda c: (sign * sum(c.logs.values()) / len(c.logs), c.setting))


def _round_logs(
    figure: FigureName, placed: Iterable[Placed], clips: set[str]
) -> dict[RoundKey, float]:
    """Per round the mean log over clips, for the rounds in which every clip took part."""
    by_round: dict[RoundKey, dict[str, float]] = {}
    for place, o in placed:
        log = to_log(o.figures[figure.figure], figure.unit)
        by_round.setdefault((place, o.round_index), {})[o.cell.clip] = log
    return {
        key: sum(logs.values()) / len(logs)
        for key, logs in sorted(by_round.items())
        if logs.keys() == clips
    }


def setting_text(setting: Cell) -> str:
    """Threads, and jobs, order, passes and policy where the task has them."""
    parts = [count_text(setting.thread_count, "thread")]
    if setting.task in ("grid", "ingest"):
        parts.insert(0, count_text(setting.job_count, "job"))
    if setting.policy:
        parts.append(f"policy {setting.policy}")
    if setting.decoder != "software":
        parts.append(setting.decoder)
    if setting.order:
        parts.append(setting.order)
    if setting.passes:
        parts.append("one pass" if setting.passes == 1 else "two passes")
    return ", ".join(parts)
