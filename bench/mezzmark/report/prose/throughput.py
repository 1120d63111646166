"""What is said of the whole machine: its best splits, the scaling law, ingest and delivery."""

from collections.abc import Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.over_clips import (
    BestCells,
    as_shown_speed,
    best_cells,
)
from mezzmark.decide.estimate.pooling import compare_groups, group_over_clips
from mezzmark.decide.throughput.grid import GridFindings, SplitFigures
from mezzmark.decide.throughput.schedule import IngestPrediction
from mezzmark.model.cell import AXES, Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.ingest import IngestMeasurement
from mezzmark.report.prose.figures import FigureText, estimate_words, mark_words
from mezzmark.report.prose.numbers import (
    count_span_text,
    count_text,
    estimate_text,
    joined_text,
    level_text,
    list_text,
    number_text,
    shown_name,
)
from mezzmark.report.prose.terms import plain_name, split_words
from mezzmark.statistics.scaling import MINIMUM_ROUNDS, ScalingFit
from mezzmark.statistics.scaling_inference import Peak


def _level_words(found: GridFindings) -> str:
    """How many rounds each speed of the grid had, and what its interval is; `4 rounds, 95 %
    intervals over rounds`."""
    speeds = [split.figures["throughput_fps"] for split in found.splits]
    rounds = count_span_text([speed.round_count for speed in speeds], "round")
    if all(speed.low is None for speed in speeds):
        return f"{rounds}, too few for intervals"
    return f"{rounds}, {level_text(speeds[0].confidence_level)} intervals over rounds"


def grid_text(found: GridFindings, *, best: SplitFigures, has_blanks: bool) -> FigureText:
    """Of the grid of jobs × threads."""
    speed = estimate_text(best.figures["throughput_fps"])
    return FigureText(
        title=f"Jobs × threads: {shown_name(found.encoding)}",
        subtitle="Throughput per thread against one job of one thread (100 %: every thread adds "
        f"as much as the first), and frames per second of all jobs. {_level_words(found)}. "
        f"Framed: the best.{' Blank: not measured.' if has_blanks else ''}",
        caption="The shade is the share of each thread that is of use.",
        alt=f"Best: {split_words(found.best)}, {speed}. The table below has every best split.",
    )


def grid_words(encoding: str, split: SplitFigures, *, is_best: bool) -> str:
    """Speed of the split over all clips, what each of its threads is worth, and if it is the
    best."""
    counts = (split.job_count, split.thread_count)
    what = f"encode speed of {split_words(counts)}"
    words = mark_words(encoding, what, split.figures["throughput_fps"])
    if counts == (1, 1):
        words += "; this speed counts as 100 %"
    elif split.efficiency is not None:
        share = estimate_text(split.efficiency.scaled(100, "%"))
        words += f"; per thread {share} of 1 job × 1 thread"
    return f"{words}; the best split" if is_best else words


def share_text(share: Estimate | None) -> str:
    """`87 %`, of an efficiency; a dash where it is not known."""
    return "–" if share is None else f"{share.point * 100:.0f} %"


def scaling_text(found: GridFindings, fit: ScalingFit, *, has_band: bool) -> FigureText:
    """Of throughput by cores and the fitted law."""
    law = "Line and band: the fitted scaling law with its interval"
    if not has_band:
        law = "Line: the fitted scaling law, without an interval for want of rounds"
    coherency = f", coherency {fit.kappa:.2g}" if fit.law == "usl" else ""
    return FigureText(
        title=f"Throughput by cores: {shown_name(found.encoding)}",
        subtitle=f"Dots: the best split of each count, {_level_words(found)}. {law}, to twice "
        "the measured range. Dashed: every core as good as the first.",
        caption="The further the line lies below the dashed one, the less each further core adds.",
        alt=f"Fitted: contention {fit.sigma:.2g}{coherency}; the scaling table has the intervals.",
    )


