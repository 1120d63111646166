"""What is asked of an encoding: needs that must be met, and wishes in order or with weights.

A need reads `figure <= limit` or `fact = value`; a wish reads `less figure` or `more figure`. Both
are read where a text enters, and written so again. Long because wrong texts have their own
messages."""

import math
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, Self, get_args

from pydantic import Field, field_validator, model_serializer, model_validator

from mezzmark.model.catalogue.core import ENTRIES
from mezzmark.model.encoding import Container
from mezzmark.model.errors import ScenarioError, nearest
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.model.fact import Fact, legal_units, likelier_unit, parse_quantity
from mezzmark.model.figures import WHOLE_FIGURES, FigureName, parse_figure, unknown_figure
from mezzmark.model.survival import THINGS

Operator = Literal["<=", ">=", "="]


@dataclass(frozen=True, slots=True, kw_only=True)
class EncodingFact:
    """A fact of an encoding that a need can name. `values` may be asked for, from least to most
    where it `is_ordered`; where it `is_open`, footage may have others. `example` ends a need."""

    values: tuple[str, ...]
    example: str
    is_ordered: bool = False
    is_open: bool = False


MOST_BITS: Final = 32  # Of a sample: more than any format has
_TRUTH: Final = EncodingFact(values=("true", "false"), example="= true")

ENCODING_FACTS: Final[dict[str, EncodingFact]] = {
    "alpha": _TRUTH,
    "bit_depth": EncodingFact(
        values=tuple(map(str, range(1, MOST_BITS + 1))), example=">= 10", is_ordered=True
    ),
    "chroma": EncodingFact(
        # 4:1:1 and 4:2:0 keep the same amount of colour detail.
        values=("4:0:0", "4:1:1", "4:2:0", "4:2:2", "4:4:4", "RGB"),
        example=">= 4:2:2",
        is_ordered=True,
    ),
    "intra": _TRUTH,
    "lossless": _TRUTH,
    "proxy": _TRUTH,
    "container": EncodingFact(
        values=(*get_args(Container), "ts", "ps"), example="= mov", is_open=True
    ),
    "codec": EncodingFact(
        values=tuple(sorted({entry.codec for entry in ENTRIES})), example="= VC-3", is_open=True
    ),
    **{f"survives.{thing}": _TRUTH for thing in THINGS},
}
"""What an encoding is, known without measuring, and what its files keep of the user's own clips.
Codecs go by their standards' names, containers by their usual suffix."""

_SAME: Final = {"yes": "true", "no": "false"}
_SIGNS: Final[dict[str, Operator]] = {
    **dict.fromkeys(("<=", "≤", "<"), "<="),
    **dict.fromkeys((">=", "≥", ">"), ">="),
    **dict.fromkeys(("=", "=="), "="),
}
"""A measured figure is continuous, so that "below" and "at most" are one."""

_NEED: Final = re.compile(r"^\s*([\w.\-]+)\s*(<=|>=|==|=|<|>|≤|≥)\s*(.+?)\s*$")
_WISH: Final = re.compile(r"^\s*(less|more)\s+([\w.\-]+)\s*(?:[=*×]\s*(\S+))?\s*$")


class _Written(Fact):
    """Stands as a text in files, and is read from one."""

    @property
    def text(self) -> str:
        """As it is written."""
        return str(self)

    @classmethod
    def parse(cls, text: str) -> Self:
        """What the text states; ScenarioError says what is wrong and what is legal."""
        raise NotImplementedError

    @model_validator(mode="before")
    @classmethod
    def _read(cls, given: Any) -> Any:
        return dict(cls.parse(given)) if isinstance(given, str) else given

    @model_serializer
    def _write(self) -> str:
        return str(self)

    @classmethod
    def __get_pydantic_json_schema__(cls, *_: Any) -> dict[str, Any]:
        return {"type": "string"}


