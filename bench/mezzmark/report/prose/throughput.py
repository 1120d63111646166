"""What the figures of the whole machine say: the grid, the scaling law, the ingest."""

from mezzmark.decide.throughput.grid import GridFindings, SplitFigures
from mezzmark.decide.throughput.prediction import IngestPrediction
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks.ingest import IngestMeasurement
from mezzmark.report.prose.figures import FigureText, estimate_words, mark_words
from mezzmark.report.prose.numbers import (
    count_span_text,
    count_text,
    estimate_text,
    level_text,
    number_text,
    shown_name,
)
from mezzmark.report.prose.terms import split_words
from mezzmark.statistics.scaling import ScalingFit


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
