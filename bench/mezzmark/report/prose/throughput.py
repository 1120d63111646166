"""What is said of the whole machine: its best splits, the scaling law, ingest and delivery."""

from collections.abc import Sequence, Sized
from typing import Final

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.over_clips import BestCells, as_shown_speed, best_cells
from mezzmark.decide.throughput.grid import GridFindings, SplitFigures
from mezzmark.decide.throughput.ingest import HeatFindings, IngestPrediction, judge_heat
from mezzmark.model.cell import AXES, Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import grouped
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
from mezzmark.report.prose.terms import plain_name, player_words, split_words
from mezzmark.report.view import RunView
from mezzmark.statistics.scaling import MINIMUM_ROUNDS, ScalingFit, peak_core_count


def _level_words(found: GridFindings) -> str:
    """`4 rounds, 95 % intervals over rounds`, of each speed of the grid."""
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
    """Speed of the split, what each of its threads is worth, and if it is the best."""
    counts = (split.job_count, split.thread_count)
    what = f"encode speed of {split_words(counts)}"
    words = mark_words(encoding, what, split.figures["throughput_fps"])
    if counts == (1, 1):
        words += "; this speed counts as 100 %"
    elif split.efficiency is not None:
        share = estimate_text(split.efficiency.scaled(100, "%"))
        words += f"; per thread {share} of 1 job × 1 thread"
    return f"{words}; the best split" if is_best else words


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
    """When a clip was worked on, by whom; `times_s`: begun, encoded, read back."""
    cell, whole = found.cell, found.measured
    start_s, encoded_s, done_s = times_s
    return (
        f"{shown_name(cell.encoding)}, {shown_name(measured.clips[index])}: "
        f"{number_text(encoded_s - start_s)} s to encode it, {number_text(done_s - encoded_s)} s "
        f"to read it back; from {start_s:.2f} s to {done_s:.2f} s of the last round, one round has "
        f"no interval; worker {measured.worker_index[index] + 1} of {measured.worker_count}, "
        f"{split_words(cell.setting.split)}, {cell.setting['clip_order']}; the whole folder: "
        f"{estimate_words(whole)}"
    )


def peak_text(fit: ScalingFit) -> str:
    """`40 [31, 52] cores`, or why no peak is given."""
    peak = peak_core_count(fit, confidence_level=CONFIDENCE_LEVEL)
    if peak.interval is not None:
        found = peak.interval
        return f"{found.point:.0f} [{found.low:.0f}, {found.high:.0f}] cores"
    most, rounds = max(fit.core_counts), count_text(fit.round_count, "round")
    missing = count_text(MINIMUM_ROUNDS - fit.round_count, "more round")
    return {
        "few_rounds": f"no interval from {rounds}: measure {missing}",
        "no_peak": "Amdahl's law has no peak",
        "far": f"not within four times the {most} cores measured",
        "unbounded": f"up to {most} cores the data do not bound a peak: κ may be 0. Measure more "
        "core counts or more rounds",
    }[peak.withheld]


MOST_NAMED: Final = 4
"""Encodings named with their figures; the tables have all of them."""


def throughput_sentences(view: RunView) -> tuple[str, ...]:
    """Of grid, ingest, decode and delivery, as far as measured, what each one found."""
    ingests = best_cells(view, "ingest")
    texts = _grid_sentences(view) if view.grid else []
    if ingests:
        texts.append(_ingest_words(ingests, _varied(view.observations, "ingest")))
    texts += map(_heat_words, [found for found in judge_heat(view) if found.ratio][:MOST_NAMED])
    for task, what in (("decode", "Decoding in order"), ("delivery", "The export for delivery")):
        if best := best_cells(view, task):
            varied = _varied(view.observations, task)
            texts.append(_speed_words(what, best, varied, view.manifest))
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


NOT_TOLD: Final = "the system does not tell"
"""Of heat and battery, where nothing else may be said."""


