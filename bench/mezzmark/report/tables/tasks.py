"""The tables of tasks: cell by cell; and of those that work the whole machine over all clips."""

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Final, Literal

from mezzmark.decide.estimate.over_clips import as_shown_speed, hours_per_hour, pool_clips
from mezzmark.decide.estimate.pooling import compare_groups, group_over_clips
from mezzmark.decide.throughput.grid import GridFindings
from mezzmark.decide.throughput.ingest import HeatFindings, IngestPrediction
from mezzmark.model.cell import CONDITIONS, Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL, CellSummary, Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.delivery import DeliverySettings
from mezzmark.report.prose.numbers import count_text
from mezzmark.report.prose.table_notes import NOTES, cells_note, delivery_note
from mezzmark.report.prose.terms import ingest_split_words, player_words, split_words
from mezzmark.report.prose.throughput import battery_words, clock_words, peak_text, throttle_words
from mezzmark.report.tables.run import named, slow_entry
from mezzmark.report.tables.table import DASH, Column, Content, Entry, Table, bare, tabulate, worded
from mezzmark.report.view import RunView
from mezzmark.statistics.scaling import ScalingFit, parameter_interval

_AXES: Final = {"scrub": ("pattern", "policy", "threads"), "encode": ("threads",)}
_HEADS: Final[Mapping[str, Mapping[str, str]]] = {
    "scrub": {
        "p50_ms": "median",
        "p95_ms": "p95",
        "wait_p50_ms": "storage",
        "locate_p50_ms": "locate",
        "decode_p50_ms": "decode",
        "present_p50_ms": "present",
        "open_ms": "open",
        "read_bytes_per_move": "read per move",
    },
    "encode": {
        "throughput_fps": "speed",
        "cores_busy": "cores busy",
        "bitrate_bps": "bit rate",
        "file_bytes": "file",
        "peak_rss_bytes": "peak memory",
    },
    "drag": {
        "pictures_per_s": "pictures seen",
        "age_p95_ms": "age, p95",
        "distance_mean_frames": "distance, mean",
        "freeze_ms": "longest freeze",
        "to_exact_ms": "exact after a stop",
        "wait_p50_ms": "storage",
    },
    "play": {
        "start_ms": "start",
        "on_time_fraction": "on time",
        "dropped_fraction": "dropped",
        "least_fill": "least queue",
        "busy_fraction": "at work",
        "wait_p50_ms": "storage",
        "double_on_time_fraction": "on time at 2×",
        "reverse_on_time_fraction": "on time backwards",
    },
    "storage": {"mb_per_s": "rate", "read_p50_ms": "one read, median"},
    "streams": {"count": "streams", "wait_fraction": "storage", "peak_rss_bytes": "peak memory"},
    "editors": {"count": "editors", "wait_fraction": "storage", "peak_rss_bytes": "peak memory"},
}
"""The figures that are shown of a task, and what they are called; of any other task all."""


def cells_table(view: RunView, task: str) -> Table:
    """Every cell of a task; rows but those of self-comparisons are found by cell over all clips."""
    spec = TASKS[task]
    heads = _HEADS.get(task, {figure.name: figure.name for figure in spec.figures})
    mine = [summary for summary in view.summaries if summary.cell.task == task]
    known = {name for summary in mine for name in summary.estimates}
    heads = {name: head for name, head in heads.items() if head != "storage" or name in known}
    axes = [
        axis
        for axis in _AXES.get(task, spec.axes)
        if axis not in CONDITIONS or any(summary.cell.setting[axis] for summary in mine)
    ]
    return tabulate(
        mine,
        Column("encoding", lambda s: named(view, s.cell.encoding), "left"),
        Column("clip", lambda s: s.cell.clip, "left"),
        *map(_axis_column, axes),
        *(Column(head, partial(_figure, name)) for name, head in heads.items()),
        Column("trials", lambda s: s.trial_count),
        Column("failed", lambda s: s.failed_trial_count),
        table_id=f"{view.prefix}{task}-cells",
        title=f"Every {task} cell",
        note=cells_note(task, [s.estimates["p95_ms"] for s in mine if "p95_ms" in s.estimates]),
        key=lambda s: None if s.arm else s.cell.but(clip=""),
    )


def _figure(name: str, summary: CellSummary) -> Estimate | None:
    return summary.estimates.get(name)