class Need(_Written):
    """What must hold: `figure` keeps `limit`, in its unit, or the fact `subject` has `value`."""

    subject: str
    operator: Operator
    value: str
    figure: FigureName | None = None
    limit: float | None = None

    def __str__(self) -> str:
        return f"{self.subject} {self.operator} {self.value}"

    @property
    def sign(self) -> float:
        """Of what lies beyond the limit: above it, or (-1) below."""
        return 1.0 if self.operator == "<=" else -1.0

    @property
    def bound(self) -> tuple[FigureName, float]:
        """The figure and its limit; ValueError for a need of a fact."""
        if self.figure is None or self.limit is None:
            raise ValueError(f"{self.text} sets no figure a limit")
        return self.figure, self.limit

    def is_met_by(self, value: str) -> bool:
        """Whether a fact with this value is what is asked for; what is not known is not."""
        if not ENCODING_FACTS[self.subject].is_ordered:
            return value.lower() == self.value.lower()
        order = ENCODING_FACTS[self.subject].values
        if value not in order:
            return False
        mine, limit = order.index(value), order.index(self.value)
        return {"<=": mine <= limit, ">=": mine >= limit, "=": mine == limit}[self.operator]

    @classmethod
    def parse(cls, text: str) -> Self:
        """As `_Written.parse`."""
        found = _NEED.match(text)
        if found is None:
            raise ScenarioError(
                where=f'need "{text}"',
                what="it does not read as a need",
                remedy='Write for example "scrub.jump.p95_ms <= 100" or "bit_depth >= 10"',
            )
        subject, operator, value = found[1], _SIGNS[found[2]], found[3]
        if subject in ENCODING_FACTS:
            value = _fact_value(text, subject, operator, value)
            return cls(subject=subject, operator=operator, value=value)
        if "." not in subject and subject not in WHOLE_FIGURES:
            raise unknown_figure(subject, where=f'need "{text}"', also=tuple(ENCODING_FACTS))
        figure = parse_figure(subject, where=f'need "{text}"')
        limit = _limit(text, operator, value, figure)
        return cls(subject=subject, operator=operator, value=value, figure=figure, limit=limit)


def _limit(text: str, operator: Operator, value: str, figure: FigureName) -> float:
    if operator == "=":
        sign = "<=" if figure.better == "less" else ">="
        raise ScenarioError(
            where=f'need "{text}"',
            what="no measured figure is ever exactly equal to a number",
            remedy=f'Write "{figure.name} {sign} {value}"',
        )
    try:
        return parse_quantity(value, figure.unit)
    except ValueError as problem:
        raise ScenarioError(
            where=f'need "{text}"',
            what=f'"{value}" is not a limit for a figure in {figure.unit}',
            remedy=f"Write a number above 0, alone or with one of: {legal_units(figure.unit)}",
        ) from problem


def _fact_value(text: str, subject: str, operator: Operator, value: str) -> str:
    fact, plain = ENCODING_FACTS[subject], value.strip("\"'")
    if fact.is_open and operator == "=" and plain:
        return plain
    legal = {_bare(known): known for known in fact.values}
    asked = _bare(plain).removesuffix("s").removesuffix("bit") if subject == "bit_depth" else plain
    known = legal.get(_SAME.get(_bare(asked), _bare(asked)))
    if known is not None and not fact.is_open and (fact.is_ordered or operator == "="):
        return known
    names = ", ".join(fact.values) if len(fact.values) < MOST_BITS else f"1 to {MOST_BITS}"
    close = nearest(plain, fact.values, count=1) if subject != "bit_depth" else ()
    hint = f'Nearest: "{subject} {operator} {close[0]}". ' if close else ""
    raise ScenarioError(
        where=f'need "{text}"',
        what=f'"{plain}" is not a value of {subject} that can be asked for like this',
        remedy=f'{hint}Write for example "{subject} {fact.example}"; legal: {names}',
    )


def _bare(value: str) -> str:
    """`422` for 4:2:2, `10bit` for 10-bit: signs and capitals make no difference."""
    return "".join(c for c in value.lower() if c not in ":.- ")


class Wish(_Written):
    """One goal: less or more of a figure; `weight` where goals are weighed against each other.
    Written `less bitrate_bps`, or with a weight `less bitrate_bps = 2.0`."""

    figure: FigureName
    weight: float | None = None

    def __str__(self) -> str:
        return self.goal if self.weight is None else f"{self.goal} = {self.weight}"

    @property
    def goal(self) -> str:
        """`less bitrate_bps`."""
        return f"{self.figure.better} {self.figure.name}"

    @property
    def unweighted(self) -> Self:
        """The goal alone."""
        return self.model_copy(update={"weight": None})

    @classmethod
    def parse(cls, text: str) -> Self:
        """As `_Written.parse`."""
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
                what=f"{found[1]} of this figure ({figure.meaning}) has no meaning as a wish",
                remedy=f'Write "{figure.better} {figure.name}"; a lower limit can be a need',
            )
        return cls(figure=figure, weight=None if found[3] is None else _weight(text, found[3]))


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


