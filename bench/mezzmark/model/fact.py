"""What a field of a stored fact may be: names, quantities, lists that belong together."""

import math
import re
from collections.abc import Collection, Hashable, Iterable, Mapping
from dataclasses import dataclass
from functools import singledispatch
from itertools import pairwise
from typing import Annotated, Any, Final, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    model_validator,
)
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

NS_PER_S: Final = 1e9  # Times are stored as they were measured, in whole nanoseconds

MAX_WHOLE: Final = 2**53
"""104 days in ns, 9 PB: nothing measured comes near, and up to here a float holds every whole
number (IEEE 754), so that no sum of a trial overflows."""

Whole = Annotated[int, Field(ge=0, le=MAX_WHOLE)]  # A count, a time or a size as it was measured
Number = Annotated[float, Field(allow_inf_nan=False)]  # A measured number that is no count

Amount = Annotated[float, Field(ge=0, allow_inf_nan=False)]
"""As `Number`, of what cannot be below 0."""

Positive = Annotated[int, Field(ge=1, le=MAX_WHOLE)]  # As `Whole`, of what is divided by

Length = Annotated[float, Field(ge=1e-10, le=1e30)]
"""Of footage, in seconds, which is divided by. FFmpeg keeps times in 64 bits and both terms of a
tick in 32: no file can state a shorter or a longer one."""

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


def grouped(pairs: Iterable[tuple[Key, Value]]) -> dict[Key, list[Value]]:
    """Values by their key, both in order of first appearance."""
    groups: dict[Key, list[Value]] = {}
    for key, value in pairs:
        groups.setdefault(key, []).append(value)
    return groups


@singledispatch
def text_of(found: BaseModel) -> str:
    """What `print` shows of a fact; `report.tables` registers how answers read."""
    return BaseModel.__str__(found)


class Fact(BaseModel):
    """A value that crosses a process or a file: frozen, and an unknown field is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def __str__(self) -> str:
        return text_of(self)


@dataclass(frozen=True, slots=True)
class NameIn:
    """A text that must be a name of this table; else `not_in_table` with all legal names."""

    table: Mapping[str, object]

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self._check, handler(source))

    def __get_pydantic_json_schema__(self, *_: Any) -> dict[str, Any]:
        return {"type": "string", "enum": list(self.table)}

    def _check(self, name: str) -> str:
        if name not in self.table:
            legal = " or ".join(f'"{known}"' for known in self.table)
            raise PydanticCustomError("not_in_table", "not one of {expected}", {"expected": legal})
        return name


_NUMBER: Final = re.compile(r"^([0-9][0-9_]*(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?)\s*(\S*)$")

_UNITS: Final[tuple[dict[str, float], ...]] = (
    {"bit/s": 1, "kbit/s": 1e3, "Mbit/s": 1e6, "Gbit/s": 1e9, "MB/s": 8e6},
    {"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9},
    {"ms": 1, "s": 1e3, "min": 6e4, "h": 3.6e6},
    {"GB/h": 1, "GB": 1, "TB/h": 1e3},
)
"""One kind of quantity a row; prefixes are decimal."""

_BITS: Final = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
_SAME_UNITS: Final = {
    **{
        f"{prefix}{name}": n
        for prefix, n in _BITS.items()
        for name in ("bps", "bit", "bit/s", "bits/s")
    },
    **{f"{prefix}b/s": n for prefix, n in _BITS.items()},
}
"""Other ways to write bits a second, in small letters. A capital B is a byte in all of them: `Mb/s`
are bits, `MB/s` bytes, and `mb/s` is not read, since either may be meant."""

_LEAST: Final = {"bit/s": (1e5, "Mbit/s"), "B": (1e3, "MB"), "ms": (1.0, "s")}
"""Below so much a bare number was hardly meant in this unit, and likelier in the other: no footage
takes less than 100 kbit/s, no file 1 kB, and nobody sees a thousandth of a second."""


def parse_quantity(text: str, unit: str) -> float:
    """A number of `unit`, above 0, alone or with a unit of the same kind; else ValueError."""
    units = _of_kind(unit)
    found = _NUMBER.match(text.strip())
    factor = _factor(found[2] or unit, units) if found else None
    number = float(found[1]) * factor / units[unit] if found and factor else math.nan
    if not 0 < number < math.inf:  # NaN fails too
        raise ValueError(
            f'"{text}" is not a quantity in {unit}; write a number above 0, alone or with one of: '
            f"{legal_units(unit)}"
        )
    return number


def _factor(word: str, units: Mapping[str, float]) -> float | None:
    if word in units or "bit/s" not in units:
        return units.get(word)
    if word.endswith(("B/s", "Bps")):
        return 8 * _BITS.get(word[:-3].lower(), math.nan)
    is_unclear = word in {"mb/s", "gb/s"} or ("B" in word and "bit" not in word.lower())
    return None if is_unclear else _SAME_UNITS.get(word.lower())


def likelier_unit(text: str, unit: str) -> str:
    """`300 Mbit/s` for a bare "300" in bit/s; empty where it may be meant, or has a unit."""
    found = _NUMBER.match(text.strip())
    least, larger = _LEAST.get(unit, (0.0, ""))
    if found is None or found[2] or not 0 < float(found[1]) < least:
        return ""
    return f"{found[1]} {'kbit/s' if larger == 'Mbit/s' and float(found[1]) >= 1e3 else larger}"


def legal_units(unit: str) -> str:
    """The units that may follow a quantity in `unit`, as a list."""
    return ", ".join(_of_kind(unit))


def _of_kind(unit: str) -> dict[str, float]:
    return next((units for units in _UNITS if unit in units), {unit: 1.0})


def _bitrate_bps(value: object) -> object:
    # A rate in Mbit/s may have a remainder far below a bit.
    return round(parse_quantity(value, "bit/s")) if isinstance(value, str) else value


BitRate = Annotated[int, BeforeValidator(_bitrate_bps, json_schema_input_type=int | str)]
"""Bits a second: a number, or a text such as "50 Mbit/s"."""


def same_length(*names: str, or_none: Collection[str] = ()) -> Any:
    """A validator of a model: these lists have one length, those `or_none` unless empty."""
    lists = (*names, *or_none)

    def check(fact: Any) -> Any:
        values = vars(fact)
        wanted = len(values[names[0]])
        for name in lists:
            length = len(values[name])
            if length != wanted and (length or name not in or_none):
                raise ValueError(f"{name} has {length} entries, and {names[0]} has {wanted}")
        return fact

    return model_validator(mode="after")(check)


def in_order(*names: str) -> Any:
    """A validator of a model: entry by entry, each of these lists is no earlier than the last."""

    def check(fact: Any) -> Any:
        for name, later in pairwise(names):
            if any(b < a for a, b in zip(getattr(fact, name), getattr(fact, later), strict=True)):
                raise ValueError(f"{later} has an entry before that of {name}")
        return fact

    return model_validator(mode="after")(check)
