"""The scenario: what is to be measured, as the user writes it in TOML."""

from collections.abc import Iterable, Mapping
from typing import Any, Final, Literal

from pydantic import Field, model_validator

from mezzmark.model.catalogue.core import catalogue_names
from mezzmark.model.encoding import ORIGINAL, CustomEncoding
from mezzmark.model.fact import Fact
from mezzmark.model.fidelity import FidelitySettings
from mezzmark.model.footage import ClipSpec
from mezzmark.model.request import ChooseSettings
from mezzmark.model.throughput import CountChoice, DeliverySettings, GridSettings, IngestSettings

ROUNDS_RULE: Final = (
    "at least minimum_rounds rounds are measured whatever the budget; "
    "after that no round begins that would end after it"
)
"""The same words in the help, in scenarios/README.md and in messages."""

INTERVAL_ROUNDS: Final = 3
"""The fewest rounds that give an interval; a run of fewer has bare figures."""


def lowered_minimum(rounds: int, *, minimum_rounds: int) -> int:
    """The minimum of a run of at most `rounds`, for which another minimum was meant."""
    return min(rounds, minimum_rounds)


def limit_warnings(*, rounds: int, minimum_rounds: int, has_budget: bool) -> tuple[str, ...]:
    """What a run with these limits may lack, with what to do about it."""
    if rounds < INTERVAL_ROUNDS:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and this run has at most {rounds}: its "
            f"figures will carry none. Allow {INTERVAL_ROUNDS} rounds or more for an answer.",
        )
    if minimum_rounds < INTERVAL_ROUNDS and has_budget:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and minimum_rounds is {minimum_rounds}: "
            "the time budget may end the run before its figures carry any. Set minimum_rounds to "
            f"{INTERVAL_ROUNDS} or more, or leave it out.",
        )
    return ()


SCENARIO_SCHEMA: Final = 1

Pattern = Literal["jump", "near", "step-forward", "step-back", "sweep-forward", "sweep-back", "hop"]
"""How the playhead moves; see `mezzmark.model.patterns`."""

Policy = Literal["reseek", "roll"]
"""`reseek` always seeks; `roll` keeps decoding when the target lies ahead in the same group."""

Threading = Literal["slice", "frame", "auto"]
"""How the decoder spreads work: within a picture, over several pictures, or its own choice."""


class ScrubSettings(Fact):
    """The scrub task: closed-loop playhead moves, each timed and proved."""

    patterns: tuple[Pattern, ...] = Field(default=("jump", "near"), min_length=1)
    requests: int = Field(default=24, ge=1, le=100_000, description="playhead moves a trial")
    policies: tuple[Policy, ...] = Field(default=("roll",), min_length=1)
    threads: tuple[CountChoice, ...] = Field(default=("all",), min_length=1)
    threading: Threading = "slice"
    sweep_speed: int = Field(default=8, ge=2, le=64)
    near_median_frames: float = Field(default=12.0, gt=0)
    viewer_height_px: int = Field(default=540, ge=64, le=4320, multiple_of=2)
    decoder: Literal["software", "cuda"] = "software"


class EncodeSettings(Fact):
    """The encode task: frames from memory to a finished file."""

    threads: tuple[CountChoice, ...] = Field(default=(1, "all"), min_length=1)
    frames: int = Field(default=48, ge=2, le=10_000)


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
    scrub: ScrubSettings | None = None
    encode: EncodeSettings | None = None
    grid: GridSettings | None = None
    ingest: IngestSettings | None = None
    delivery: DeliverySettings | None = None
    fidelity: FidelitySettings | None = None
    choose: ChooseSettings | None = None

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, data: Any) -> Any:
        """Custom encodings that are listed too count once; rounds bound a minimum left out."""
        if not isinstance(data, Mapping):
            return data
        rounds = data.get("rounds")
        if type(rounds) is int and "minimum_rounds" not in data and rounds >= 1:
            minimum = lowered_minimum(rounds, minimum_rounds=INTERVAL_ROUNDS)
            data = {**data, "minimum_rounds": minimum}
        return _without_listed_customs(data)

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
        tasks = (self.scrub, self.encode, self.grid, self.ingest, self.delivery, self.fidelity)
        if all(settings is None for settings in tasks):
            raise ValueError(
                "nothing to measure: add a [scrub], [encode], [grid], [ingest], [delivery] or "
                "[fidelity] table"
            )
        if self.scrub and self.scrub.patterns == ("hop",) and len(self.clips) < 2:
            raise ValueError('the pattern "hop" moves between clips and needs at least two')
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


def resolve_thread_count(choice: int | str, *, core_count: int) -> int:
    """Threads for a choice of 1…n, "half" or "all" on a machine with `core_count` cores."""
    if choice == "all":
        return core_count
    if choice == "half":
        return max(1, core_count // 2)
    return int(choice)


def resolve_counts(choices: Iterable[CountChoice], *, core_count: int) -> tuple[int, ...]:
    """The counts that these choices mean on a machine with `core_count` cores, each once."""
    counts = (resolve_thread_count(choice, core_count=core_count) for choice in choices)
    return tuple(dict.fromkeys(counts))
