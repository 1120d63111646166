"""What figures say: labels, what a mark says of its number, and the texts of one run and of two.
Long, for each figure of a run has its words here, once."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.choose.choice import Choice, ChoicePlane, ChoicePoint
from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport
from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.decide.estimate.ranking import Ranked, Ranking
from mezzmark.model.cell import Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.choice import FRONTS, STATUSES, rounds_text
from mezzmark.report.prose.numbers import (
    bare_ratio,
    count_text,
    estimate_text,
    few_text,
    level_text,
    list_text,
    number_text,
    shown_name,
    visible_text,
    withheld_text,
)
from mezzmark.report.prose.regress import summarise_regression
from mezzmark.report.prose.terms import bar_words, setting_words, task_label, trial_words
from mezzmark.report.view import LinkFamily, RunView

ALT_ROWS: Final = 5
"""Numbers read out in a figure's text alternative; the table beside it has all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureText:
    """What is said of a figure: in it (title and subtitle), under it, and instead of it."""

    title: str
    subtitle: str
    caption: str
    alt: str


LATENCY_LABEL: Final = "scrub latency, ms (log scale)"
MEDIAN_LABEL: Final = "median scrub latency, ms (log scale)"
SPEED_LABEL: Final = "frames per second (log scale)"
REAL_TIME_LABEL: Final = "times real time (log scale)"
RATE_LABEL: Final = "bit rate, Mbit/s (log scale)"
LINK_KEYS: Final = {"wait_p50_ms": "waiting for storage", "p50_ms": "median scrub latency"}
LINK_LABEL: Final = "link, Gbit/s (log scale)"
MS_LABEL: Final = "ms (log scale)"
SHARE_LABEL: Final = "share of the waiting, %"
PSNR_LABEL: Final = "PSNR, dB"
GENERATION_LABEL: Final = "generation"
CORES_LABEL: Final = "threads of all jobs together"
FPS_LABEL: Final = "frames per second"
SECONDS_LABEL: Final = "seconds"
RUN_LABEL: Final = "run, by its first trial (UTC)"
INSTANT_LABEL: Final = "0.1 s: feels immediate"
TIMES_LABEL: Final = "times as fast as {} (log scale)"
EQUAL_LABEL: Final = "1: equally fast"
COST_LABEL: Final = "cost, later / earlier (log scale)"
UNCHANGED_LABEL: Final = "1: no change"
GOAL_LABEL: Final = "{}, {} (log scale)"
NEED_LINE: Final = "need: {} {} {}"
REAL_TIME_LINE: Final = "real time: {}"
WORKER_LABEL: Final = "worker {}"
BETTER_LABEL: Final = "better"
ALL_CELLS: Final = "mean over cells"
ORIGINAL_LABEL: Final = "original"
MEDIAN_KEY, TAIL_KEY, TRIAL_KEY = "median", "95 of 100 moves (p95)", "one trial's median"
SPAN_KEYS: Final = {
    "locate": "locate (seek)",
    "decode": "decode",
    "present": "present (scale, colour)",
}
ONE_MARK_A_CELL: Final = "one mark per cell; the table names its setting"
FRAME_LABEL, HAND_KEY = "frame of the clip", "the hand"
LATE_LABEL, AGE_LABEL = "late pictures, %", "age while dragging (p95), ms"
COUNT_LABEL: Final = "{} at once"
CHANGE_LABELS: Final = ("before", "after", "difference")


def mark_words(name: str, what: str, estimate: Estimate, *, samples: str = "") -> str:
    """`VC-3 SQ, median: 14.0 ms [13.6, 14.5]; 95 % interval; 6 rounds, 144 moves`; `samples` is
    the noun of the estimate's samples, where they may be counted."""
    return f"{shown_name(name)}, {what}: {estimate_words(estimate, samples)}"


def estimate_words(estimate: Estimate, samples: str = "") -> str:
    """An estimate, what its interval is or why it has none, and its counts."""
    text = estimate_text(estimate)
    if estimate.is_exact:
        return f"{text}; {withheld_text(estimate.withheld)}"
    interval = f"{level_text(estimate.confidence_level)} interval"
    if estimate.low is None or estimate.high is None:
        interval = withheld_text(estimate.withheld) or "no interval"
    counts = [count_text(estimate.round_count, "round")]
    if samples and estimate.sample_count:
        counts.append(count_text(estimate.sample_count, samples))
    return f"{text}; {interval}; {', '.join(counts)}"


