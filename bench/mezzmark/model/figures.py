"""The figures that needs and wishes may name: `scrub.jump.p95_ms`, `encode.1t.throughput_fps` …

A name is task, pattern (scrub only), thread count and job count where one is meant in particular,
and the figure. Without counts it stands for the setting that leads the report (scrub: the most
threads) or for the encoding's own best setting (encode, grid, ingest, delivery).
"""

import re
from typing import Any, Final

from mezzmark.model.errors import ScenarioError, nearest
from mezzmark.model.fact import Fact
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.patterns import PATTERNS
from mezzmark.model.tasks.spec import Better, Figure

WHOLE_FIGURES: Final = {
    figure.name: figure
    for figure in (
        Figure(name="bitrate_bps", unit="bit/s", of=lambda _: None, meaning="bit rate"),
        Figure(
            name="gb_per_hour",
            unit="GB/h",
            of=lambda _: None,
            meaning="size of an hour, 10⁹ bytes",
        ),
    )
}
"""Figures of the encoded files themselves, which belong to no task."""

_COUNT: Final = re.compile(r"^([1-9][0-9]{0,3})([tj])$")
_COUNTED: Final = {"t": "threads", "j": "jobs"}


class FigureName(Fact):
    """A figure as named by a user; None where no setting in particular is meant."""

    name: str
    task: str = ""
    pattern: str | None = None
    thread_count: int | None = None
    job_count: int | None = None
    figure: str
    unit: str
    better: Better
    meaning: str

    @property
    def label(self) -> str:
        """The meaning, with the pattern and counts where the name says them."""
        notes = []
        if self.pattern:
            notes.append(self.pattern)
        if self.thread_count:
            notes.append(f"{self.thread_count} thread{'s' if self.thread_count > 1 else ''}")
        if self.job_count:
            notes.append(f"{self.job_count} job{'s' if self.job_count > 1 else ''}")
        return f"{self.meaning} ({', '.join(notes)})" if notes else self.meaning


def known_figures() -> tuple[FigureName, ...]:
    """Every figure that can be named, without thread and job counts."""
    found = [_named(name, figure) for name, figure in WHOLE_FIGURES.items()]
    for task, spec in TASKS.items():
        for pattern in PATTERNS if "pattern" in spec.axes else (None,):
            head = f"{task}.{pattern}" if pattern else task
            found += [
                _named(f"{head}.{figure.name}", figure, task=task, pattern=pattern)
                for figure in spec.figures
                if figure.meaning
            ]
    return tuple(found)


def figure_names() -> tuple[str, ...]:
    """All legal names without thread and job counts."""
    return tuple(figure.name for figure in known_figures())


def parse_figure(text: str, *, where: str) -> FigureName:
    """The figure of this name; ScenarioError with the nearest legal names."""
    if text in WHOLE_FIGURES:
        return _named(text, WHOLE_FIGURES[text])
    task, *middle, name = text.split(".") if "." in text else (text, text)
    spec = TASKS.get(task)
    figure = next((f for f in spec.figures if f.name == name and f.meaning), None) if spec else None
    if spec is None or figure is None:
        raise unknown_figure(text, where=where)
    pattern = middle.pop(0) if middle and middle[0] in PATTERNS else None
    counts: dict[str, int] = {}
    for part in middle:
        found = _COUNT.match(part)
        axis = _COUNTED[found[2]] if found else ""
        if found is None or axis not in spec.axes or axis in counts or spec.is_judged:
            raise unknown_figure(text, where=where)
        counts[axis] = int(found[1])
    if (pattern is None) == ("pattern" in spec.axes):
        raise unknown_figure(text, where=where)
    return _named(
        text,
        figure,
        task=task,
        pattern=pattern,
        thread_count=counts.get("threads"),
        job_count=counts.get("jobs"),
    )


def _named(name: str, figure: Figure, **where: Any) -> FigureName:
    return FigureName(
        name=name,
        figure=figure.name,
        unit=figure.unit,
        better=figure.better,
        meaning=figure.meaning,
        **where,
    )


def unknown_figure(text: str, *, where: str, also: tuple[str, ...] = ()) -> ScenarioError:
    """The error for a name that is no figure; `also` are further legal names."""
    names = nearest(text, (*also, *figure_names())) or (
        *also,
        "bitrate_bps",
        "scrub.jump.p95_ms",
    )
    return ScenarioError(
        where=where,
        what=f'"{text}" is not a figure that can be measured',
        remedy=f"Nearest: {', '.join(names)}",
    )
