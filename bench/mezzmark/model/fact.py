"""The common base of every stored fact: frozen, complete, and strict about unknown names."""

from collections.abc import Collection
from typing import Final

from pydantic import BaseModel, ConfigDict
from pydantic_core import PydanticCustomError

NS_PER_S: Final = 1e9
"""Times are stored as they were measured, in whole nanoseconds."""


class Fact(BaseModel):
    """A value that crosses a process or a file: frozen, and an unknown field is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def check_name(name: str, table: Collection[str]) -> str:
    """The name, where the table has it; an error of kind `not_in_table` with all legal names."""
    if name not in table:
        legal = " or ".join(f'"{known}"' for known in table)
        raise PydanticCustomError("not_in_table", "not one of {expected}", {"expected": legal})
    return name
