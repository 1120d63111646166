"""The common base of every stored fact: frozen, complete, and strict about unknown names."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

NS_PER_S: Final = 1e9
"""Times are stored as they were measured, in whole nanoseconds."""


class Fact(BaseModel):
    """A value that crosses a process or a file: frozen, and an unknown field is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


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
