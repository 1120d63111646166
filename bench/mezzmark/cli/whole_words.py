"""Wraps text for a terminal so that no line ends inside a number, an interval or a measure."""

import re
import textwrap
from typing import Final

_JOINED: Final = "\u00a0"

_INTERVAL: Final = re.compile(r"\S+(?: \S+)? \[[^\[\]]*\](?: (?:%|[^\W\d]\S*))?|\[[^\[\]]*\]")
"""`2.5 [2.3, 2.8] days`, `12 ms [11, 13]`, `[1, 2]`."""

_MEASURE: Final = re.compile(
    r"(?<=\d) (?=(?:%|h|min|s|ms|cores?|[kMGTP]?B(?:/s)?|[kMG]?bit/s|bytes)\b|%)"
)


def wrap_whole(text: str, *, width: int) -> list[str]:
    """`text` as lines of at most `width` characters, broken only between whole things; a thing
    longer than a line gets its own."""
    joined = _INTERVAL.sub(lambda found: found[0].replace(" ", _JOINED), text)
    joined = _MEASURE.sub(_JOINED, joined)
    lines = textwrap.wrap(joined, width, break_long_words=False, break_on_hyphens=False)
    return [line.replace(_JOINED, " ") for line in lines]
