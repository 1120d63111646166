"""The values that facts of an encoding can have in a need, and what is told of any other."""

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Final, get_args

from mezzmark.facts.catalogue import ENTRIES
from mezzmark.facts.choosing import Need
from mezzmark.facts.encoding import Container
from mezzmark.facts.errors import ScenarioError

KNOWN_VALUES: Final[Mapping[str, tuple[str, ...]]] = {
    "codec": tuple(sorted({entry.codec for entry in ENTRIES})),
    "container": (*get_args(Container), "ts", "ps"),
}
"""Codecs of the catalogue by their standards' names, and the containers that are named by their
usual suffix. Footage may have others, which are legal where they are met."""


def check_fact_values(needs: Sequence[Need], met: Mapping[str, Iterable[str]]) -> None:
    """ScenarioError for a need of a codec or container that is neither known nor among those `met`
    in the runs (by fact), with the nearest and all legal values."""
    for need in needs:
        if need.subject not in KNOWN_VALUES:
            continue
        legal = tuple(dict.fromkeys((*KNOWN_VALUES[need.subject], *met.get(need.subject, ()))))
        if problem := unknown_value(need, legal):
            raise problem


def unknown_value(need: Need, legal: Sequence[str]) -> ScenarioError | None:
    """The error for a value that is not `legal`, whatever its capitals; None for one that is."""
    known = {_plain(value): value for value in legal}
    if need.value.lower() in {value.lower() for value in legal}:
        return None
    close = get_close_matches(_plain(need.value), list(known), 2, 0.6)
    nearest = f"Nearest: {', '.join(known[hit] for hit in close)}. " if close else ""
    return ScenarioError(
        where=f'need "{need.text}"',
        what=f'"{need.value}" is not a {need.subject} that is known here',
        remedy=f"{nearest}Legal: {', '.join(legal)}",
    )


def _plain(value: str) -> str:
    """Without capitals, blanks and dashes, so that `vc3` is near `VC-3`."""
    return value.lower().replace("-", "").replace(" ", "")
