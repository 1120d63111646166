"""Where the hand was and what was seen; what streams and editors came to, by their number."""

from collections.abc import Mapping, Sequence
from typing import cast

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.records import Trial
from mezzmark.model.tasks.hand import Screen, distances
from mezzmark.model.tasks.streams import StreamsMeasurement
from mezzmark.report.figures.marks import Drawing, new_drawing
from mezzmark.report.figures.theme import LIGHT, SHAPES, key_entry
from mezzmark.report.prose import figures as labels
from mezzmark.report.prose import hand as prose
from mezzmark.report.prose.numbers import shown_name

LEFT_IN, BODY_IN = 0.75, 2.8


def draw_strokes(clip: str, screens: Mapping[str, Screen]) -> Drawing:
    """Frames over time: the hand's as a thin line, of each encoding those on screen."""
    off = [float(distances(screen).mean()) for screen in screens.values()]
    colours = {name: "original" if name == ORIGINAL else "leader" for name in screens}
    key = [key_entry(prose.HAND_KEY, "", colour="ink", linewidth=0.8)]
    key += [key_entry(shown_name(n), "", colour=c, linewidth=1.8) for n, c in colours.items()]
    text = prose.strokes_text(clip, list(screens), off)
    drawing = new_drawing(text, body_in=BODY_IN, left_in=LEFT_IN, key=key)
    axes = drawing.figure.add_subplot()
    first = next(iter(screens.values()))
    seconds = np.arange(first.wanted.size) / first.refresh_hz
    for name, screen in screens.items():
        axes.plot(seconds, screen.shown, color=LIGHT[colours[name]], linewidth=1.8)
    axes.plot(seconds, first.wanted, color=LIGHT["ink"], linewidth=0.8)
    axes.set(xlabel=labels.SECONDS_LABEL, ylabel=prose.FRAME_LABEL)
    axes.grid(True)
    return drawing


def draw_counts(task: str, at_best: AtBest, trials: Sequence[Trial]) -> Drawing:
    """A line an encoding, at its best setting: late pictures, and where editors drag ages, means of
    all rounds by the number of streams or editors."""
    found = [t for t in trials if t.cell.but(clip="") == at_best[t.cell.encoding][0]]
    rows = [
        (trial.cell.encoding, n, 100 * late / (pictures or np.nan), age_ms)
        for trial in found
        for n, pictures, late, _, age_ms, *_ in cast(StreamsMeasurement, trial.measurement).levels
    ]
    columns = ["encoding", "players", prose.LATE_LABEL, prose.AGE_LABEL]
    groups = pd.DataFrame(rows, columns=columns).groupby(["encoding", "players"], as_index=False)
    data = groups.mean().assign(rounds=groups.size()["size"])
    every = data.groupby("encoding")["rounds"].transform("max")
    data = data[2 * data["rounds"] > every]  # what few rounds tried is what only good ones reach
    shapes = {name: SHAPES[n % len(SHAPES)] for n, name in enumerate(at_best)}
    colours = {name: "original" if name == ORIGINAL else "other" for name in at_best}
    key = [key_entry(shown_name(n), s, colour=colours[n], linewidth=1) for n, s in shapes.items()]
    shown = [label for label in columns[2:] if data[label].notna().any()]
    text, body_in = prose.counts_text(task, at_best), BODY_IN * len(shown)
    drawing = new_drawing(text, body_in=body_in, left_in=LEFT_IN, key=key)
    panels = drawing.figure.subplots(len(shown), sharex=True, squeeze=False)[:, 0]
    for label, axes in zip(shown, panels, strict=True):
        for name, shape in shapes.items():
            mine, colour = data[data["encoding"] == name], LIGHT[colours[name]]
            axes.plot(mine["players"], mine[label], color=colour, marker=shape, linewidth=1)
        axes.set(xlabel=prose.COUNT_LABEL.format(task) if axes is panels[-1] else "", ylabel=label)
        axes.set_ylim(*((-2, 102) if label == prose.LATE_LABEL else (0, None)))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.grid(True)
    return drawing
