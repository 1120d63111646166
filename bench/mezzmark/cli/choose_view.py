"""Shows the choice on a terminal: the answer, what was ruled out, what stands behind it."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from mezzmark.cli.terminal_table import print_fitted
from mezzmark.decide.choose.choice import Choice, JudgedEncoding
from mezzmark.model.request import parse_wish
from mezzmark.report.prose.choice import (
    chance_text,
    findings,
    flip_sentences,
    goal_text,
    headline,
    open_text,
    rounds_text,
    ruled_out_text,
)
from mezzmark.report.prose.numbers import estimate_text, shown_name, visible_text

_ORDER = ("meets", "open", "not judged", "ruled out")


def print_choice(choice: Choice, *, as_json: bool) -> None:
    """The choice as text for people, or as JSON."""
    if as_json:
        print(choice.model_dump_json(indent=2))
        return
    console = Console()
    console.print(Text(headline(choice), style="bold"))
    for line in findings(choice):
        console.print(Text(f"· {line}"))
    in_play = [e for e in choice.encodings if e.status in ("meets", "open")]
    if in_play:
        console.print()
        _print_standing(console, choice, in_play)
    _print_lists(console, choice)
    if flips := flip_sentences(choice):
        console.print(Text("\nWhat would change this:", style="bold"))
        for line in flips:
            console.print(Text(f"· {line}"))
    console.print(Text(f"\n{_basis(choice)}", style="dim"))


def _print_standing(console: Console, choice: Choice, entries: Sequence[JudgedEncoding]) -> None:
    """One row an encoding that may be used: chances, front, and the wishes' figures."""
    labels = [parse_wish(wish).figure.label for wish in choice.wishes]
    headings = ["encoding", "best", *(["meets all"] if choice.needs else []), "front", *labels]
    ordered = sorted(entries, key=lambda e: (-(e.chance_best or 0), e.encoding))
    rows = []
    for entry in ordered:
        cells = [shown_name(entry.encoding), chance_text(entry.chance_best)]
        if choice.needs:
            cells.append(chance_text(entry.chance_all))
        cells.append(entry.front or "not known")
        for wish in choice.wishes:
            name = parse_wish(wish).figure.name
            estimate = entry.figures.get(name)
            cells.append(estimate_text(estimate) if estimate else entry.settings.get(name, "—"))
        rows.append(cells)
    leading = [place for place, e in enumerate(ordered) if e.encoding == choice.leader]
    print_fitted(console, headings, rows, bold_rows=leading)


def _print_lists(console: Console, choice: Choice) -> None:
    """Whom a need rules out, whom nothing judged, and whose needs are open."""
    for entry in sorted(choice.encodings, key=lambda e: (_ORDER.index(e.status), e.encoding)):
        name = shown_name(entry.encoding)
        if entry.status == "ruled out":
            console.print(Text(f"✗ {name}: {ruled_out_text(entry)}"))
        elif entry.status == "not judged":
            console.print(Text(f"? {name}: {visible_text('; '.join(entry.reasons))}"))
        elif entry.status == "open" and (unsure := open_text(choice, entry)):
            console.print(Text(f"~ {name}: {unsure}"))


def _basis(choice: Choice) -> str:
    front = ", ".join(goal_text(wish) for wish in choice.wishes)
    units = rounds_text(choice)
    chances = f"Chances from {choice.draw_count} draws over {units}. " if choice.unit_count else ""
    return (
        f"{chances}An encoding is off the front when another one equals or beats it in everything "
        f"wished for ({front}). Ruled out: surely beyond a need at level "
        f"{choice.confidence_level * 100:g} %. There is no overall score."
    )
