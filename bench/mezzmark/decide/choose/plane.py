"""A choice in the plane of two figures: where each encoding stands, and whom no other one beats."""

from collections.abc import Sequence
from dataclasses import dataclass

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

    `x_limits` and `y_limits` are the limits that needs set to the two figures, in their units.
    """

    x_goal: FigureName
    y_goal: FigureName
    points: tuple[ChoicePoint, ...]
    missing: tuple[str, ...]
    x_limits: tuple[float, ...]
    y_limits: tuple[float, ...]


def choice_plane(choice: Choice) -> ChoicePlane | None:
    """The first two figures among wishes, then needs, which at least two encodings have both of;
    the first stands upwards. None where there are no two such figures."""
    goals = _goals(choice)
    for place, y_goal in enumerate(goals):
        for x_goal in goals[place + 1 :]:
            plane = _plane(choice, x_goal, y_goal)
            if len(plane.points) > 1:
                return plane
    return None


def _goals(choice: Choice) -> list[FigureName]:
    asked: tuple[Need | Wish, ...] = (*choice.wishes, *choice.needs)
    return list(dict.fromkeys(one.figure for one in asked if one.figure is not None))


def _plane(choice: Choice, x_goal: FigureName, y_goal: FigureName) -> ChoicePlane:
    points, missing = [], []
    for entry in choice.encodings:
        x, y = figure_of_entry(entry, x_goal), figure_of_entry(entry, y_goal)
        if x is None or y is None or min(x.point, y.point) <= 0:
            missing.append(entry.encoding)
        else:
            points.append(ChoicePoint(judged=entry, x=x, y=y))
    return ChoicePlane(
        x_goal=x_goal,
        y_goal=y_goal,
        points=tuple(sorted(points, key=lambda p: (p.x.point, p.y.point, p.judged.encoding))),
        missing=tuple(missing),
        x_limits=_limits(choice.needs, x_goal),
        y_limits=_limits(choice.needs, y_goal),
    )


def figure_of_entry(entry: JudgedEncoding, goal: FigureName) -> Estimate | None:
    """An encoding's estimate of a figure that is wished for or needed."""
    if goal.name in entry.figures:
        return entry.figures[goal.name]
    for result in entry.needs:
        if result.need.figure == goal and result.value is not None:
            return result.value
    return None


def _limits(needs: Sequence[Need], goal: FigureName) -> tuple[float, ...]:
    return tuple(sorted({n.limit for n in needs if n.figure == goal and n.limit is not None}))


def pareto_points(plane: ChoicePlane) -> tuple[ChoicePoint, ...]:
    """Of the points that are not ruled out, those that no other one beats or equals in both goals
    and beats in one, by point estimates; in order of x."""
    signs = tuple(1 if goal.better == "less" else -1 for goal in (plane.x_goal, plane.y_goal))
    in_play = [p for p in plane.points if p.judged.status in ("meets", "open")]
    costs = {id(p): (signs[0] * p.x.point, signs[1] * p.y.point) for p in in_play}

    def is_beaten(point: ChoicePoint) -> bool:
        mine = costs[id(point)]
        return any(
            other != mine and other[0] <= mine[0] and other[1] <= mine[1]
            for other in costs.values()
        )

    return tuple(point for point in in_play if not is_beaten(point))
