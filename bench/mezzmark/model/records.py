"""What a finished trial leaves behind: raw integer nanoseconds and proofs, nothing derived."""

from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, SerializeAsAny

from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import ProcessFacts

RECORD_SCHEMA: Final = 2
"""Version of one line of `trials.jsonl`; `model.upgrade` says what changed."""


def read_measurement(value: Any) -> Any:
    """A measurement by its task's row; ValueError for a task that is not known."""
    if not isinstance(value, Mapping):
        return value
    spec = TASKS.get(value.get("task", ""))
    if spec is None:
        raise ValueError(f"there is no task {value.get('task')!r}")
    return spec.measurement_model.model_validate(value)


class HostMoment(Fact):
    """What the machine did around one trial; None where the OS does not tell.

    Fractions are of all cores over the trial. Pressure is the share of time in which some task
    waited (Linux PSI "some"): before a trial over the last 10 s, during it over the trial.
    `throttle_count` counts slowings for heat: before a trial since the machine started, during it
    those of the trial.
    """

    load_average_1m: float | None = None
    steal_fraction: float | None = None
    busy_fraction: float | None = None
    frequency_mhz: float | None = None
    cpu_pressure: float | None = None
    io_pressure: float | None = None
    memory_pressure: float | None = None
    throttle_count: int | None = None


Outcome = Literal["finished", "failed", "crashed", "timed_out"]


RequestDesign = Literal["independent", "hypercube"]
"""How a trial's requests were drawn: each by itself, or stratified over group × place in it."""

FLAGS: Final = ("suspended", "late_generator", "not_cold", "cut_short")
"""What sets a trial apart: its process was stopped or the machine slept; moves came late; storage
was to be cold and was not; its timeout ended it."""


class Trial(Fact):
    """One line of `trials.jsonl`. `blocks` is how many sets of requests were played; a trial with
    `flags` is counted apart."""

    schema_version: Literal[2] = RECORD_SCHEMA
    round_index: int
    position: int
    cell: Cell
    arm: str = ""
    seed: int
    blocks: int = 1
    request_design: RequestDesign = "independent"
    flags: tuple[str, ...] = ()
    started_utc: str
    wall_ns: int
    outcome: Outcome
    reason: str = ""
    measurement: Annotated[SerializeAsAny[Fact], BeforeValidator(read_measurement)] | None = None
    process: ProcessFacts | None = None
    host_before: HostMoment = HostMoment()
    host_during: HostMoment = HostMoment()

    @property
    def is_counted(self) -> bool:
        """Whether it may enter figures: it finished, and nothing sets it apart."""
        return self.outcome == "finished" and not self.flags

    @property
    def fate(self) -> str:
        """What became of it, in a word: its first flag, or its outcome."""
        return (self.flags or (self.outcome,))[0].replace("_", " ")
