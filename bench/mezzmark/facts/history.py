"""Many runs of one host in the order of time: estimates and the steps between their levels."""

from mezzmark.facts.base import Fact
from mezzmark.facts.cells import Cell
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.hardware import Refusal


class HistoryRun(Fact):
    """One run of the host; `position` counts from 0 in the order of time, `name` is its folder."""

    position: int
    run_id: str
    name: str
    started_utc: str


class HistoryPoint(Fact):
    """A run's cost against the point of the first run that has the series (1.0 = same, above is
    slower); the interval is the run's own, over its rounds."""

    position: int
    cost_ratio: Estimate


class FactChange(Fact):
    """A fact of the host that differs between two neighbouring runs."""

    name: str
    before: str
    after: str


class Step(Fact):
    """A change of level between the runs at `before` and `after`.

    `cost_ratio` is the level after / the level before; its interval takes the place as known.
    `adjusted_p` is adjusted for all series of the family. `kernel_ratio` is the change of the
    reference kernel between the same runs, where it has a step there too.
    """

    before: int
    after: int
    cost_ratio: Estimate
    adjusted_p: float
    host_changes: tuple[FactChange, ...]
    kernel_ratio: Estimate | None = None


class Series(Fact):
    """One line of a history: a task over its common cells (`cell` is None), or one cell."""

    name: str
    cell: Cell | None
    cell_count: int
    points: tuple[HistoryPoint, ...]
    steps: tuple[Step, ...]


class History(Fact):
    """All runs of one host. `tasks` holds the reference kernel and each task; `cells` every cell.

    The chance of any false step is held at `error_level` over `tasks` and again over `cells`.
    """

    host_label: str
    runs: tuple[HistoryRun, ...]
    tasks: tuple[Series, ...]
    cells: tuple[Series, ...]
    refusals: tuple[Refusal, ...]
    confidence_level: float
    error_level: float
