"""What runs say of the figures that needs and wishes name: per encoding the report's own estimate,
and one value a round, of which the spread is made.

Values are kept as logs, since costs are compared as ratios; decibels are logs already.
"""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.bitrates import BITS_PER_HOUR_TO_GB, pooled_bitrates_bps
from mezzmark.decide.choose_columns import KNOWN_EXACTLY, Column, exact_column, to_log
from mezzmark.decide.choose_timed import TimedFigures
from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.fidelity import EncodingFidelity, QualityEstimate, judge_encodings
from mezzmark.facts.cells import KERNEL_ENCODING
from mezzmark.facts.choosing_figures import FREE_FOR_ORIGINAL, FigureName, figure_names
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.estimates import Estimate

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
    names |= {t.cell.encoding for run in runs for t in run.trials if not t.cell.arm}
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
            figure.task in FREE_FOR_ORIGINAL
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
        withheld=KNOWN_EXACTLY if low is None else "",
    )
