"""What becomes, in an encoding's file, of all that a user's own file holds beside plain pictures.

The bench's own file is read; what the printed command's file has of it is known from experiments
with FFmpeg 8 and 9 on other clips. Both are told, for FFmpeg's program can do what its libraries
cannot be told to by way of the binding."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from mezzmark.model.fact import Fact

State = Literal["kept", "lost", "changed", "not asked"]

WORST_LAST: Final[tuple[State | None, ...]] = ("not asked", "kept", None, "changed", "lost")
"""States, the worst last; None: not known."""


class Survival(Fact):
    """One of `THINGS` as it was read from a clip and from a file made of it; None: it has none. A
    clip's sample aspect is the one that follows from it for the file's own size."""

    thing: str
    clip: str | None
    file: str | None

    @property
    def state(self) -> State:
        """What became of it."""
        if self.clip is None:
            return "not asked"
        if self.file is None:
            return "lost"
        return "kept" if self.clip == self.file else "changed"


@dataclass(frozen=True, slots=True)
class Thing:
    """`label` is what it is called. `by_command` says by container what a file of the printed
    command has of it, as far as that is known; None: the same as the bench's, whoever writes the
    container. `carried` are things that make a prepared file another one where a clip has them."""

    label: str
    by_command: Mapping[str, State] | None
    carried: bool = False


_ALL: Final[dict[str, State]] = dict.fromkeys(("mov", "mp4", "mkv", "mxf"), "kept")

THINGS: Final[dict[str, Thing]] = {
    "sound": Thing("sound", None, carried=True),
    "layout": Thing("channel layout", None),
    "sync": Thing("sync", _ALL),
    "timecode": Thing("timecode", _ALL, carried=True),
    "reel": Thing("reel", None, carried=True),
    "tags": Thing("tags", None, carried=True),
    "sample_aspect": Thing("sample aspect", {"mov": "kept", "mp4": "kept", "mkv": "kept"}),
    "rotation": Thing("rotation", _ALL | {"mxf": "changed"}, carried=True),
    "hdr": Thing("HDR metadata", _ALL | {"mxf": "changed"}),
    "alpha": Thing("alpha", None),
    "frame_count": Thing("frame count", None),
    "variable_rate": Thing("variable rate", None),
}
"""By the name that a need asks for them by (`survives.timecode = true`)."""


def state_by_command(survival: Survival, container: str) -> State | None:
    """What becomes of it in a file of the printed command; None where that is not known."""
    if survival.thing == "frame_count" and survival.state == "changed":
        return None  # both even out a variable rate, each by a rule of its own
    known = THINGS[survival.thing].by_command
    if known is None or survival.state == "not asked":
        return survival.state
    return known.get(container)


def is_kept(survival: Survival, container: str) -> bool:
    """Whether a user's files keep it: by the printed command if known, else as the bench's own."""
    return (state_by_command(survival, container) or survival.state) == "kept"


def carried_things(survivals: Iterable[Survival]) -> tuple[tuple[str, str], ...]:
    """What a clip has that makes its encoded files other ones: thing and value."""
    carried = [s for s in survivals if s.thing in THINGS and THINGS[s.thing].carried]
    return tuple((s.thing, s.clip) for s in carried if s.clip is not None)
