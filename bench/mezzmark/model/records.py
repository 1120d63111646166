"""What a finished trial leaves behind: raw integer nanoseconds and proofs, nothing derived."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any, Final, Literal, Union

from pydantic import BeforeValidator, Field, GetCoreSchemaHandler, SerializeAsAny
from pydantic_core import CoreSchema, core_schema

from mezzmark.model.cell import Cell, RequestDesign
from mezzmark.model.fact import Fact, Number, Whole
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.tasks import TASKS, read_measurement
from mezzmark.model.tasks.spec import ProcessFacts

RECORD_SCHEMA: Final = 2
"""Version of one line of `trials.jsonl`; `model.upgrade` says what changed."""


@dataclass(frozen=True, slots=True)
class ByTask:
    """Marks a measurement of a task. Those of the table are told by its name in one pass over the
    text (two thirds of the time of `read_measurement`); rows added later go the other way."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        models = tuple(spec.measurement_model for spec in TASKS.values())
        told = Annotated[Union[models], Field(discriminator="task")]  # type: ignore[valid-type]  # noqa: UP007
        added = core_schema.no_info_before_validator_function(read_measurement, handler(source))
        return core_schema.union_schema(
            [handler.generate_schema(told), added],
            mode="left_to_right",
            serialization=core_schema.simple_ser_schema("any"),
        )


@lru_cache(maxsize=8_192)
def _shared_cell(
    task: str, clip: str, encoding: str, axes: tuple[tuple[str, Any, type], ...]
) -> Cell:
    """One object for equal cells: grouping compares thousands, and the same one is quick."""
    setting = {axis: value for axis, value, _ in axes}
    return Cell.model_validate(
        {"task": task, "clip": clip, "encoding": encoding, "setting": setting}
    )


def _share_cell(value: Any) -> Any:
    try:
        axes = tuple((axis, found, type(found)) for axis, found in value["setting"].items())
        return _shared_cell(value["task"], value["clip"], value["encoding"], axes)
    except (KeyError, TypeError, AttributeError):
        return value  # no cell as it is stored: judged by its own model


class HostMoment(Fact):
    """What the machine did around one trial; None where the OS does not tell. Fractions are of all
    cores over the trial. Pressure is the share of time in which some task waited (Linux PSI
    "some"): before a trial over the last 10 s, during it over the trial. `throttle_count` counts
    slowings for heat: before a trial since the machine started, during it those of the trial."""

    load_average_1m: Number | None = None
    steal_fraction: Number | None = None
    busy_fraction: Number | None = None
    frequency_mhz: Number | None = None
    cpu_pressure: Number | None = None
    io_pressure: Number | None = None
    memory_pressure: Number | None = None
    throttle_count: Whole | None = None


Outcome = Literal["finished", "failed", "crashed", "timed_out"]

FLAGS: Final = frozenset(
    ("suspended", "late_generator", "not_cold", "no_decoder", "host_lost", "late_start")
)
"""What sets a trial apart: its process was stopped or the machine slept; moves came late; storage
was to be cold and was not; its player has no decoder for the codec; one of its hosts went away, and
others did its share; machines did not begin together."""


class Trial(Fact):
    """One line of `trials.jsonl`. `blocks` is how many sets of requests were played, `player` who
    played them in a cell of the best player; a trial with `flags` is counted apart. `judged_by` is
    the host of a fleet that judged it for the run's own one, which is alike; empty otherwise."""

    schema_version: Literal[2] = RECORD_SCHEMA
    round_index: Whole
    position: Whole
    cell: Annotated[Cell, BeforeValidator(_share_cell)]
    arm: str = ""
    player: str = ""
    seed: int = Field(ge=0, lt=2**63)
    blocks: int = Field(default=1, ge=1, le=10_000)
    request_design: RequestDesign = "independent"
    flags: tuple[str, ...] = ()
    started_utc: str
    wall_ns: Whole
    outcome: Outcome
    reason: str = ""
    measurement: Annotated[SerializeAsAny[Fact], ByTask()] | None = None
    process: ProcessFacts | None = None
    host_before: HostMoment = HostMoment()
    host_during: HostMoment = HostMoment()
    judged_by: str = ""

    @property
    def is_counted(self) -> bool:
        """Whether it may enter figures: it finished, and nothing sets it apart."""
        return self.outcome == "finished" and not self.flags

    @property
    def is_refused(self) -> bool:
        """Whether nothing was played, for its player has no decoder of such files."""
        return "no_decoder" in self.flags

    @property
    def played_by(self) -> Player:
        """Who played its moves; one without a name where none did, or none that is known."""
        return PLAYERS.get(self.player or self.cell.setting["player"], Player(name=""))

    @property
    def fate(self) -> str:
        """What became of it, in a word: its first flag, or its outcome."""
        return (self.flags or (self.outcome,))[0].replace("_", " ")
