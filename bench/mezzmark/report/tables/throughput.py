"""The tables of the throughput tasks."""

from collections.abc import Sequence

from mezzmark.decide.estimate.observations import Observation
from mezzmark.decide.estimate.pooling import compare_groups, pool_clips
from mezzmark.decide.throughput.grid import GridFindings
from mezzmark.decide.throughput.prediction import IngestPrediction
from mezzmark.model.cell import Cell
from mezzmark.report.prose.numbers import count_text, number_text
from mezzmark.report.prose.terms import split_words
from mezzmark.report.tables.table import DASH, Entry, Table, counted, measured, named
from mezzmark.report.view import RunView
from mezzmark.statistics.scaling import ScalingFit
from mezzmark.statistics.scaling_inference import parameter_interval, peak_core_count


def grid_table(view: RunView, findings: Sequence[GridFindings], *, table_id: str) -> Table:
    """Per encoding the best split, the runner-up, and how near the limit."""
    rows = []
    for found in findings:
        best = next(s for s in found.splits if (s.job_count, s.thread_count) == found.best)
        standing = "too few rounds"
        if found.lead is None:
            standing = "only one split"
        elif found.lead.low is not None:
            standing = "yes" if found.is_lead_certain else "cannot be told apart"
        rows.append(
            (
                named(view, found.encoding),
                Entry(text=split_words(found.best)),
                measured(best.figures["throughput_fps"]),
                Entry(text=split_words(found.runner_up) if found.runner_up else DASH),
                Entry(text=standing),
                measured(found.limit_fraction),
                measured(best.figures.get("cores_busy")),
                measured(best.figures.get("peak_rss_bytes")),
                measured(best.figures.get("first_file_s")),
            )
        )
    return Table(
        table_id=table_id,
        title="The best split of jobs and threads",
        note=(
            "Over all clips. The limit is one job of one thread times the machine's cores, or what "
            "its memory carries. Memory is that of the largest job."
        ),
        columns=(
            "encoding",
            "best split",
            "speed of all jobs",
            "runner-up",
            "better than the runner-up",
            "share of the machine's limit",
            "cores busy",
            "memory per job",
            "first file",
        ),
        rows=tuple(rows),
        anchors=row_anchors(table_id, len(rows)),
        texts=(0, 1, 3, 4),
    )


def scaling_table(view: RunView, fits: dict[str, ScalingFit], *, table_id: str) -> Table:
    """Per encoding the fitted law with its intervals."""
    rows = []
    for name, fit in fits.items():
        peak = peak_core_count(fit, confidence_level=view.confidence_level)
        rows.append(
            (
                named(view, name),
                Entry(text="Universal Scalability Law" if fit.law == "usl" else "Amdahl's law"),
                _share(fit, "sigma", view.confidence_level),
                _share(fit, "kappa", view.confidence_level),
                Entry(
                    text=peak.withheld
                    if peak.interval is None
                    else f"{peak.interval.point:.0f} [{peak.interval.low:.0f}, "
                    f"{peak.interval.high:.0f}] cores"
                ),
                Entry(text=", ".join(map(str, fit.core_counts))),
                counted(fit.round_count),
            )
        )
    return Table(
        table_id=table_id,
        title="How throughput scales",
        note=(
            "σ is the share that cannot run side by side, κ what the cores cost each other. A peak "
            "is given only where the data bound it."
        ),
        columns=("encoding", "law", "σ", "κ", "most throughput at", "cores measured", "rounds"),
        rows=tuple(rows),
        anchors=row_anchors(table_id, len(rows)),
        texts=(0, 1, 4, 5),
    )


def _share(fit: ScalingFit, name: str, confidence_level: float) -> Entry:
    if name == "kappa" and fit.law == "amdahl":
        return Entry(text=DASH)
    point = fit.sigma if name == "sigma" else fit.kappa
    interval = parameter_interval(
        fit, "sigma" if name == "sigma" else "kappa", confidence_level=confidence_level
    )
    text = f"{point:.2g}"
    if interval is not None:
        text += f" [{interval.low:.2g}, {interval.high:.2g}]"
    return Entry(text=text, sort=point)


