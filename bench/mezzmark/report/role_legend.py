"""What the colours of encodings mean, for legends and captions."""

from collections.abc import Collection

from matplotlib.lines import Line2D

from mezzmark.decide.ranking import Ranking
from mezzmark.report.look import MARKS, Role, colour
from mezzmark.report.view import RunView


def role_handles(roles: Collection[Role], view: RunView) -> list[Line2D]:
    """Legend entries for the leading encodings and the original, as far as they are drawn."""
    labels: tuple[tuple[Role, str], ...] = (("lead", view.lead_words), ("original", "original"))
    return [
        Line2D(
            [],
            [],
            linestyle="none",
            marker=MARKS[role],
            markersize=6.5,
            color=colour(role),
            label=label,
        )
        for role, label in labels
        if role in roles
    ]


def role_words(
    view: RunView,
    ranking: Ranking,
    *,
    blue: str = "Blue and filled",
    orange: str = "Orange diamond",
) -> str:
    """The sentences of a caption that say what the colours mean; only of those that are drawn."""
    roles = {view.role(entry.encoding, ranking) for entry in ranking.entries}
    texts = []
    if "lead" in roles:
        meaning = "those that may be the fastest" if view.choice is None else "the chosen encoding"
        texts.append(f"{blue}: {meaning}.")
    elif view.choice is not None and view.choice.recommendation is None:
        texts.append("Nothing is blue, since no encoding was chosen.")
    if "original" in roles:
        texts.append(f"{orange}: the original.")
    return " ".join(texts)
