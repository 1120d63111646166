"""Cells, their settings, and their order: what is measured, how often, and when."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import KW_ONLY, dataclass
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from mezzmark.model.fact import Fact
from mezzmark.model.players import BEST, PLAYERS

ALL_CLIPS: Final = "all clips"
"""The clip name of a cell that moves between clips (the pattern `hop`) or ingests the folder."""

KERNEL_CLIP: Final = "no clip"  # The clip name of reference kernel cells, which use no footage
KERNEL_ENCODING: Final = "reference kernel"  # The encoding name of reference kernel cells

STORAGE_ENCODING: Final = "raw storage"
"""The encoding name of storage cells, which use no footage either."""

TAKEN_NAMES: Final = frozenset({ALL_CLIPS, KERNEL_CLIP, KERNEL_ENCODING, STORAGE_ENCODING})


def _is_free(name: str) -> str:
    if name in TAKEN_NAMES:
        raise ValueError(f'the name "{name}" stands for something else; choose another one')
    return name


FreeName = Annotated[str, AfterValidator(_is_free)]
"""Of a clip or an encoding: none that stands for no single one of them."""

ARMS: Final = ("", "null", "pilot")
"""What a trial is for: a figure of its cell; the same cell once more, to see what equal things
differ by (`null`); the choice of a player (`pilot`)."""

AxisValue = str | int | bool
_NUMBER: Final = re.compile(r"(\d+(?:\.\d+)?(?: [MG]bit/s)?)")
_RATES: Final = {"Mbit/s": 1e6, "Gbit/s": 1e9}


def ordered(value: AxisValue) -> Any:
    """What a name or another value is sorted by: numbers inside names by their size, rates of links
    as such (`100 Mbit/s` before `2.5 Gbit/s`); nothing comes first, and is false."""
    if not isinstance(value, str):
        return value
    if not value:
        return ()
    parts: list[object] = []
    for place, part in enumerate(_NUMBER.split(value)):
        number, _, unit = part.partition(" ")
        parts.append(float(number) * _RATES.get(unit, 1.0) if place % 2 else part)
    return tuple(parts), value


MAX_SETTING: Final = 100_000
"""Of threads, jobs, heights and passes: far beyond any machine and picture."""


def _plain(value: object, _setting: Mapping[str, Any]) -> str:
    return str(value)


def _player_id(name: str, setting: Mapping[str, Any]) -> str:
    """As ids have read since the first format: threading only where there are threads to spread."""
    player = PLAYERS.get(name)
    if player is None or player.threads:
        return name
    threading = player.threading if setting["threads"] > 1 else None
    skipping = "skipping" if player.skips_nonreference else None
    parts = (threading, player.device, skipping, name if player.lowres else None)
    return " | ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class Axis:
    """One way in which cells of a task can differ. `asked_by` are the keys of a scenario's tables
    that say which values there are. `id_text` is what a value adds to the cell's id, if anything:
    older ids stay as they were. `default` is what a cell without the axis has."""

    kind: type
    asked_by: tuple[str, ...]
    id_text: Callable[[Any, Mapping[str, Any]], str] = _plain
    _: KW_ONLY
    default: AxisValue | None = None


AXES: Final[dict[str, Axis]] = {
    "pattern": Axis(str, ("patterns",)),
    "policy": Axis(str, ("policies",)),
    "threads": Axis(int, ("threads",), lambda n, _: f"{n}t", default=1),
    "player": Axis(str, ("players",), _player_id),
    "carrier": Axis(str, ("carriers",)),
    "service": Axis(str, ("services",)),
    "viewer_height": Axis(
        int,
        ("viewer_heights_px",),
        # No id of the first format tells it; best players came later.
        lambda px, s: f"viewer {px}p" if px != 540 and s["player"] == BEST else "",
    ),
    "link": Axis(str, ("links",)),
    "cache": Axis(str, ("cache",)),
    "root": Axis(str, ("roots",), lambda name, _: f"root {name}"),
    "access": Axis(str, ()),
    "request_kib": Axis(int, ("read_kib",), lambda n, _: f"{n} KiB"),
    "jobs": Axis(
        int, ("jobs", "oversubscribe", "readers", "writers"), lambda n, _: f"{n}j", default=1
    ),
    "clip_order": Axis(str, ("orders",)),
    "delivery_height": Axis(int, ("height_px",), lambda px, _: f"{px}p"),
    "passes": Axis(int, ("passes",), lambda n, _: "one pass" if n == 1 else "two passes"),
    "pinned": Axis(bool, ("pin_cores",), lambda is_so, _: "pinned" if is_so else "", default=False),
    "ingest_mb_per_s": Axis(int, ("ingest_mb_per_s",), lambda n, _: f"ingest {n} MB/s"),
    "minutes": Axis(int, ("minutes",), lambda n, _: f"{n} min"),
    "hosts": Axis(str, ("hosts",)),
    "host_count": Axis(int, ("hosts",), lambda n, _: f"{n} hosts"),
}
"""Every axis, in the order of ids and tables. A task's row in `model.tasks` names those it has;
what an axis is called for people is in `report.prose.terms`."""

CONDITIONS: Final = ("root", "link", "cache", "ingest_mb_per_s", "minutes", "hosts", "host_count")
"""Axes that are no choice: encodings are judged under one condition, the least leads."""


class Setting(Mapping[str, Any]):
    """Axis → value; an axis that is not set reads as its default. Frozen, comparable, hashable.
    ValueError for an unknown axis, another type than it has, a number that is none of a machine."""

    __slots__ = ("_hash", "_values")

    def __init__(self, values: Mapping[str, AxisValue | None] = {}, /, **axes: Any) -> None:
        given = {**values, **axes}
        if unknown := given.keys() - AXES.keys():
            raise ValueError(f"unknown axis {', '.join(sorted(unknown))}")
        self._values: dict[str, AxisValue] = {}
        for name, axis in AXES.items():
            value = given.get(name)
            if value is None or value == axis.default:
                continue
            if type(value) is not axis.kind:
                raise ValueError(f"{name} is {value!r} and must be of type {axis.kind.__name__}")
            if isinstance(value, int) and not 0 < value <= MAX_SETTING:
                raise ValueError(f"{name} is {value} and must lie between 1 and {MAX_SETTING}")
            self._values[name] = value  # type: ignore[assignment]  # its type was just checked
        self._hash = hash(tuple(self._values.items()))

    def __getitem__(self, axis: str) -> Any:
        value = self._values.get(axis)
        return AXES[axis].default if value is None else value

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Setting) and self._values == other._values

    def __hash__(self) -> int:
        return self._hash

    def __repr__(self) -> str:
        return f"Setting({self._values!r})"

    def __reduce__(self) -> tuple[object, ...]:
        return Setting, (self._values,)

    @classmethod
    def __get_pydantic_core_schema__(
        cls, _source: object, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        def read(value: object) -> "Setting":
            if isinstance(value, Setting):
                return value
            if not isinstance(value, Mapping):
                raise ValueError("a setting is a table of axes and their values")
            return Setting(value)

        return core_schema.no_info_plain_validator_function(
            read,
            serialization=core_schema.plain_serializer_function_ser_schema(lambda s: s._values),
        )

    @property
    def split(self) -> tuple[int, int]:
        """Jobs and threads: how the cores are shared out."""
        return self["jobs"], self["threads"]

    @property
    def condition(self) -> tuple[Any, ...]:
        """The values of `CONDITIONS`, as `ordered`; all false where files are read as they lie."""
        return tuple(ordered(self[name] or AXES[name].kind()) for name in CONDITIONS)

    def but(self, **axes: Any) -> "Setting":
        """The same with other values for these axes."""
        return Setting(self._values, **axes)


class Cell(Fact):
    """Clip × encoding × task × setting. Two trials of one cell measure the same thing."""

    task: str
    clip: str
    encoding: str
    setting: Setting = Setting()

    @property
    def cell_id(self) -> str:
        """A readable key, the same in every run of the same cell."""
        from mezzmark.model.tasks import TASKS  # the rows there make cells

        setting = self.setting
        axes = TASKS[self.task].axes if self.task in TASKS else tuple(setting)
        texts = [
            AXES[name].id_text(setting[name], setting)
            for name in AXES
            if name in axes and setting[name] is not None
        ]
        return " | ".join([self.task, self.clip, self.encoding, *filter(None, texts)])

    @property
    def sort_key(self) -> tuple[object, ...]:
        """A total order of cells that does not depend on when they ran."""
        values = (self.setting[name] or axis.kind() for name, axis in AXES.items())
        return tuple(map(ordered, (self.task, self.clip, self.encoding, *values)))

    def but(self, **changes: Any) -> "Cell":
        """The same with other fields: `cell.but(clip="")` stands for the cell over all clips."""
        return self.model_copy(update=changes)


RequestDesign = Literal["independent", "hypercube"]
"""How a trial's requests were drawn: each by itself, or stratified over group × place in it."""


class PlannedTrial(Fact):
    """One cell in one round. `position` is its place in the round's shuffled order; `seed` is
    shared by all cells of the round that replay the same requests, of which it plays `blocks`
    sets. `player` is who plays a cell of the best player, empty before it is named."""

    round_index: int
    position: int
    cell: Cell
    arm: str = ""
    player: str = ""
    seed: int
    blocks: int = 1
    request_design: RequestDesign = "independent"
