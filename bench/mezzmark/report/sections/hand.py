"""Dragging, playing, several at once: a section, which stands alone as each of the page does."""

from collections.abc import Iterator
from functools import partial
from typing import cast

from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.tasks.drag import DragMeasurement
from mezzmark.model.tasks.hand import Screen
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.hand import draw_counts, draw_strokes
from mezzmark.report.sections.parts import Section
from mezzmark.report.tables.cells import cells_table
from mezzmark.report.view import OPEN_LOOPS, RunView


def hand_section(view: RunView) -> Section:
    """Figures, and a table of each task that was measured."""
    return Section(
        anchor="hand",
        title="Does the picture follow the hand?",
        nav="Dragging, playing",
        pictures=(*_strokes(view, view.at_best["drag"]), *_counts(view)),
        tables=tuple(cells_table(view, task) for task in OPEN_LOOPS),
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