def _axis_column(axis: str) -> Column[CellSummary]:
    """What a cell has on an axis; the arm of a self-comparison stands beside the policy."""

    def cell(summary: CellSummary) -> Content:
        value = summary.cell.setting[axis]
        if axis == "policy" and summary.arm:
            return f"{value or DASH}, {summary.arm} arm"
        return Entry("yes" if value else "no") if isinstance(value, bool) else value

    return Column(axis.replace("_", " "), cell, "right" if axis == "threads" else "left")


def grid_table(view: RunView, findings: Sequence[GridFindings]) -> Table:
    """Per encoding the best split, the runner-up, and how near the limit."""
    return tabulate(
        findings,
        Column("encoding", lambda f: named(view, f.encoding), "left"),
        Column("best split", lambda f: split_words(f.best), "left"),
        Column("speed of all jobs", lambda f: _shown_speed(view, f.best_split.figures)),
        Column("slow rounds", lambda f: slow_entry(f.best_split.figures["throughput_fps"])),
        Column("runner-up", lambda f: f.runner_up and split_words(f.runner_up), "left"),
        Column("better than the runner-up", _lead_words, "left"),
        Column("share of the machine's limit", lambda f: f.limit_fraction),
        Column("cores busy", lambda f: f.best_split.figures.get("cores_busy")),
        Column("memory per job", lambda f: f.best_split.figures.get("peak_rss_bytes")),
        Column("first file", lambda f: f.best_split.figures.get("first_file_s")),
        table_id=f"{view.prefix}grid",
        title="The best split of jobs and threads",
        note=NOTES["grid"],
        key=lambda f: f.encoding,
    )


def _shown_speed(view: RunView, figures: Mapping[str, Estimate]) -> Estimate:
    return as_shown_speed(figures["throughput_fps"], view.manifest)


def _real_time(view: RunView, figures: Mapping[str, Estimate]) -> Estimate | None:
    hours = hours_per_hour(figures["throughput_fps"], view.manifest)
    return hours and hours.inverted("× real time")


def _lead_words(found: GridFindings) -> str:
    if found.lead is None:
        return "only one split"
    if found.lead.low is None:
        return "too few rounds"
    return "yes" if found.is_lead_certain else "no: too close"


def scaling_table(view: RunView, fits: dict[str, ScalingFit]) -> Table:
    """Per encoding the fitted law with its intervals."""
    laws = {"usl": "Universal Scalability Law", "amdahl": "Amdahl's law"}
    return tabulate(
        fits.items(),
        Column("encoding", lambda r: named(view, r[0]), "left"),
        Column("law", lambda r: laws[r[1].law], "left"),
        Column("σ", lambda r: _parameter(r[1], "sigma")),
        Column("κ", lambda r: _parameter(r[1], "kappa") if r[1].law == "usl" else None),
        Column("most throughput at", lambda r: peak_text(r[1]), "left"),
        Column("cores measured", lambda r: ", ".join(map(str, r[1].core_counts)), "left"),
        Column("rounds", lambda r: r[1].round_count),
        table_id=f"{view.prefix}scaling",
        title="How throughput scales",
        note=NOTES["scaling"],
        key=lambda r: r[0],
    )


def _parameter(fit: ScalingFit, name: Literal["sigma", "kappa"]) -> Entry:
    point = fit.sigma if name == "sigma" else fit.kappa
    interval = parameter_interval(fit, name, confidence_level=CONFIDENCE_LEVEL)
    ends = f"[{interval.low:.2g}, {interval.high:.2g}]" if interval is not None else ""
    return Entry(f"{point:.2g}", ends, sort=point)


