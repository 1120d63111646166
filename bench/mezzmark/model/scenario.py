"""The scenario: what is to be measured, as the user writes it in TOML."""

from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import (
    BeforeValidator,
    Field,
    SerializeAsAny,
    SerializerFunctionWrapHandler,
    ValidationError,
    model_serializer,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from mezzmark.model.catalogue.core import catalogue_names
from mezzmark.model.encoding import ORIGINAL, CustomEncoding
from mezzmark.model.fact import Fact
from mezzmark.model.footage import ClipSpec
from mezzmark.model.patterns import PATTERNS
from mezzmark.model.request import ChooseSettings
from mezzmark.model.round_limits import INTERVAL_ROUNDS, ROUNDS_RULE, lowered_minimum
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubSettings

SCENARIO_SCHEMA: Final = 1

Settings = TypeVar("Settings", bound=Fact)


def task_table_names() -> tuple[str, ...]:
    """The tables by which a scenario asks for tasks."""
    return tuple(name for name, spec in TASKS.items() if spec.settings_model is not None)


def _read_task_tables(tables: Any) -> dict[str, Fact]:
    """Each table as its task's settings; a problem in one is told at its own place."""
    read: dict[str, Fact] = {}
    problems: list[InitErrorDetails] = []
    for name, table in tables.items():
        model = TASKS[name].settings_model if name in TASKS else None
        if model is None:
            raise ValueError(f'there is no task "{name}"')
        try:
            read[name] = model.model_validate(table)
        except ValidationError as failure:
            problems += [_at(name, error) for error in failure.errors(include_url=False)]
    if problems:
        raise ValidationError.from_exception_data("tasks", problems)
    return read


def _at(table: str, error: Any) -> InitErrorDetails:
    kind: str | PydanticCustomError = error["type"]
    if kind == "not_in_table":
        kind = PydanticCustomError("not_in_table", "not one of {expected}", error["ctx"])
    return InitErrorDetails(
        type=kind, loc=(table, *error["loc"]), input=error["input"], ctx=error.get("ctx", {})
    )


class Scenario(Fact):
    """Everything that decides what a run measures; the seed fixes all that is random."""

    schema_version: Literal[1] = SCENARIO_SCHEMA
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
    time_budget_s: float | None = Field(default=None, gt=0, description=ROUNDS_RULE)
    trial_timeout_s: float = Field(default=300, gt=0)
    null_arm: bool = Field(
        default=False, description="measure the first cell of each task twice a round"
    )
    clips: tuple[ClipSpec, ...] = Field(min_length=1)
    encodings: tuple[str, ...] = (ORIGINAL,)
    custom_encodings: tuple[CustomEncoding, ...] = ()
    tasks: Annotated[dict[str, SerializeAsAny[Fact]], BeforeValidator(_read_task_tables)] = Field(
        default={}, description="the tables of the tasks; in a file each stands by itself"
    )
    choose: ChooseSettings | None = None

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, data: Any) -> Any:
        """Task tables are gathered; custom encodings that are listed too count once; rounds bound a
        minimum left out."""
        if not isinstance(data, Mapping):
            return data
        rounds = data.get("rounds")
        if type(rounds) is int and "minimum_rounds" not in data and rounds >= 1:
            minimum = lowered_minimum(rounds, minimum_rounds=INTERVAL_ROUNDS)
            data = {**data, "minimum_rounds": minimum}
        if "tasks" not in data:
            tables = {name: data[name] for name in task_table_names() if name in data}
            data = {key: value for key, value in data.items() if key not in tables}
            data["tasks"] = {name: table for name, table in tables.items() if table is not None}
        return _without_listed_customs(data)

    @model_serializer(mode="wrap")
    def _as_in_a_file(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        data: dict[str, Any] = write(self)
        tables: dict[str, Any] = data.pop("tasks")
        return data | tables

    def but(self, **changes: Any) -> "Scenario":
        """The same with other top-level keys, checked anew."""
        return Scenario.model_validate({**self.model_dump(), **changes})

    def settings(self, kind: type[Settings]) -> Settings | None:
        """The table of this kind (`ScrubSettings` …), or None where the scenario has none."""
        return next((table for table in self.tasks.values() if isinstance(table, kind)), None)

    @model_validator(mode="after")
    def _consistent(self) -> "Scenario":
        _refuse_repeats("clip", [clip.name for clip in self.clips])
        customs = [custom.name for custom in self.custom_encodings]
        _refuse_repeats("encoding", [*dict.fromkeys((*self.encodings, ORIGINAL)), *customs])
        _refuse_repeats("encoding", list(self.encodings))
        if self.minimum_rounds > self.rounds:
            raise ValueError(
                f"minimum_rounds is {self.minimum_rounds} but rounds is {self.rounds}, and fewer "
                "rounds than the minimum cannot be; lower minimum_rounds or leave it out"
            )
        if not self.tasks:
            names = [f"[{name}]" for name in task_table_names()]
            listed = f"{', '.join(names[:-1])} or {names[-1]}"
            raise ValueError(f"nothing to measure: add a {listed} table")
        scrub = self.settings(ScrubSettings)
        if scrub and len(self.clips) < 2 and all(PATTERNS[p].visits_all for p in scrub.patterns):
            raise ValueError(
                f'the pattern "{scrub.patterns[0]}" moves between clips and needs at least two'
            )
        return self


def _without_listed_customs(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """The data with `encodings` freed of the names that `custom_encodings` brings; a name of the
    catalogue stays, since it would mean two encodings."""
    listed, customs = data.get("encodings"), data.get("custom_encodings")
    if not isinstance(listed, list | tuple) or not isinstance(customs, list | tuple):
        return data
    brought = {
        custom.get("name") if isinstance(custom, Mapping) else getattr(custom, "name", None)
        for custom in customs
    } - {ORIGINAL, *catalogue_names()}
    kept = [name for name in listed if not (isinstance(name, str) and name in brought)]
    return {**data, "encodings": kept}


def _refuse_repeats(kind: str, names: list[str]) -> None:
    repeated = sorted({name for name in names if names.count(name) > 1})
    if repeated:
        raise ValueError(f'two entries share the {kind} name "{repeated[0]}"; names must differ')
