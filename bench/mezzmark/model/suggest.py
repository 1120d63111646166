"""Which known names a mistyped one may stand for."""

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

_SHORTEST_PART: Final = 3
"""Characters from which a name that stands inside another is a hint of it."""


def nearest(name: str, known: Iterable[str], *, count: int = 4) -> tuple[str, ...]:
    """At most `count` of the known names that this one may mean, the likeliest first; often none.

    Small and capital letters, dashes and blanks make no difference. Names that hold the asked one
    whole come first, the shortest before the others, then those alike by difflib's ratio (0.6 or
    more).
    """
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
