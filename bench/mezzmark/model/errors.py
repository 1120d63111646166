"""Expected errors: each says where, what and what to do, and knows its exit code; and the known
names that a mistyped one may stand for.

Exit codes: 0 done; 10 regressed; 11 inconclusive; 12 not comparable; 20 to 29 the errors below.
1 and 2 stay free for crashes; usage errors are 28."""

from collections.abc import Iterable
from difflib import get_close_matches
from functools import partial
from typing import ClassVar, Final

EXIT_DONE = 0
EXIT_REGRESSED = 10
EXIT_INCONCLUSIVE = 11
EXIT_NOT_COMPARABLE = 12


class MezzmarkError(Exception):
    """A user's mistake or a fact of the machine that ends the command in one clear line. `where`
    names the file, key or device; `what` the finding; `remedy` what to do about it."""

    exit_code: ClassVar[int] = 29
    flags: ClassVar[tuple[str, ...]] = ()
    """What code must know of the answer in which it travels (`JobFailed`)."""

    def __init__(self, *, where: str, what: str, remedy: str) -> None:
        self.where, self.what, self.remedy = where, what, remedy
        super().__init__(f"{where}: {what}. {remedy}")

    def __reduce__(self) -> tuple[object, ...]:
        return partial(type(self), where=self.where, what=self.what, remedy=self.remedy), ()


class ScenarioError(MezzmarkError, ValueError):
    """The scenario file does not say something that can be measured."""

    exit_code = 20


class FootageError(MezzmarkError, OSError):
    """A clip is missing, cannot be opened, or is of a kind that cannot be measured honestly."""

    exit_code = 21


class RunError(MezzmarkError, OSError):
    """A run directory cannot be read, or is of another scenario."""

    exit_code = 22


class EngineError(MezzmarkError, LookupError):
    """This FFmpeg build has no such encoder, decoder or device."""

    exit_code = 23


class NoDecoderError(EngineError):
    """A device, or a smaller size, has no decoder for a codec: no further try would fare better."""

    flags = ("no_decoder",)


class DiskFullError(MezzmarkError, OSError):
    """There is no room left for what must be written."""

    exit_code = 24


class InterruptedRunError(MezzmarkError, RuntimeError):
    """Stopped by the user or a signal; everything finished is on disk."""

    exit_code = 25


class EncodingError(MezzmarkError, ValueError):
    """The codec, profile, container and pixel format asked for do not go together."""

    exit_code = 26


class NotMadeError(MezzmarkError):
    """What was to be found in the cache, and not made, is not there."""

    flags = ("not_made",)


class DestinationError(MezzmarkError, FileExistsError):
    """Something stands where output would go, and stays; or nothing can be written there."""

    exit_code = 27


class UsageError(MezzmarkError, ValueError):
    """The command line, or a function's arguments, ask for what there is not."""

    exit_code = 28


def reason_of(error: BaseException) -> str:
    """What the system or a library says went wrong, on one line, without its number."""
    return " ".join(str(getattr(error, "strerror", None) or error).split())


def count_text(count: int, noun: str) -> str:
    """`1 round`, `3 rounds`, `1,024 samples`."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


_SHORTEST_PART: Final = 3
"""Characters from which a name that stands inside another is a hint of it."""


def nearest(name: str, known: Iterable[str], *, count: int = 4) -> tuple[str, ...]:
    """At most `count` of the known names that this one may mean, the likeliest first; often none.
    Small and capital letters, dashes and blanks make no difference. Names that hold the asked one
    whole come first, the shortest before the others, then those alike by difflib (0.6 or more)."""
    asked = _plain(name)
    by_plain: dict[str, str] = {}
    for known_name in known:
        by_plain.setdefault(_plain(known_name), known_name)
    holding = (plain for plain in by_plain if len(asked) >= _SHORTEST_PART and asked in plain)
    alike = get_close_matches(asked, by_plain, count)
    found = dict.fromkeys((*sorted(holding, key=len), *alike))
    return tuple(by_plain[plain] for plain in found)[:count]


def _plain(name: str) -> str:
    return "".join(character for character in name.lower() if character not in "-_ ")