def _heat_words(found: HeatFindings) -> str:
    """How the speed changed in a long ingest, with its reasons as far as they are known."""
    assert found.ratio is not None
    share = estimate_text(found.ratio.scaled(100, "%"))
    minutes = count_text(found.cell.setting["minutes"], "minute")
    return (
        f"In the last minutes of {minutes} ingest to {shown_name(found.cell.encoding)} ran at "
        f"{share} of its speed in the first; slowed for heat: {throttle_words(found)}."
    )


def throttle_words(found: HeatFindings) -> str:
    """How often cores were slowed for heat, as far as the system tells."""
    if found.throttle_count is None:
        return NOT_TOLD
    return count_text(found.throttle_count, "time") if found.throttle_count else "never counted"


def clock_words(found: HeatFindings) -> str:
    """`3,900 → 3,100 MHz`, the mean clocks of first and last minutes."""
    if found.clock_mhz is None:
        return NOT_TOLD
    return f"{found.clock_mhz[0]:,.0f} → {found.clock_mhz[1]:,.0f} MHz"


def battery_words(found: HeatFindings) -> str:
    """`on battery, 90 → 71 %`, or what else is known."""
    if found.on_battery is None:
        return NOT_TOLD
    charge = found.battery_fraction
    level = "" if charge is None else f", {charge[0] * 100:.0f} → {charge[1] * 100:.0f} %"
    return f"on {'battery' if found.on_battery else 'mains'}{level}"


def _speed_words(what: str, best: BestCells, varied: set[str], manifest: Manifest) -> str:
    """The speed of `what` from each encoding; how it was done is named where that was varied."""
    parts = []
    for name, (cell, estimate) in _first(best):
        passes, threads = cell.setting["passes"], count_text(cell.setting["threads"], "thread")
        notes = {
            "passes": "in one pass" if passes == 1 else "in two passes",
            "threads": f"with {threads}",
            "player": player_words(cell.setting["player"] or ""),
        }
        note = " ".join(text for axis, text in notes.items() if axis in varied)
        speed = estimate_text(as_shown_speed(estimate, manifest))
        parts.append(f"{speed} from {shown_name(name)}{note and f' ({note})'}")
    return f"{what} ran at {joined_text(parts)}{_more(best)}."


def _first(best: BestCells) -> list[tuple[str, tuple[Cell, Estimate]]]:
    return list(best.items())[:MOST_NAMED]


def _more(best: Sized) -> str:
    left = len(best) - MOST_NAMED
    return f" ({count_text(left, 'more encoding')} in the table)" if left > 0 else ""


def _grid_sentences(view: RunView) -> list[str]:
    """`Encoding ran fastest with 2 jobs of 1 thread: vc3-sq at 80.4 fps …`; gains and doubts."""
    found = [(f.best_split.figures["throughput_fps"], f) for f in view.grid]
    found.sort(key=lambda pair: (-pair[0].point, pair[1].encoding))
    texts = (
        (f.best, f"{shown_name(f.encoding)} at {estimate_text(as_shown_speed(s, view.manifest))}")
        for s, f in found[:MOST_NAMED]
    )
    parts = [
        f"with {count_text(jobs, 'job')} of {count_text(threads, 'thread')}"
        f"{'' if jobs == 1 else ' each'}: {joined_text(speeds)}"
        for (jobs, threads), speeds in grouped(texts).items()
    ]
    gains = [
        f"{estimate_text(f.gain)} for {shown_name(f.encoding)}"
        for _, f in found[:MOST_NAMED]
        if f.gain
    ]
    doubtful = [f.encoding for _, f in found if f.is_doubtful]
    return [
        f"Encoding ran fastest {'; '.join(parts)}{_more(found)}.",
        *([f"Against one job of one thread that is {joined_text(gains)}."] if gains else []),
        *([f"Another split may be as fast for {list_text(doubtful)}."] if doubtful else []),
    ]