def scaling_words(encoding: str, core_count: int, split: SplitFigures) -> str:
    """Of the best split of one core count."""
    what = f"encode speed on {count_text(core_count, 'thread')} in all"
    words = mark_words(encoding, what, split.figures["throughput_fps"])
    return f"{words}; split: {split_words((split.job_count, split.thread_count))}"


def gantt_text(found: IngestPrediction) -> FigureText:
    """Of an ingest's last round."""
    cell, setting = found.cell, found.cell.setting
    return FigureText(
        title=f"A folder to {shown_name(cell.encoding)}",
        subtitle=f"One row per worker ({count_text(setting['threads'], 'thread')} each), "
        f"{setting['clip_order']}; the last round. Full: decoding, converting and encoding. "
        "Light: reading the finished file back.",
        caption="The fastest split and order that were measured. Gaps are workers without a clip.",
        alt=f"Makespan {estimate_text(found.measured)}; the ingest table has every split.",
    )


def clip_words(
    found: IngestPrediction,
    measured: IngestMeasurement,
    index: int,
    times_s: tuple[float, float, float],
) -> str:
    """When one clip was worked on in this round, by whom, and how long the folder takes;
    `times_s` are when it was begun, encoded and read back."""
    cell, whole = found.cell, found.measured
    start_s, encoded_s, done_s = times_s
    return (
        f"{shown_name(cell.encoding)}, {shown_name(measured.clips[index])}: "
        f"{number_text(encoded_s - start_s)} s to encode it, "
        f"{number_text(done_s - encoded_s)} s to read it back; "
        f"from {start_s:.2f} s to {done_s:.2f} s of the last round, one round has no interval; "
        f"worker {measured.worker_index[index] + 1} of {measured.worker_count}, "
        f"{split_words(cell.setting.split)}, {cell.setting['clip_order']}; "
        f"the whole folder: {estimate_words(whole)}"
    )


def worker_label(index: int) -> str:
    """`worker 1` of the first one."""
    return f"worker {index + 1}"


def peak_text(fit: ScalingFit, peak: Peak) -> str:
    """`40 [31, 52] cores`, or why no peak is given."""
    if peak.interval is not None:
        found = peak.interval
        return f"{found.point:.0f} [{found.low:.0f}, {found.high:.0f}] cores"
    if peak.withheld == "few_rounds":
        missing = count_text(MINIMUM_ROUNDS - fit.round_count, "more round")
        return f"no interval from {count_text(fit.round_count, 'round')}: measure {missing}"
    if peak.withheld == "no_peak":
        return "Amdahl's law has no peak"
    if peak.withheld == "far":
        return f"not within four times the {max(fit.core_counts)} cores measured"
    return (
        f"up to {max(fit.core_counts)} cores the data do not bound a peak: κ may be 0. Measure "
        "more core counts or more rounds"
    )


MOST_NAMED: Final = 4
"""Encodings named with their figures; the tables have all of them."""


def throughput_sentences(
    observations: Sequence[Observation], manifest: Manifest, *, confidence_level: float
) -> tuple[str, ...]:
    """Of grid, ingest and delivery, as far as measured, what each one found."""
    grid = [o for o in observations if o.cell.task == "grid"]
    splits, ingests, deliveries = (
        best_cells(observations, manifest, task, confidence_level=confidence_level)
        for task in ("grid", "ingest", "delivery")
    )
    texts = []
    if splits:
        groups = group_over_clips(grid)
        texts += [
            _split_words(splits, manifest),
            *_gain_words(groups, splits, confidence_level),
            *_doubtful_splits(groups, splits, confidence_level),
        ]
    if ingests:
        texts.append(_ingest_words(ingests, _varied(observations, "ingest")))
    if deliveries:
        texts.append(_delivery_words(deliveries, _varied(observations, "delivery"), manifest))
    return tuple(texts)


def _varied(observations: Sequence[Observation], task: str) -> set[str]:
    """The axes of which a task was measured with several values."""
    settings = {o.cell.setting for o in observations if o.cell.task == task}
    return {axis for axis in AXES if len({setting[axis] for setting in settings}) > 1}


_ORDERS: Final = {"fifo": "in the folder's order", "longest-first": "longest clips first"}


