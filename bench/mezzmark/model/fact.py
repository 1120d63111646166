"""The common base of every stored fact: frozen, complete, and strict about unknown names."""

from typing import Final

from pydantic import BaseModel, ConfigDict

NS_PER_S: Final = 1e9
"""Times are stored as they were measured, in whole nanoseconds."""


class Fact(BaseModel):
    """A value that crosses a process or a file: frozen, and an unknown field is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")