def parse_wishes(texts: Iterable[str]) -> tuple[Wish, ...]:
    """All goals: in order, or all of them with weights; ScenarioError where they are mixed."""
    wishes = tuple(map(Wish.parse, texts))
    _refuse_mixed(wishes)
    return wishes


def _refuse_mixed(wishes: Sequence[Wish]) -> None:
    if len({wish.weight is None for wish in wishes}) > 1:
        bare = next(wish.goal for wish in wishes if wish.weight is None)
        raise ScenarioError(
            where=f'wish "{bare}"',
            what="other wishes have a weight and this one has none",
            remedy="Give every wish a weight, or none of them and set them in order",
        )
    goals = [wish.goal for wish in wishes]
    if repeated := [goal for goal in goals if goals.count(goal) > 1]:
        raise ScenarioError(
            where=f'wish "{repeated[0]}"', what="it stands twice", remedy="Leave one of them out"
        )


STEP_FRACTION: Final = 0.25
"""Of wishes in order: 40 ms, 50, 62.5 and so on. Our own choice: less is hardly worth a disk or an
hour of encoding to anybody, and lies within what clips and days differ by."""

LEAST_STEP: Final = 1e-4
"""Far below what any measurement tells apart; every edge of a step is tried for what would tip."""


class ChooseSettings(Fact):
    """The `[choose]` table, or a file of needs and wishes. Goals stand in order in `wishes`, or
    with weights in `weights`. With an order, figures count in steps of `indifference_fraction`, and
    equal steps leave the next goal to decide. `clips` decide (all where none is named); with
    `allow_missing` an encoding that lacks one is shown beside the others."""

    needs: tuple[Need, ...] = ()
    wishes: tuple[Wish, ...] = ()
    weights: dict[Wish, float] = {}
    indifference_fraction: float = Field(default=STEP_FRACTION, ge=0, lt=1)
    confidence_level: float = Field(default=CONFIDENCE_LEVEL, ge=0.5, le=0.999)
    clips: tuple[str, ...] = ()
    allow_missing: bool = False

    @field_validator("indifference_fraction")
    @classmethod
    def _is_a_step(cls, fraction: float) -> float:
        if 0 < fraction < LEAST_STEP:
            raise ValueError(f"steps are 0, for none, or at least {LEAST_STEP:g}")
        return fraction

    @property
    def goals(self) -> tuple[Wish, ...]:
        """The wishes, with their weights where goals are weighed; empty where none was stated."""
        weighed = (w.model_copy(update={"weight": float(n)}) for w, n in self.weights.items())
        return self.wishes or tuple(weighed)

    @model_validator(mode="after")
    def _goals_are_legal(self) -> Self:
        if self.wishes and self.weights:
            raise ValueError("wishes have either an order or weights: give one of the two")
        for wish, weight in self.weights.items():
            _weight(wish.goal, str(weight))
        _refuse_mixed(self.goals)
        return self


def doubtful_limit(need: Need) -> ScenarioError | None:
    """The error, a question, for a limit without a unit that is orders of magnitude below what its
    figure can be; None for any other need."""
    if need.figure is None or not (likelier := likelier_unit(need.value, need.figure.unit)):
        return None
    return ScenarioError(
        where=f'need "{need.text}"',
        what=f"{need.value} {need.figure.unit} is far below what this figure can be",
        remedy=f'Did you mean "{need.subject} {need.operator} {likelier}"? If not, write the unit',
    )


def unknown_value(need: Need, met: Collection[str] = ()) -> ScenarioError | None:
    """The error for a codec or container that is neither known nor among those `met`, whatever its
    capitals; None for any other need."""
    fact = ENCODING_FACTS.get(need.subject)
    if fact is None or not fact.is_open:
        return None
    legal = tuple(dict.fromkeys((*fact.values, *met)))
    if need.value.lower() in {value.lower() for value in legal}:
        return None
    close = nearest(need.value, legal, count=2)
    hint = f"Nearest: {', '.join(close)}. " if close else ""
    return ScenarioError(
        where=f'need "{need.text}"',
        what=f'"{need.value}" is not a {need.subject} that is known here',
        remedy=f"{hint}Legal: {', '.join(legal)}",
    )