def first_few(parts: Sequence[str]) -> str:
    """What a text alternative reads out of a long list."""
    return few_text(parts, "{} more in the table".format, most=ALT_ROWS)


def role_words(roles: Collection[str], choice: Choice | None) -> str:
    """The sentences of a caption that say what the colours mean; only of `roles`, those drawn."""
    texts = []
    if "leader" in roles:
        meaning = "those that may be the fastest" if choice is None else "the chosen encoding"
        texts.append(f"Blue and filled: {meaning}.")
    elif choice is not None and choice.recommendation is None:
        texts.append("Nothing is blue, since no encoding was chosen.")
    if "original" in roles:
        texts.append("Orange diamond: the original.")
    return " ".join(texts)


def leader_label(choice: Choice | None) -> str:
    """What the mark of a leading encoding means, for legends."""
    return "may be the fastest" if choice is None else "chosen"


def latency_text(view: RunView, ranking: Ranking, *, move_count: int, note: str) -> FigureText:
    """Of the latencies of one setting; `move_count` moves were proved in all. `note` says what
    shade and colours mean. How all were played and are drawn is said of the leading one alone."""
    setting = setting_words(ranking.setting, with_pattern=False)
    lead = view.rankings[0]
    is_lead = ranking is lead
    is_alike = setting == setting_words(lead.setting, with_pattern=False)
    tails, middles = (
        [entry.estimates[name] for entry in ranking.entries] for name in ("p95_ms", "p50_ms")
    )
    has_bare_tails = all(tail.low is None for tail in tails)
    also = "; p95 has none: too few moves" if has_bare_tails else ""
    medians = [
        f"{shown_name(entry.encoding)} {estimate_text(entry.estimates['p50_ms'])}"
        for entry in ranking.entries
    ]
    played = f"{setting}. {trial_words(view, ranking)}; " if is_lead or not is_alike else ""
    bars = f" {bar_words([*middles, *tails], also=also)}" if is_lead else ""
    return FigureText(
        title=f"Scrub latency {setting_words(ranking.setting, with_threads=False)}",
        subtitle=f"{played}{move_count:,} proved moves.{bars}",
        caption="Above each line the spread of single moves, below it one dot per trial, at most "
        f"200. {note}"
        if is_lead
        else "",
        alt=f"{setting}. Medians: {first_few(medians)}.",
    )


def floor_words(*, is_shaded: bool, is_all: bool) -> str:
    """What a figure of latencies says of waits that end before the next frame is due."""
    if is_all:
        return "All of it is shorter than one frame: most people see no difference. "
    return "Shaded: below one frame, where most people see no difference. " if is_shaded else ""


def latency_words(name: str, figure: str, estimate: Estimate) -> str:
    """Of a mark of median or p95."""
    whats = {"p50_ms": "median scrub latency", "p95_ms": "scrub latency in 95 of 100 moves"}
    return mark_words(name, whats[figure], estimate, samples="move")


def spans_text(ranking: Ranking) -> FigureText:
    """Of the shares of locate, decode and present."""
    return FigureText(
        title="Where the waiting goes",
        subtitle=f"Share of all time waited {setting_words(ranking.setting, with_threads=False)}. "
        "Sums of measured time, so they carry no interval.",
        caption="Locate is the seek, decode is everything until the frame asked for, present is "
        "scaling and colour conversion for the viewer.",
        alt="For each encoding the shares of locate, decode and present in all time waited.",
    )


def spans_words(entry: Ranked, shares: Mapping[str, float]) -> str:
    """Of one encoding's bar."""
    parts = ", ".join(f"{name} {share * 100:.0f} %" for name, share in shares.items())
    moves = count_text(entry.estimates["p50_ms"].sample_count, "move")
    rounds = count_text(entry.estimates["p50_ms"].round_count, "round")
    return f"{shown_name(entry.encoding)}, waiting: {parts}; {rounds}, {moves}"


