"""The report's section on throughput: grid, scaling, ingest, decode, delivery."""

from collections.abc import Iterator, Sequence
from functools import partial

import numpy as np

from mezzmark.decide.throughput.grid import GridFindings, fit_grid
from mezzmark.decide.throughput.ingest import (
    IngestPrediction,
    judge_heat,
    last_ingest,
    predict_ingests,
)
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.machine import draw_gantt, draw_grid, draw_scaling
from mezzmark.report.sections.parts import Section, slug
from mezzmark.report.tables.table import Table
from mezzmark.report.tables.throughput import (
    decode_table,
    delivery_table,
    grid_table,
    heat_table,
    ingest_table,
    scaling_table,
)
from mezzmark.report.view import RunView
from mezzmark.statistics.scaling import ScalingFit, law_throughput


def throughput_section(view: RunView) -> Section:
    """Figures of grid, scaling and ingest, and a table for each task that was measured."""
    findings = view.grid
    ingests = predict_ingests(view)
    timed = [
        ((0, trial.round_index), trial)
        for trial in view.trials
        if trial.is_counted and not trial.arm
    ]
    fits = {
        found.encoding: fit
        for found in findings
        if (fit := fit_grid(found.encoding, timed, view.manifest.clips))
    }
    grid, scaling = grid_table(view, findings), scaling_table(view, fits)
    ingest = ingest_table(view, ingests)
    return Section(
        anchor="throughput",
        title="The whole machine",
        pictures=(
            *_grid_pictures(view, findings, grid),
            *_scaling_pictures(view, findings, fits, scaling),
            *_gantt_pictures(view, ingests, ingest),
        ),
        tables=(
            *(grid, scaling, ingest, heat_table(view, judge_heat(view))),
            *(decode_table(view), delivery_table(view)),
        ),
    )


def _stem(view: RunView, kind: str, number: int, encoding: str) -> str:
    return f"{view.prefix}{kind}-{number + 1}-{slug(encoding)[:40] or 'encoding'}"


def _grid_pictures(
    view: RunView, findings: Sequence[GridFindings], table: Table
) -> Iterator[Picture]:
    for number, found in enumerate(findings):
        if len(found.splits) > 1:
            draw = partial(draw_grid, found, anchor=table.links[found.encoding])
            yield make_picture(_stem(view, "grid", number, found.encoding), draw)


def _scaling_pictures(
    view: RunView, findings: Sequence[GridFindings], fits: dict[str, ScalingFit], table: Table
) -> Iterator[Picture]:
    for number, found in enumerate(findings):
        if fit := fits.get(found.encoding):
            measured_fps = found.best_split.figures["throughput_fps"].point
            draw = partial(
                draw_scaling,
                found,
                fit,
                confidence_level=CONFIDENCE_LEVEL,
                fps_per_unit=measured_fps / _best_rate(fit, found),
                anchor=table.links[found.encoding],
            )
            yield make_picture(_stem(view, "scaling", number, found.encoding), draw)


def _best_rate(fit: ScalingFit, found: GridFindings) -> float:
    """The fit's own value at the best split's core count."""
    counts = np.array([found.best[0] * found.best[1]])
    return float(law_throughput(np.array((np.log(fit.gamma), fit.sigma, fit.kappa)), counts)[0])


def _gantt_pictures(
    view: RunView, ingests: Sequence[IngestPrediction], table: Table
) -> Iterator[Picture]:
    """The fastest way of ingesting to each encoding, as its last round went; under the condition
    that leads."""
    fastest: dict[str, IngestPrediction] = {}
    for found in sorted(ingests, key=lambda f: (f.cell.setting.condition, f.measured.point)):
        fastest.setdefault(found.cell.encoding, found)
    last = last_ingest(view.trials)
    for number, (name, found) in enumerate(fastest.items()):
        draw = partial(draw_gantt, found, last[found.cell.cell_id], anchor=table.links[found.cell])
        yield make_picture(_stem(view, "ingest", number, name), draw)
