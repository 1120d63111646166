"""The sections beside scrubbing and encoding: hand, several at once, machine, picture."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Final, cast

import numpy as np

from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E, Diagnosis
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.decide.throughput.grid import GridFindings, fit_grid
from mezzmark.decide.throughput.ingest import (
    IngestPrediction,
    judge_heat,
    last_ingest,
    predict_ingests,
)
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.tasks.drag import DragMeasurement
from mezzmark.model.tasks.fidelity import ChartMeasurement
from mezzmark.model.tasks.hand import Screen
from mezzmark.report.figures import picture as figures
from mezzmark.report.figures.drawing import Drawing, Picture, make_picture
from mezzmark.report.figures.machine import draw_gantt, draw_grid, draw_scaling
from mezzmark.report.figures.scatter import draw_quality
from mezzmark.report.figures.scrub import draw_counts, draw_strokes
from mezzmark.report.sections.parts import Section, slug
from mezzmark.report.tables import picture, tasks
from mezzmark.report.tables.table import Table, filled
from mezzmark.report.view import OPEN_LOOPS, RunView
from mezzmark.statistics.scaling import ScalingFit, law_throughput


def hand_section(view: RunView) -> Section:
    """Figures, and a table of each task that was measured."""
    return Section(
        anchor="hand",
        title="Does the picture follow the hand?",
        nav="Dragging, playing",
        pictures=(*_strokes(view, view.at_best["drag"]), *_counts(view)),
        tables=tuple(tasks.cells_table(view, task) for task in OPEN_LOOPS),
    )


def _strokes(view: RunView, at_best: AtBest) -> Iterator[Picture]:
    """The original and the chosen encoding (else the best), in the last round both finished."""
    ours = [name for name in at_best if name != ORIGINAL]
    best = next((n for n in ours if view.role(n) == "leader"), (*ours, ORIGINAL)[0])
    cells = [at_best[name][0] for name in (ORIGINAL, best) if name in at_best]
    found: dict[tuple[int, str], dict[str, Screen]] = {}
    for one in view.observations:
        if one.trial and one.cell.but(clip="") in cells:
            measured = cast(DragMeasurement, one.trial.measurement)
            pair = found.setdefault((one.round_index, one.cell.clip), {})
            pair[one.cell.encoding] = measured.screen
    if found:
        (_, clip), pair = max(found.items(), key=lambda item: (len(item[1]), item[0]))
        yield make_picture(f"{view.prefix}strokes", partial(draw_strokes, clip, pair))


def _counts(view: RunView) -> Iterator[Picture]:
    for task in ("streams", "editors"):
        trials = [o.trial for o in view.observations if o.cell.task == task and o.trial]
        if trials and (at_best := view.at_best[task]):
            draw = partial(draw_counts, task, at_best, trials)
            yield make_picture(f"{view.prefix}{task}", draw)


def throughput_section(view: RunView) -> Section:
    """Figures of grid, scaling and ingest, and a table for each task that was measured."""
    findings, ingests = view.grid, predict_ingests(view)
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
    grid, scaling = tasks.grid_table(view, findings), tasks.scaling_table(view, fits)
    ingest = tasks.ingest_table(view, ingests)
    return Section(
        anchor="throughput",
        title="The whole machine",
        pictures=(
            *_grid_pictures(view, grid),
            *_scaling_pictures(view, fits, scaling),
            *_gantt_pictures(view, ingests, ingest),
        ),
        tables=(
            *(grid, scaling, ingest, tasks.heat_table(view, judge_heat(view))),
            *(tasks.decode_table(view), tasks.delivery_table(view)),
        ),
    )


def _stem(view: RunView, kind: str, number: int, encoding: str) -> str:
    return f"{view.prefix}{kind}-{number + 1}-{slug(encoding)[:40] or 'encoding'}"


def _grid_pictures(view: RunView, table: Table) -> Iterator[Picture]:
    for number, found in enumerate(view.grid):
        if len(found.splits) > 1:
            draw = partial(draw_grid, found, anchor=table.links[found.encoding])
            yield make_picture(_stem(view, "grid", number, found.encoding), draw)


def _scaling_pictures(
    view: RunView, fits: Mapping[str, ScalingFit], table: Table
) -> Iterator[Picture]:
    for number, found in enumerate(view.grid):
        if fit := fits.get(found.encoding):
            fps, anchor = _fps_per_unit(fit, found), table.links[found.encoding]
            draw = partial(draw_scaling, found, fit, fps_per_unit=fps, anchor=anchor)
            yield make_picture(_stem(view, "scaling", number, found.encoding), draw)


def _fps_per_unit(fit: ScalingFit, found: GridFindings) -> float:
    """The measured frames per second of the best split over the fit's own value there."""
    law, counts = np.log(fit.gamma), np.array([found.best[0] * found.best[1]])
    fitted = float(law_throughput(np.array((law, fit.sigma, fit.kappa)), counts)[0])
    return found.best_split.figures["throughput_fps"].point / fitted