def links_text(family: LinkFamily) -> FigureText:
    """Of what a move takes over links that differ in their rate alone."""
    link, setting = family[0][0], family[0][1].setting.but(link=None)
    fastest = [f"{link.name}: {ranking.entries[0].encoding}" for link, ranking in family]
    bars = bar_words(entry.estimates["p50_ms"] for entry in family[0][1].entries)
    return FigureText(
        title="What the link to storage costs",
        subtitle=f"Scrub latency {setting_words(setting)}. Modelled links with a round trip of "
        f"{link.round_trip_ns / 1e6:g} ms. {bars}",
        caption="Filled: median scrub latency. Hollow: how much of a move waits for storage; in "
        "what is left the picture is decoded and presented.",
        alt=f"Least latency over {first_few(fastest)}.",
    )


def strokes_text(clip: str, encodings: Sequence[str], off: Sequence[float]) -> FigureText:
    """Of the hand and what was seen; `off` are mean distances in frames."""
    pairs = zip(encodings, off, strict=True)
    means = "; ".join(f"{shown_name(name)} {number_text(value)}" for name, value in pairs)
    return FigureText(
        title="Where the hand was, and what was seen",
        subtitle=f"{shown_name(clip)}, one trial of each with the same strokes",
        caption="A line on the hand's is a picture that follows; flat stretches are freezes.",
        alt=f"Mean distance from hand to picture in frames: {means}.",
    )


def counts_text(task: str, at_best: AtBest) -> FigureText:
    """Of what streams or editors came to, by their number."""
    counts = (f"{shown_name(n)} {estimate_text(f['count'])}" for n, (_, f) in at_best.items())
    return FigureText(
        title=f"How many {task} are served at once",
        subtitle="Where most rounds tried; the median of rounds decides",
        caption="Where there is one too many, mostly all are late. "
        'No more are tried than "most" in the scenario says.',
        alt=f"{'; '.join(counts)}.",
    )


def encode_text(
    estimates: Sequence[Estimate], best: Mapping[str, Estimate], *, clip_count: int
) -> FigureText:
    """Of encode speeds; `best` holds each encoding's own, the greatest first."""
    rounds = max(estimate.round_count for estimate in estimates)
    encodes = max(estimate.sample_count for estimate in estimates)
    speeds = [f"{shown_name(name)} {estimate_text(speed)}" for name, speed in best.items()]
    return FigureText(
        title="Encode speed",
        subtitle="Of a typical round, the median; frames taken from memory. "
        f"{count_text(rounds, 'round')}, {count_text(clip_count, 'clip')}, up to "
        f"{count_text(encodes, 'encoded clip')} a mark. {bar_words(estimates)}",
        caption="Right of the dashed line encoding is faster than the footage plays.",
        alt=f"Best speeds: {first_few(speeds)}.",
    )


def encode_row_text(thread_count: int, speed: Estimate, *, has_one_count: bool) -> str:
    """At the row's end: the best speed, and its threads where there is a choice."""
    text = estimate_text(speed)
    return text if has_one_count else f"{text}, {count_text(thread_count, 'thread')}"


def encode_words(name: str, thread_count: int, speed: Estimate) -> str:
    """Of one thread count's mark."""
    what = f"encode speed, {count_text(thread_count, 'thread')}"
    return mark_words(name, what, speed, samples="encoded clip")


def size_text(ranking: Ranking, entries: Iterable[Ranked]) -> FigureText:
    """Of bit rate against latency."""
    return FigureText(
        title="Size against scrub latency",
        subtitle=f"Median scrub latency {setting_words(ranking.setting, with_threads=False)}. "
        f"{bar_words(e.estimates['p50_ms'] for e in entries)} "
        "The bit rate is that of the files and has no spread.",
        caption="",
        alt="Bit rate of each encoding against its median scrub latency; the ranking table holds "
        "both numbers.",
    )


def with_rate(words: str, bitrate_mbps: float) -> str:
    """A mark's words with the bit rate that it stands at."""
    return f"{words}; bit rate {number_text(bitrate_mbps)} Mbit/s"


