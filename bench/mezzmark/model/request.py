"""What is asked of an encoding: needs that must be met, and wishes in order or with weights.

A need reads `figure <= limit` or `fact = value`; a wish reads `less figure` or `more figure`.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Final, Literal, get_args

from pydantic import Field, field_validator, model_validator

from mezzmark.model.catalogue.core import ENTRIES
from mezzmark.model.encoding import Container
from mezzmark.model.errors import ScenarioError
from mezzmark.model.fact import Fact
from mezzmark.model.figures import FigureName, parse_figure, unknown_figure
from mezzmark.model.quantities import legal_units, parse_quantity

Operator = Literal["<=", ">=", "="]

CHROMA_ORDER: Final = ("4:0:0", "4:1:1", "4:2:0", "4:2:2", "4:4:4", "RGB")
"""From least to most colour detail; 4:1:1 and 4:2:0 keep the same amount."""

FACT_NAMES: Final = ("alpha", "bit_depth", "chroma", "intra", "lossless", "container", "codec")
"""What an encoding is, known without measuring."""

MOST_BITS: Final = 32
"""Of a sample: more than any format has."""

_TRUTHS: Final = {"true": "true", "yes": "true", "false": "false", "no": "false"}
_SIGNS: Final[dict[str, Operator]] = {
    "<=": "<=",
    "≤": "<=",
    "<": "<=",
    ">=": ">=",
    "≥": ">=",
    ">": ">=",
    "=": "=",
    "==": "=",
}
"""A measured figure is continuous, so that "below" and "at most" are one."""

_NEED: Final = re.compile(r"^\s*([\w.\-]+)\s*(<=|>=|==|=|<|>|≤|≥)\s*(.+?)\s*$")
_WISH: Final = re.compile(r"^\s*(less|more)\s+([\w.\-]+)\s*(?:[=*×]\s*(\S+))?\s*$")


class Need(Fact):
    """One thing that must hold. `limit` is in the figure's unit; `value` is a fact's."""

    text: str
    subject: str
    operator: Operator
    figure: FigureName | None = None
    limit: float | None = None
    value: str = ""


class Wish(Fact):
    """One goal: less or more of a figure; `weight` where goals are weighed against each other."""

    text: str
    figure: FigureName
    weight: float | None = None


class ChooseSettings(Fact):
    """The `[choose]` table. Goals stand in order in `wishes`, or with weights in `weights`.

    With an order, a difference of up to `indifference_fraction` leaves the next goal to decide.
    """

    needs: tuple[str, ...] = ()
    wishes: tuple[str, ...] = ()
    weights: dict[str, float] = {}
    indifference_fraction: float = Field(default=0.05, ge=0, lt=1)
    confidence_level: float = Field(default=0.95, gt=0.5, lt=1)

    @field_validator("needs")
    @classmethod
    def _needs_are_legal(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        for text in texts:
            parse_need(text)
        return texts

    @model_validator(mode="after")
    def _wishes_are_legal(self) -> "ChooseSettings":
        if self.wishes and self.weights:
            raise ValueError("wishes have either an order or weights: give one of the two")
        parse_wishes(self.wishes, weights=self.weights)
        return self


def parse_need(text: str) -> Need:
    """The need that `text` states; ScenarioError says what is wrong and what is legal."""
    found = _NEED.match(text)
    if found is None:
        raise ScenarioError(
            where=f'need "{text}"',
            what="it does not read as a need",
            remedy='Write for example "scrub.jump.p95_ms <= 100" or "bit_depth >= 10"',
        )
    subject, operator, value = found[1], _SIGNS[found[2]], found[3]
    if subject in FACT_NAMES:
        return _fact_need(text, subject, operator, value)
    if "." not in subject and subject not in ("bitrate_bps", "gb_per_hour"):
        raise unknown_figure(subject, where=f'need "{text}"', also=FACT_NAMES)
    figure = parse_figure(subject, where=f'need "{text}"')
    if operator == "=":
        sign = "<=" if figure.better == "less" else ">="
        raise ScenarioError(
            where=f'need "{text}"',
            what="no measured figure is ever exactly equal to a number",
            remedy=f'Write "{subject} {sign} {value}"',
        )
    limit = _limit(text, value, figure)
    return Need(
        text=f"{subject} {operator} {value}",
        subject=subject,
        operator=operator,
        figure=figure,
        limit=limit,
    )


def _limit(text: str, value: str, figure: FigureName) -> float:
    try:
        return parse_quantity(value, figure.unit)
    except ValueError as problem:
        raise ScenarioError(
            where=f'need "{text}"',
            what=f'"{value}" is not a limit for a figure in {figure.unit}',
            remedy=f"Write a number above 0, alone or with one of: {legal_units(figure.unit)}",
        ) from problem


def _fact_need(text: str, subject: str, operator: Operator, value: str) -> Need:
    plain = value.strip("\"'")
    if subject in ("alpha", "intra", "lossless"):
        legal = plain.lower() in _TRUTHS and operator == "="
        shown = f'Write "{subject} = true" or "{subject} = false"'
        plain = _TRUTHS.get(plain.lower(), plain)
    elif subject == "bit_depth":
        legal = plain.isdigit() and 0 < int(plain) <= MOST_BITS
        shown = f'Write a whole number from 1 to {MOST_BITS}, for example "bit_depth >= 10"'
    elif subject == "chroma":
        plain = next((name for name in CHROMA_ORDER if name.lower() == plain.lower()), plain)
        legal = plain in CHROMA_ORDER
        shown = f'Write for example "chroma >= 4:2:2"; legal: {", ".join(CHROMA_ORDER)}'
        if close := get_close_matches(plain, CHROMA_ORDER, 1):
            shown = f'Nearest: "chroma {operator} {close[0]}". {shown}'
    else:
        legal = bool(plain) and operator == "="
        shown = f'Write for example "{subject} = {plain or "mov"}"'
    if not legal:
        raise ScenarioError(
            where=f'need "{text}"',
            what=f'"{plain}" is not a value of {subject} that can be asked for like this',
            remedy=shown,
        )
    return Need(
        text=f"{subject} {operator} {plain}", subject=subject, operator=operator, value=plain
    )


def parse_wish(text: str) -> Wish:
    """The goal that `text` states, with its weight where it has one (`less bitrate_bps = 2`)."""
    found = _WISH.match(text)
    if found is None:
        raise ScenarioError(
            where=f'wish "{text}"',
            what="it does not read as a wish",
            remedy='Write for example "less scrub.jump.p50_ms" or "more encode.throughput_fps"',
        )
    figure = parse_figure(found[2], where=f'wish "{text}"')
    if found[1] != figure.better:
        raise ScenarioError(
            where=f'wish "{text}"',
            what=f"{found[1]} of this figure ({figure.meaning}) helps nobody",
            remedy=f'Write "{figure.better} {figure.name}"; a lower limit can be a need',
        )
    weight = None if found[3] is None else _weight(text, found[3])
    return Wish(text=f"{figure.better} {figure.name}", figure=figure, weight=weight)


def _weight(text: str, value: str) -> float:
    try:
        weight = float(value)
    except ValueError:
        weight = math.nan
    if not 0 < weight < math.inf:
        raise ScenarioError(
            where=f'wish "{text}"',
            what=f'"{value}" is not a weight',
            remedy="Write a number above 0; only the ratios of weights count",
        )
    return weight


def parse_wishes(
    texts: Iterable[str], *, weights: Mapping[str, float] | None = None
) -> tuple[Wish, ...]:
    """All goals: in order, or all of them with weights; ScenarioError where they are mixed."""
    stated = [*texts, *(f"{goal} = {weight}" for goal, weight in (weights or {}).items())]
    wishes = tuple(parse_wish(text) for text in stated)
    if len({wish.weight is None for wish in wishes}) > 1:
        bare = next(wish.text for wish in wishes if wish.weight is None)
        raise ScenarioError(
            where=f'wish "{bare}"',
            what="other wishes have a weight and this one has none",
            remedy="Give every wish a weight, or none of them and set them in order",
        )
    names = [wish.text for wish in wishes]
    if len(set(names)) < len(names):
        repeated = next(name for name in names if names.count(name) > 1)
        raise ScenarioError(
            where=f'wish "{repeated}"', what="it stands twice", remedy="Leave one of them out"
        )
    return wishes


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
