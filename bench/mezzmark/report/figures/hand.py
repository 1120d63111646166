"""Where the hand was and what was seen, and late pictures by the number of streams."""

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


def draw_streams(at_best: AtBest, trials: Sequence[Trial]) -> Drawing:
    """A line an encoding, at its best setting: late pictures of all rounds by number of streams."""
    found = [t for t in trials if t.cell.but(clip="") == at_best[t.cell.encoding][0]]
    rows = [
        (trial.cell.encoding, *level)
        for trial in found
        for level in cast(StreamsMeasurement, trial.measurement).levels
    ]
    data = pd.DataFrame(rows, columns=["encoding", "streams", "pictures", "late", "worst"])
    data = data.assign(rounds=1).groupby(["encoding", "streams"], as_index=False).sum()
    every = data.groupby("encoding")["rounds"].transform("max")
    data = data[2 * data["rounds"] > every]  # what few rounds tried is what only good ones reach
    data = data.assign(share=100 * data["late"] / data["pictures"].clip(lower=1))
    shapes = {name: SHAPES[n % len(SHAPES)] for n, name in enumerate(at_best)}
    colours = {name: "original" if name == ORIGINAL else "other" for name in at_best}
    key = [key_entry(shown_name(n), s, colour=colours[n], linewidth=1) for n, s in shapes.items()]
    drawing = new_drawing(prose.streams_text(at_best), body_in=BODY_IN, left_in=LEFT_IN, key=key)
    axes = drawing.figure.add_subplot()
    for name, shape in shapes.items():
        mine = data[data["encoding"] == name]
        colour = LIGHT[colours[name]]
        axes.plot(mine["streams"], mine["share"], color=colour, marker=shape, linewidth=1)
    axes.set(xlabel=prose.STREAMS_LABEL, ylabel=prose.LATE_LABEL, ylim=(-2, 102))
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.grid(True)
    return drawing
