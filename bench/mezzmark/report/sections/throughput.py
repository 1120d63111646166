"""The report's section on throughput: grid, scaling, ingest, delivery; and the tables of sizing."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from mezzmark.decide.throughput.grid import GridFindings, fit_grid, judge_grid
from mezzmark.decide.throughput.schedule import IngestPrediction, last_ingest, predict_ingests
from mezzmark.model.records import Trial
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.machine import draw_gantt, draw_grid, draw_scaling
from mezzmark.report.tables.table import Table, filled
from mezzmark.report.tables.throughput import (
    delivery_table,
    grid_table,
    ingest_order,
    ingest_table,
    scaling_table,
)
from mezzmark.report.view import RunView
from mezzmark.statistics.scaling import ScalingFit, law_throughput


@dataclass(frozen=True, slots=True, kw_only=True)
class ThroughputSection:
    """What the section shows, in order: pictures of kind `grid`, `scaling` and `gantt`, and one
    table for each task that was measured."""

    pictures: tuple[Picture, ...]
    tables: tuple[Table, ...]


def build_throughput_section(view: RunView, *, prefix: str) -> ThroughputSection | None:
    """The section of one run, or None where no throughput task was measured."""
    findings = judge_grid(view.trials, view.manifest.host, confidence_level=view.confidence_level)
    ingests = predict_ingests(
        view.trials,
        {clip.clip: clip.frame_count for clip in view.manifest.clips},
        confidence_level=view.confidence_level,
        rng=np.random.default_rng(view.manifest.scenario.seed),
    )
    fits = {found.encoding: fit for found in findings if (fit := _fit(view, found.encoding))}
    tables = [
        grid_table(view, findings, table_id=f"{prefix}grid"),
        scaling_table(view, fits, table_id=f"{prefix}scaling"),
        ingest_table(view, ingests, table_id=f"{prefix}ingest"),
        delivery_table(view, table_id=f"{prefix}delivery"),
    ]
    pictures = (
        *_grid_pictures(view, findings, fits, prefix),
        *_gantt_pictures(view.trials, ingests, prefix),
    )
    measured = filled(*tables)
    return ThroughputSection(pictures=pictures, tables=measured) if measured else None


def _fit(view: RunView, encoding: str) -> ScalingFit | None:
    timed = [
        ((0, trial.round_index), trial)
        for trial in view.trials
        if trial.outcome == "finished" and not trial.arm
    ]
    return fit_grid(encoding, timed)


def _grid_pictures(
    view: RunView, findings: Sequence[GridFindings], fits: dict[str, ScalingFit], prefix: str
) -> Iterator[Picture]:
    for number, found in enumerate(findings):
        stem = f"{number + 1}-{_slug(found.encoding)}"
        if len(found.splits) > 1:
            draw = partial(draw_grid, found, anchor=f"{prefix}grid-{number}")
            yield make_picture("grid", f"{prefix}grid-{stem}", draw)
        fit = fits.get(found.encoding)
        if fit is not None:
            best = next(s for s in found.splits if (s.job_count, s.thread_count) == found.best)
            draw = partial(
                draw_scaling,
                found,
                fit,
                confidence_level=view.confidence_level,
                fps_per_unit=best.figures["throughput_fps"].point / _best_rate(fit, found),
                anchor=f"{prefix}scaling-{list(fits).index(found.encoding)}",
            )
            yield make_picture("scaling", f"{prefix}scaling-{stem}", draw)


def _best_rate(fit: ScalingFit, found: GridFindings) -> float:
    """The fit's own value at the best split's core count."""
    counts = np.array([found.best[0] * found.best[1]])
    return float(law_throughput(np.array((np.log(fit.gamma), fit.sigma, fit.kappa)), counts)[0])


def _gantt_pictures(
    trials: Sequence[Trial], ingests: Sequence[IngestPrediction], prefix: str
) -> Iterator[Picture]:
    """The fastest way of ingesting to each encoding, as its last round went."""
    fastest: dict[str, IngestPrediction] = {}
    for found in ingests:
        name = found.cell.encoding
        if name not in fastest or found.measured.point < fastest[name].measured.point:
            fastest[name] = found
    last = last_ingest(trials)
    rows = {found.cell: index for index, found in enumerate(ingest_order(ingests))}
    for number, found in enumerate(fastest.values()):
        stem = f"{prefix}ingest-{number + 1}-{_slug(found.cell.encoding)}"
        anchor = f"{prefix}ingest-{rows[found.cell]}"
        draw = partial(draw_gantt, found, last[found.cell.cell_id], anchor=anchor)
        yield make_picture("gantt", stem, draw)


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40] or "encoding"