def _gantt_pictures(
    view: RunView, ingests: Sequence[IngestPrediction], table: Table
) -> Iterator[Picture]:
    """The last round of each encoding's fastest ingest, under the condition that leads."""
    fastest: dict[str, IngestPrediction] = {}
    for found in sorted(ingests, key=lambda f: (f.cell.setting.condition, f.measured.point)):
        fastest.setdefault(found.cell.encoding, found)
    last = last_ingest(view.trials)
    for number, (name, found) in enumerate(fastest.items()):
        draw = partial(draw_gantt, found, last[found.cell.cell_id], anchor=table.links[found.cell])
        yield make_picture(_stem(view, "ingest", number, name), draw)


def fidelity_section(view: RunView) -> Section:
    """What each encoding kept, and a tab for each further view; empty where nothing was judged."""
    start = Section(anchor="fidelity", title="What happens to the picture?", nav="Picture")
    if not view.fidelity:
        return start
    quality = picture.quality_table(view)
    pictures = fidelity_pictures(view.fidelity, prefix=view.prefix, anchors=quality.links)
    tables = filled(picture.tag_table(view), picture.ladder_table(view))
    return replace(
        start,
        tables=(quality,),
        tabs=(
            *(Section(anchor=p.file_stem, title=p.title, pictures=(p,)) for p in pictures),
            *(Section(anchor=t.table_id, title=t.title, tables=(t,)) for t in tables),
        ),
    )


def fidelity_pictures(
    judged: Sequence[EncodingFidelity], *, prefix: str, anchors: Mapping[str, str]
) -> tuple[Picture, ...]:
    """All figures of the section. Marks link to `anchors`, by encoding."""
    plans: dict[str, Callable[[], Drawing]] = {}
    if any(len(e.by_generation_db) > 1 and any(e.by_generation_db) for e in judged):
        plans["generations"] = partial(figures.draw_generations, judged, anchors=anchors)
    lossy = [e for e in judged if "psnr" in e.estimates and not e.is_bit_exact]
    if lossy:
        plans["quality-against-rate"] = partial(draw_quality, judged, anchors=anchors)
    for number, (name, chart, diagnosis) in enumerate(_charts(judged), start=1):
        draw = partial(figures.draw_chart, name, chart, diagnosis, anchor=anchors[name])
        plans[f"chart-{number}"] = draw
    if lossy:
        entry = min(lossy, key=lambda e: e.estimates["psnr"].worst)
        clip = next(c for c in entry.clips if c.clip == entry.estimates["psnr"].worst_clip)
        worst, anchor = clip.measurement.worst_frame, anchors[entry.encoding]
        if worst and (crops := figures.read_crops(worst)):
            plans["worst-frame"] = partial(
                figures.draw_worst_frame, entry, worst, crops, anchor=anchor
            )
    return tuple(make_picture(f"{prefix}{stem}", draw) for stem, draw in plans.items())


CHARTS_SHOWN: Final = 3  # charts with a visible change that get a figure; the table has all


def _charts(judged: Sequence[EncodingFidelity]) -> list[tuple[str, ChartMeasurement, Diagnosis]]:
    """The charts that changed most, or else one, so that a reader sees what "none" looks like."""
    found = [
        (entry.encoding, clip.chart, clip.diagnosis)
        for entry in judged
        for clip in entry.clips
        if clip.diagnosis is not None
        and clip.diagnosis is entry.worst_chart
        and clip.chart is not None
    ]
    found.sort(key=lambda item: -item[2].severity)
    visible = [item for item in found if item[2].severity >= INVISIBLE_DELTA_E]
    return visible[:CHARTS_SHOWN] or found[:1]