def ingest_table(view: RunView, ingests: Sequence[IngestPrediction]) -> Table:
    """Every ingest cell, measured and predicted, each encoding's fastest first."""
    pooled = {summary.cell: summary.estimates for summary in view.summaries}
    varied = [axis for axis in CONDITIONS if any(f.cell.setting[axis] for f in ingests)]
    waits = {f.cell: w for f in ingests if (w := pooled[f.cell].get("wait_fraction"))}
    return tabulate(
        sorted(ingests, key=lambda f: (f.cell.encoding, f.measured.point)),
        Column("encoding", lambda f: named(view, f.cell.encoding), "left"),
        Column("split", lambda f: ingest_split_words(f.cell.setting), "left"),
        Column("order", lambda f: f.cell.setting["clip_order"], "left"),
        *(Column(axis, partial(_on_axis, axis), "left") for axis in varied),
        Column("makespan", lambda f: f.measured),
        Column("predicted", lambda f: f.predicted),
        Column("miss", lambda f: worded(f.miss_fraction, lambda x: f"{x * 100:+.1f} %")),
        Column("idle share of the workers", lambda f: pooled[f.cell].get("idle_fraction")),
        *([Column("storage", lambda f: waits.get(f.cell))] if waits else []),
        Column("cores busy", lambda f: pooled[f.cell].get("cores_busy")),
        table_id=f"{view.prefix}ingest",
        title="Ingesting the folder",
        note=NOTES["ingest"].format(clips=count_text(len(view.manifest.clips), "clip")),
        key=lambda f: f.cell,
    )


def heat_table(view: RunView, findings: Sequence[HeatFindings]) -> Table:
    """Ingests that go on: first and last minutes, and what the machine told meanwhile."""
    return tabulate(
        findings,
        Column("encoding", lambda f: named(view, f.cell.encoding), "left"),
        Column("split", lambda f: split_words(f.cell.setting.split), "left"),
        Column("order", lambda f: f.cell.setting["clip_order"], "left"),
        Column("minutes", lambda f: f.cell.setting["minutes"]),
        Column("first", lambda f: f.first),
        Column("last", lambda f: f.last),
        Column("last / first", lambda f: f.ratio and bare(f.ratio)),
        Column("clock", clock_words, "left"),
        Column("slowed for heat", throttle_words, "left"),
        Column("power", battery_words, "left"),
        table_id=f"{view.prefix}heat",
        title="Ingesting for long",
        note=NOTES["heat"],
    )


def _on_axis(axis: str, found: IngestPrediction) -> str | int | None:
    value: str | int | None = found.cell.setting[axis]
    return value


def decode_table(view: RunView) -> Table:
    """Decoding in order over all clips, a row for each encoding and player. Of clips of several
    rates or sizes the speed itself is against real time."""
    mine = [o for o in view.observations if o.cell.task == "decode"]
    pooled = pool_clips(mine, view.manifest)
    against: Column[Cell] = Column("against real time", lambda c: _real_time(view, pooled[c]))
    is_told = any(_shown_speed(view, of).unit != "fps" for of in pooled.values())
    return tabulate(
        sorted(pooled, key=lambda c: -pooled[c]["throughput_fps"].point),
        Column("from", lambda c: named(view, c.encoding), "left"),
        Column("player", lambda c: player_words(c.setting["player"]), "left"),
        Column("threads", lambda c: c.setting["threads"]),
        Column("speed", lambda c: _shown_speed(view, pooled[c])),
        *(() if is_told else (against,)),
        Column("cores busy", lambda c: pooled[c].get("cores_busy")),
        Column("peak memory", lambda c: pooled[c].get("peak_rss_bytes")),
        table_id=f"{view.prefix}decode",
        title="Decoding each encoding in order",
        note=NOTES["decode"],
    )


def delivery_table(view: RunView) -> Table:
    """Exports from each encoding in one and two passes."""
    exports = [o for o in view.observations if o.cell.task == "delivery"]
    pooled = pool_clips(exports, view.manifest)
    groups = group_over_clips(exports)

    def against_one_pass(cell: Cell) -> Estimate | None:
        single = cell.but(setting=cell.setting.but(passes=1))
        if cell.setting["passes"] != 2 or single not in groups:
            return None
        return compare_groups(groups[single], groups[cell], "throughput_fps")

    return tabulate(
        sorted(
            pooled, key=lambda c: (c.setting["passes"] or 0, -pooled[c]["throughput_fps"].point)
        ),
        Column("from", lambda c: named(view, c.encoding), "left"),
        Column(
            "passes", lambda c: "one pass" if c.setting["passes"] == 1 else "two passes", "left"
        ),
        Column("threads", lambda c: c.setting["threads"]),
        Column("speed", lambda c: _shown_speed(view, pooled[c])),
        Column("share of decoding", lambda c: pooled[c].get("decode_fraction")),
        Column("against one pass", against_one_pass),
        table_id=f"{view.prefix}delivery",
        title="Delivery from each encoding",
        note=delivery_note(view.manifest.scenario.settings(DeliverySettings)),
    )