def _ingest_words(ingests: BestCells, varied: set[str]) -> str:
    """The time of the whole folder; the order of clips is named where it was varied."""
    parts = []
    for name, (cell, estimate) in _first(ingests):
        order = cell.setting["clip_order"]
        note = f" ({_ORDERS.get(order, plain_name(order))})" if "clip_order" in varied else ""
        parts.append(f"{estimate_text(estimate)} to {shown_name(name)}{note}")
    settings = f"{'order, ' if 'clip_order' in varied else ''}number of jobs and threads"
    return (
        f"All clips as a folder took {joined_text(parts)}{_more(ingests)}, each with its fastest "
        f"{settings}."
    )


def _delivery_words(deliveries: BestCells, varied: set[str], manifest: Manifest) -> str:
    """The speed of the export; passes and threads are named where they were varied."""
    parts = []
    for name, (cell, estimate) in _first(deliveries):
        passes, threads = cell.setting["passes"], count_text(cell.setting["threads"], "thread")
        notes = {
            "passes": "in one pass" if passes == 1 else "in two passes",
            "threads": f"with {threads}",
        }
        note = " ".join(text for axis, text in notes.items() if axis in varied)
        speed = estimate_text(as_shown_speed(estimate, manifest))
        parts.append(f"{speed} from {shown_name(name)}{note and f' ({note})'}")
    return f"The export for delivery ran at {joined_text(parts)}{_more(deliveries)}."


def _first(best: BestCells) -> list[tuple[str, tuple[Cell, Estimate]]]:
    return list(best.items())[:MOST_NAMED]


def _more(best: BestCells) -> str:
    left = len(best) - MOST_NAMED
    return f" ({count_text(left, 'more encoding')} in the table)" if left > 0 else ""


def _split_words(splits: BestCells, manifest: Manifest) -> str:
    """`Encoding ran fastest with 2 jobs of 1 thread: vc3-sq at 80.4 fps [78.9, 82.0].`"""
    by_split: dict[tuple[int, int], list[str]] = {}
    for name, (cell, estimate) in _first(splits):
        speed = f"{shown_name(name)} at {estimate_text(as_shown_speed(estimate, manifest))}"
        by_split.setdefault(cell.setting.split, []).append(speed)
    parts = [
        f"with {count_text(jobs, 'job')} of {count_text(threads, 'thread')}"
        f"{'' if jobs == 1 else ' each'}: {joined_text(speeds)}"
        for (jobs, threads), speeds in by_split.items()
    ]
    return f"Encoding ran fastest {'; '.join(parts)}{_more(splits)}."


Groups = Mapping[Cell, Sequence[Observation]]


def _gain_words(groups: Groups, splits: BestCells, confidence_level: float) -> list[str]:
    """What the best split does against one job of one thread, paired by round."""
    parts = []
    for name, (best, _) in _first(splits):
        singles = [c for c in groups if c.encoding == name and c.setting.split == (1, 1)]
        if not singles or singles[0] == best:
            continue
        if gain := _compare(groups, best, singles[0], confidence_level):
            parts.append(f"{estimate_text(gain)} for {shown_name(name)}")
    return [f"Against one job of one thread that is {joined_text(parts)}."] if parts else []


def _doubtful_splits(groups: Groups, splits: BestCells, confidence_level: float) -> list[str]:
    """Encodings whose best split has no measurable lead over another one."""
    doubtful = []
    for name, (best, _) in splits.items():
        others = [cell for cell in groups if cell.encoding == name and cell != best]
        leads = [_compare(groups, best, other, confidence_level) for other in others]
        if any(lead is not None and (lead.low is None or lead.low <= 1) for lead in leads):
            doubtful.append(name)
    if not doubtful:
        return []
    return [f"Another split may be as fast for {list_text(doubtful)}."]


def _compare(groups: Groups, one: Cell, other: Cell, confidence_level: float) -> Estimate | None:
    return compare_groups(
        groups[one], groups[other], "throughput_fps", confidence_level=confidence_level
    )