def choice_text(choice: Choice, plane: ChoicePlane, front: Sequence[str]) -> FigureText:
    """Of the plane of two figures; `front` are those that no other one beats in both."""
    bare = [e for p in plane.points for e in (p.x, p.y) if e.low is None]
    is_short = not all(estimate.is_exact for estimate in bare)
    why = "known exactly, or need more rounds for one" if is_short else "known exactly"
    subtitle = (
        f"{rounds_text(choice)}; bars: {level_text(choice.confidence_level)} intervals; figures "
        f"without a bar are {why}."
    )
    if choice.unit_count == 0:
        subtitle = "These figures are known exactly."
    if plane.missing:
        subtitle += f" Not shown, for want of a figure: {list_text(plane.missing, limit=3)}."
    name = shown_name(choice.recommendation) if choice.recommendation else "none"
    return FigureText(
        title="What meets the needs, and at what price",
        subtitle=subtitle,
        caption="The line joins the encodings that no other one beats in both of these. Whether "
        "an encoding is outclassed is judged over all wishes, so one behind the line may still "
        "be the better in a third."
        if len(front) > 1
        else "",
        alt=f"Not beaten in both: {list_text(front) if front else 'none'}. Recommended: {name}.",
    )


def choice_key(choice: Choice, drawn: Sequence[ChoicePoint]) -> dict[str, str]:
    """What the signs of a choice mean, by sign, as far as they are drawn."""
    statuses = {point.judged.status for point in drawn}
    names = {point.judged.encoding for point in drawn}
    fronts = {point.judged.front for point in drawn}
    return {
        sign: label
        for sign, label, is_drawn in (
            ("recommended", "recommended", choice.recommendation in names),
            ("front", "not outclassed", fronts & {"on it", "may be on it"}),
            ("meets", "outclassed", "off it" in fronts),
            ("open", "a need open", "open" in statuses),
            ("ruled out", "a need missed", "ruled out" in statuses),
            ("not judged", "not judged", "not judged" in statuses),
            ("original", ORIGINAL_LABEL, ORIGINAL in names),
        )
        if is_drawn
    }


def choice_words(point: ChoicePoint, plane: ChoicePlane, choice: Choice) -> str:
    """Both figures and the verdict on one encoding."""
    entry = point.judged
    y = mark_words(entry.encoding, plane.y_goal.label, point.y)
    x = f"{plane.x_goal.label}: {estimate_words(point.x)}"
    is_best = entry.encoding == choice.recommendation
    verdict = "recommended" if is_best else f"needs {STATUSES[entry.status]}"
    return "; ".join(filter(None, (y, x, verdict, FRONTS[entry.front])))


def cell_names(cells: Iterable[Cell]) -> list[str]:
    """Task and encoding of each, or the whole key where these do not tell it from the others."""
    cells = list(cells)
    short = [f"{task_label(cell.task)}: {cell.encoding}" for cell in cells]
    return [
        name if short.count(name) == 1 else cell.cell_id
        for name, cell in zip(short, cells, strict=True)
    ]


BARS_TOLD: Final = (
    "A bar wholly right of the shade is a regression, one wholly left of it an improvement, one "
    "wholly inside it shows that nothing changed by more than the tolerance."
)


def verdict_text(cell: CellVerdict) -> str:
    """`equivalent 0.991 [0.962, 1.021]`."""
    ratio = cell.cost_ratio
    return cell.verdict if ratio is None else f"{cell.verdict} {bare_ratio(ratio)}"


def ratios_text(report: RegressionReport) -> FigureText:
    """Of the figure of all cells that have a ratio."""
    shown = [cell for cell in report.cells if cell.cost_ratio is not None]
    cells = [f"{visible_text(cell.cell.cell_id)}: {verdict_text(cell)}" for cell in shown]
    return FigureText(
        title="What each cell costs after against before",
        subtitle=f"{count_text(len(shown), 'cell')}. Bars: intervals that hold together at "
        f"{level_text(report.confidence_level)}; shaded: the tolerance of "
        f"{100 * report.tolerance_fraction:g} %.",
        caption=f"Right of the line at 1 the later run is slower. {BARS_TOLD} Open marks: not "
        "proved either way.",
        alt=f"{summarise_regression(report)} {first_few(cells)}.",
    )