def ingest_order(ingests: Sequence[IngestPrediction]) -> list[IngestPrediction]:
    """As the table has them: each encoding's fastest first."""
    return sorted(ingests, key=lambda found: (found.cell.encoding, found.measured.point))


def ingest_table(view: RunView, ingests: Sequence[IngestPrediction], *, table_id: str) -> Table:
    """Every ingest cell, measured and predicted."""
    pooled = {summary.cell: summary.estimates for summary in view.summaries}
    rows = []
    for found in ingest_order(ingests):
        miss = found.miss_fraction
        rows.append(
            (
                named(view, found.cell.encoding),
                Entry(text=split_words((found.cell.job_count, found.cell.thread_count))),
                Entry(text=found.cell.order or DASH),
                measured(found.measured),
                measured(found.predicted),
                Entry(text=f"{miss * 100:+.1f} %", sort=miss)
                if miss is not None
                else Entry(text=DASH),
                measured(pooled[found.cell].get("idle_fraction")),
                measured(pooled[found.cell].get("cores_busy")),
            )
        )
    clips = count_text(len(view.manifest.clips), "clip")
    return Table(
        table_id=table_id,
        title="Ingesting the folder",
        note=(
            f"All {clips}, decoded, converted, encoded and read back. Predicted from the grid of "
            "the same split; the miss is predicted against measured."
        ),
        columns=(
            "encoding",
            "split",
            "order",
            "makespan",
            "predicted",
            "miss",
            "idle share of the workers",
            "cores busy",
        ),
        rows=tuple(rows),
        anchors=row_anchors(table_id, len(rows)),
        texts=(0, 1, 2),
    )


def delivery_table(view: RunView, *, table_id: str) -> Table:
    """Exports from each encoding in one and two passes."""
    exports = [o for o in view.observations if o.cell.task == "delivery" and not o.cell.arm]
    pooled = pool_clips(exports, confidence_level=view.confidence_level)
    rows = []
    for cell in sorted(pooled, key=lambda c: (c.passes or 0, -pooled[c]["throughput_fps"].point)):
        single = cell.model_copy(update={"passes": 1})
        cost = None
        if cell.passes == 2 and single in pooled:
            cost = compare_groups(
                _of(exports, single),
                _of(exports, cell),
                "throughput_fps",
                confidence_level=view.confidence_level,
            )
        rows.append(
            (
                named(view, cell.encoding),
                Entry(text="one pass" if cell.passes == 1 else "two passes"),
                counted(cell.thread_count),
                measured(pooled[cell]["throughput_fps"]),
                measured(pooled[cell].get("decode_fraction")),
                measured(cost),
            )
        )
    settings = view.manifest.scenario.delivery
    target = (
        f"{settings.codec} at {number_text(settings.bitrate_bps / 1e6)} Mbit/s, preset "
        f"{settings.preset}. "
        if settings
        else ""
    )
    return Table(
        table_id=table_id,
        title="Delivery from each encoding",
        note=(
            f"{target}Decoding is what reading the encoding alone takes, as a share of the export. "
            "The last column is the time of two passes over that of one, paired by round."
        ),
        columns=("from", "passes", "threads", "speed", "share of decoding", "against one pass"),
        rows=tuple(rows),
        texts=(0, 1),
    )


def _of(exports: Sequence[Observation], cell: Cell) -> list[Observation]:
    return [o for o in exports if o.cell.model_copy(update={"clip": ""}) == cell]


def row_anchors(table_id: str, row_count: int) -> tuple[str, ...]:
    """One id per row of the table `table_id`, for marks to link to."""
    return tuple(f"{table_id}-{index}" for index in range(row_count))
