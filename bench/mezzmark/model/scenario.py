"""The scenario: what is to be measured, as the user writes it in TOML."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import (
    BeforeValidator,
    Field,
    GetJsonSchemaHandler,
    SerializeAsAny,
    SerializerFunctionWrapHandler,
    ValidationInfo,
    create_model,
    field_validator,
    model_serializer,
    model_validator,
)

from mezzmark.model.catalogue.core import catalogue_names
from mezzmark.model.encoding import ORIGINAL, CustomEncoding
from mezzmark.model.fact import Fact
from mezzmark.model.footage import ClipSpec
from mezzmark.model.request import ChooseSettings
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.patterns import PATTERNS
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.model.tasks.spec import LOCAL

ROUNDS_RULE: Final = (
    "at least minimum_rounds rounds are measured whatever the budget; "
    "after that no round begins that would end after it"
)
"""The same words in the help, in scenarios/README.md and in messages."""

SHARE_TOLERANCE: Final = 0.001  # So far from 1 the clips' shares may add up, having been rounded

INTERVAL_ROUNDS: Final = 3
"""The fewest rounds that give an interval; a run of fewer has bare figures."""

Settings = TypeVar("Settings", bound=Fact)


def task_tables() -> dict[str, type[Fact]]:
    """The tables by which a scenario asks for tasks, and what each may hold."""
    return {name: spec.settings_model for name, spec in TASKS.items() if spec.settings_model}


def _read_task_tables(tables: Any) -> dict[str, Fact]:
    """Each table as its task's settings; a problem in one is told at its own place."""
    known: dict[str, Any] = {name: (model, None) for name, model in task_tables().items()}
    read = create_model("tasks", __base__=Fact, **known).model_validate(tables)
    return {name: getattr(read, name) for name in tables}


class RootSettings(Fact):
    """A folder on storage that is to be measured; prepared files are copied into one of its own."""

    name: str = Field(min_length=1, max_length=60)
    path: str = Field(min_length=1, pattern=r"^[^\x00]+$")


class Scenario(Fact):
    """Everything that decides what a run measures; the seed fixes all that is random."""

    schema_version: Literal[1] = 1
    name: str = Field(min_length=1, max_length=300)
    title: str = ""
    description: str = ""
    seed: int = Field(ge=0, lt=2**63)
    rounds: int = Field(default=10, ge=1, le=1000, description="at most so many rounds")
    minimum_rounds: int = Field(
        default=INTERVAL_ROUNDS,
        ge=1,
        le=1000,
        description="so many rounds are measured whatever the time budget; never above rounds",
    )
    precision_fraction: float = Field(
        default=0.05, gt=0, lt=1, description="relative half-width at which rounds stop"
    )
    time_budget_s: float | None = Field(default=None, gt=0, le=31_536_000, description=ROUNDS_RULE)
    trial_timeout_s: float = Field(default=300, gt=0, le=604_800)
    null_arm: bool = Field(
        default=False, description="measure the first cell of each task twice a round"
    )
    clips: tuple[ClipSpec, ...] = Field(min_length=1)
    custom_encodings: tuple[CustomEncoding, ...] = ()
    encodings: tuple[str, ...] = (ORIGINAL,)
    roots: tuple[RootSettings, ...] = ()
    tasks: Annotated[dict[str, SerializeAsAny[Fact]], BeforeValidator(_read_task_tables)] = Field(
        default={}, description="the tables of the tasks; in a file each stands by itself"
    )
    choose: ChooseSettings | None = None

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, data: Any) -> Any:
        """Task tables are gathered; rounds bound a minimum left out."""
        if not isinstance(data, Mapping):
            return data
        rounds = data.get("rounds")
        if type(rounds) is int and rounds >= 1:
            data = {"minimum_rounds": min(rounds, INTERVAL_ROUNDS), **data}
        if "tasks" not in data:
            tables = {name: data[name] for name in task_tables() if name in data}
            data = {key: value for key, value in data.items() if key not in tables}
            data["tasks"] = {name: table for name, table in tables.items() if table is not None}
        return data

    @field_validator("encodings")
    @classmethod
    def _without_customs(cls, listed: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
        """A custom encoding that is listed too counts once; a name of the catalogue stays."""
        brought = {custom.name for custom in info.data.get("custom_encodings", ())}
        brought -= {ORIGINAL, *catalogue_names()}
        return tuple(name for name in listed if name not in brought)

    @model_serializer(mode="wrap")
    def _as_in_a_file(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        data: dict[str, Any] = write(self)
        tables: dict[str, Any] = data.pop("tasks")
        return data | tables

    @classmethod
    def __get_pydantic_json_schema__(cls, core: Any, handler: GetJsonSchemaHandler) -> Any:
        schema = handler.resolve_ref_schema(handler(core))
        if handler.mode == "serialization":  # a mapping: nobody tells what `_as_in_a_file` returns
            return schema
        del schema["properties"]["tasks"]
        for name, model in task_tables().items():  # parts that several tables share stand once
            schema["properties"][name] = handler(model.__pydantic_core_schema__)
        return schema

    def but(self, **changes: Any) -> "Scenario":
        """The same with other top-level keys, checked anew."""
        return Scenario.model_validate({**self.model_dump(), **changes})

    def settings(self, kind: type[Settings]) -> Settings | None:
        """The table of this kind (`ScrubSettings` …), or None where the scenario has none."""
        return next((table for table in self.tasks.values() if isinstance(table, kind)), None)

    @model_validator(mode="after")
    def _consistent(self) -> "Scenario":
        _refuse_repeats("clip", [clip.name for clip in self.clips])
        _check_shares([clip.share for clip in self.clips])
        customs = [custom.name for custom in self.custom_encodings]
        _refuse_repeats("encoding", [*dict.fromkeys((*self.encodings, ORIGINAL)), *customs])
        _refuse_repeats("encoding", list(self.encodings))
        if self.minimum_rounds > self.rounds:
            raise ValueError(
                f"minimum_rounds is {self.minimum_rounds} but rounds is {self.rounds}, and fewer "
                "rounds than the minimum cannot be; lower minimum_rounds or leave it out"
            )
        if not self.tasks:
            *names, last = (f"[{name}]" for name in task_tables())
            raise ValueError(f"nothing to measure: add a {', '.join(names)} or {last} table")
        names = [LOCAL, *(root.name for root in self.roots)]
        _refuse_repeats("root", names)
        asked = {name for table in self.tasks.values() for name in getattr(table, "roots", ())}
        if unknown := sorted(asked.difference(names)):
            raise ValueError(f'no [[roots]] table has the name "{unknown[0]}"')
        scrub = self.settings(ScrubSettings)
        if scrub and len(self.clips) < 2 and all(PATTERNS[p].visits_all for p in scrub.patterns):
            raise ValueError(
                f'the pattern "{scrub.patterns[0]}" moves between clips and needs at least two'
            )
        return self


def _check_shares(shares: Sequence[float | None]) -> None:
    given = [share for share in shares if share is not None]
    if given and len(given) < len(shares):
        raise ValueError(
            "some clips have a share and some have none; give all of them one, or none"
        )
    if given and abs(sum(given) - 1) > SHARE_TOLERANCE:
        raise ValueError(f"the clips' shares add up to {sum(given):.4g}; they must add up to 1")


def _refuse_repeats(kind: str, names: list[str]) -> None:
    repeated = sorted(name for name, count in Counter(names).items() if count > 1)
    if repeated:
        raise ValueError(f'two entries share the {kind} name "{repeated[0]}"; names must differ')
