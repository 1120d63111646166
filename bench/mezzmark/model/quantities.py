"""Numbers with units, as people write them: `400 Mbit/s`, `1.5 h`."""

import math
import re
from typing import Final

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
