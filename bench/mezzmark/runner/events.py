"""What a run says while it goes on; whoever consumes the events shows them."""

from dataclasses import dataclass

from mezzmark.facts.cells import Cell
from mezzmark.facts.records import Trial
from mezzmark.facts.run import Manifest


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparing:
    """One step of making or indexing media goes on. `done_fraction` (0 to 1) is of this step;
    `done` of `total` steps are finished."""

    message: str
    done_fraction: float
    done: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """All media are ready and the manifest is on disk. `done` trials were there already (resumed);
    `total` is what all rounds hold."""

    manifest: Manifest
    done: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundStarted:
    """A round begins; `round_index` counts from 0, `round_count` is the most there will be."""

    round_index: int
    round_count: int
    trial_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialStarted:
    """A trial begins. `eta_s` is the expected time to the end of all rounds or of the time budget,
    whichever comes first; None while nothing is known."""

    cell: Cell
    done: int
    total: int
    eta_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialFinished:
    """A trial is over and on disk, whatever its outcome."""

    trial: Trial
    done: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CellGivenUp:
    """A cell that never finished is left out of the rounds to come; the reason is its last."""

    cell: Cell
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundFinished:
    """A round is over: every planned trial of it is on disk."""

    round_index: int
    round_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """The run is over; `reason` also stands in the manifest."""

    reason: str


Event = (
    Preparing
    | Prepared
    | RoundStarted
    | TrialStarted
    | TrialFinished
    | CellGivenUp
    | RoundFinished
    | Stopped
)
