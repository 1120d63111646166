"""What a run says while it goes on; whoever consumes the events shows them."""

from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest


class Event(Fact):
    """One thing that happened."""


class Noted(Event):
    """Something about this run that a person should know and did not write."""

    message: str


class Preparing(Event):
    """A step of making media. `done_fraction` (0 to 1) is of it; `done` of `total` steps are
    finished, `begun` is what is done of all that run now, in steps."""

    message: str
    done_fraction: float = 0.0
    begun: float = 0.0
    done: int
    total: int


class LeftOut(Event):
    """A clip, or an encoding of it, cannot be made and will not be measured; `reason` names it."""

    reason: str


class Prepared(Event):
    """All media are ready, the manifest is written; `done` trials of `total` were there already."""

    manifest: Manifest
    done: int
    total: int


class RoundStarted(Event):
    """A round begins; `round_index` counts from 0, `round_count` is the most there will be,
    `minimum_rounds` are measured whatever the budget. `trial_count` trials of it are to be done."""

    round_index: int
    round_count: int
    trial_count: int
    minimum_rounds: int = 1


class TrialStarted(Event):
    """A trial begins. `eta_s` is the time to the end of all rounds or of the time budget, whichever
    comes first, `minimum_eta_s` to that of the minimum rounds (0 after them); None: not known."""

    cell: Cell
    done: int
    total: int
    eta_s: float | None = None
    minimum_eta_s: float | None = None


class TrialFinished(Event):
    """A trial is over and on disk, whatever its outcome."""

    trial: Trial
    done: int
    total: int


class CellGivenUp(Event):
    """A cell that never finished is left out from now on, or all of its task on its `root`."""

    cell: Cell
    reason: str
    root: str = ""


class RoundFinished(Event):
    """A round is over: every planned trial of it is on disk."""

    round_index: int


class RoundsForecast(Event):
    """How long a round takes, and when, from the start, the least and the most rounds will be done:
    after the first; early, within it, where the minimum takes more than the time budget, which is
    told where it matters; `affordable_rounds` end within it, or are those begun."""

    round_s: float
    minimum_rounds: int
    minimum_s: float
    most_rounds: int
    most_s: float
    time_budget_s: float | None
    affordable_rounds: int
    is_early: bool = False


class Stopped(Event):
    """The run is over; `reason` also stands in the manifest."""

    reason: str
