"""What a field of a stored fact may be: the base that all share, names of a table, quantities."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

NS_PER_S: Final = 1e9
"""Times are stored as they were measured, in whole nanoseconds."""


class Fact(BaseModel):
    """A value that crosses a process or a file: frozen, and an unknown field is an error."""

    # Built at first use: a worker meets few of them, and building all takes as long as a trial.
    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


@dataclass(frozen=True, slots=True)
class NameIn:
    """Marks a text that must be a name of this table: `Annotated[str, NameIn(PATTERNS)]`. Another
    one is an error of kind `not_in_table` with all legal names."""

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
    {"bit/s": 1, "kbit/s": 1e3, "Mbit/s": 1e6, "Gbit/s": 1e9},
    {"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9},
    {"ms": 1, "s": 1e3, "min": 6e4, "h": 3.6e6},
    {"GB/h": 1, "GB": 1, "TB/h": 1e3},
)
"""One kind of quantity a row; prefixes are decimal."""


def parse_quantity(text: str, unit: str) -> float:
    """`text` as a number of `unit`: a number above 0, alone or with a unit of the same kind.

    Raises ValueError for anything else.
    """
    units = _of_kind(unit)
    found = _NUMBER.match(text.strip())
    factor = units.get(found[2] or unit) if found else None
    number = float(found[1]) * factor / units[unit] if found and factor else math.nan
    if not 0 < number < math.inf:  # NaN fails too
        raise ValueError(
            f'"{text}" is not a quantity in {unit}; write a number above 0, alone or with one of: '
            f"{legal_units(unit)}"
        )
    return number


def legal_units(unit: str) -> str:
    """The units that may follow a quantity in `unit`, as a list."""
    return ", ".join(_of_kind(unit))


def _of_kind(unit: str) -> dict[str, float]:
    return next((units for units in _UNITS if unit in units), {unit: 1.0})
