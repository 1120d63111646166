"""The common base of every stored fact: frozen, complete, and strict about unknown names."""

from pydantic import BaseModel, ConfigDict


class Fact(BaseModel):
    """A value that crosses a process or a file: frozen, and an unknown field is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")
