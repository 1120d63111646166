"""The figures that needs and wishes may name: `scrub.jump.p95_ms`, `encode.1t.throughput_fps` …

A name is task, pattern (scrub only), thread count and job count where one is meant in particular,
and the figure. Without counts it stands for the setting that leads the report (scrub: the most
threads) or for the encoding's own best setting (encode, grid, ingest, delivery)."""

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
        Figure("bitrate_bps", "bit/s", lambda _: None, meaning="bit rate"),
        Figure("gb_per_hour", "GB/h", lambda _: None, meaning="size of an hour, 10⁹ bytes"),
    )
}
"""Figures of the encoded files themselves, which belong to no task."""

SHOP_FIGURES: Final = (
    Figure("late_cards", "", lambda _: None, meaning="share of cards ready too late"),
    Figure("card_wait_p95_hours", "h", lambda _: None, meaning="time to 95 % of cards ready"),
    Figure("editors_carried", "editors", lambda _: None, better="more", meaning="editors carried"),
    Figure(
        "editors_decoded", "editors", lambda _: None, better="more", meaning="editors decoded for"
    ),
    Figure("storage_tb", "TB", lambda _: None, meaning="storage kept"),
    Figure("cost_per_year", "a year", lambda _: None, meaning="cost of storage"),
)
"""Figures of sizing, which need a shop (`shop.editors_carried`)."""

_COUNTED_NAME: Final = re.compile(r"(.+?)((?:\.[1-9][0-9]{0,3}[tj])+)(\.[^.]+)")
_COUNT: Final = re.compile(r"([0-9]+)([tj])")
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
        counts = ((self.thread_count, "thread"), (self.job_count, "job"))
        notes = [f"{count} {of}{'s' if count > 1 else ''}" for count, of in counts if count]
        if self.pattern:
            notes.insert(0, self.pattern)
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
    found += [_named(f"shop.{figure.name}", figure, task="shop") for figure in SHOP_FIGURES]
    return tuple(found)


def figure_names() -> tuple[str, ...]:
    """All legal names without thread and job counts."""
    return tuple(figure.name for figure in known_figures())


def parse_figure(text: str, *, where: str) -> FigureName:
    """The figure of this name; ScenarioError with the nearest legal names."""
    counted = _COUNTED_NAME.fullmatch(text)
    plain = counted[1] + counted[3] if counted else text
    named = next((figure for figure in known_figures() if figure.name == plain), None)
    if named is None:
        raise unknown_figure(text, where=where)
    if counted is None:
        return named
    counts = [(_COUNTED[unit], int(count)) for count, unit in _COUNT.findall(counted[2])]
    spec, axes = TASKS[named.task], {axis for axis, _ in counts}
    if spec.is_judged or len(axes) < len(counts) or not axes <= set(spec.axes):
        raise unknown_figure(text, where=where)
    of = dict(counts)
    changes = {"name": text, "thread_count": of.get("threads"), "job_count": of.get("jobs")}
    return named.model_copy(update=changes)


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
    usual = (*also, "bitrate_bps", "scrub.jump.p95_ms")
    names = nearest(text, (*also, *figure_names())) or usual
    return ScenarioError(
        where=where,
        what=f'"{text}" is not a figure that can be measured',
        remedy=f"Nearest: {', '.join(names)}",
    )
