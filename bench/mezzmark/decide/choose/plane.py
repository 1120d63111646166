"""Where each encoding stands in the plane of two figures that a choice looks at."""

from dataclasses import dataclass
from itertools import combinations

from mezzmark.decide.choose.choice import Choice, JudgedEncoding
from mezzmark.model.estimate import Estimate
from mezzmark.model.figures import FigureName
from mezzmark.model.request import Need, Wish


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoicePoint:
    """An encoding with its estimate in either goal."""

    judged: JudgedEncoding
    x: Estimate
    y: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoicePlane:
    """Two goals and the encodings that have both figures; `missing` names those that lack one.
    `x_limits` and `y_limits` are the limits that needs set to the two figures, in their units."""

    x_goal: FigureName
    y_goal: FigureName
    points: tuple[ChoicePoint, ...]
    missing: tuple[str, ...]
    x_limits: tuple[float, ...]
    y_limits: tuple[float, ...]


def choice_plane(choice: Choice) -> ChoicePlane | None:
    """The first two figures among wishes, then needs, which at least two encodings have both of;
    the first stands upwards. None where there are no two such figures."""
    asked: tuple[Need | Wish, ...] = (*choice.wishes, *choice.needs)
    goals = dict.fromkeys(one.figure for one in asked if one.figure is not None)
    planes = (_plane(choice, x_goal, y_goal) for y_goal, x_goal in combinations(goals, 2))
    return next((plane for plane in planes if len(plane.points) > 1), None)


def _plane(choice: Choice, x_goal: FigureName, y_goal: FigureName) -> ChoicePlane:
    points, missing = [], []
    for entry in choice.encodings:
        x, y = entry.estimate(x_goal), entry.estimate(y_goal)
        if x is None or y is None or min(x.point, y.point) <= 0:
            missing.append(entry.encoding)
        else:
            points.append(ChoicePoint(judged=entry, x=x, y=y))

    def limits(goal: FigureName) -> tuple[float, ...]:
        mine = (need.limit for need in choice.needs if need.figure == goal)
        return tuple(sorted({limit for limit in mine if limit is not None}))

    return ChoicePlane(
        x_goal=x_goal,
        y_goal=y_goal,
        points=tuple(sorted(points, key=lambda p: (p.x.point, p.y.point, p.judged.encoding))),
        missing=tuple(missing),
        x_limits=limits(x_goal),
        y_limits=limits(y_goal),
    )


def pareto_points(plane: ChoicePlane) -> tuple[ChoicePoint, ...]:
    """Of the points that are not ruled out, those that no other one beats or equals in both goals
    and beats in one, by point estimates; in order of x."""
    x_sign, y_sign = (1 if goal.better == "less" else -1 for goal in (plane.x_goal, plane.y_goal))
    in_play = [p for p in plane.points if p.judged.status in ("meets", "open")]
    costs = [(x_sign * p.x.point, y_sign * p.y.point) for p in in_play]

    def is_beaten(x: float, y: float) -> bool:
        return any((x, y) != other and other[0] <= x and other[1] <= y for other in costs)

    return tuple(p for p, cost in zip(in_play, costs, strict=True) if not is_beaten(*cost))
