"""Shows the choice on a terminal: the answer, what was ruled out, what stands behind it."""

import json
from collections.abc import Sequence
from typing import Final

from rich.console import Console
from rich.text import Text

from mezzmark.cli.terminal_table import print_fitted
from mezzmark.decide.choose.choice import Choice, JudgedEncoding
from mezzmark.report.prose.choice import (
    against_text,
    basis_text,
    chance_text,
    choice_sentences,
    findings,
    headline,
    tipping_sentences,
)
from mezzmark.report.prose.numbers import estimate_text, shown_name

JSON_SCHEMA: Final = 1
"""Version of what `--json` prints; results/README.md describes it."""

_MARKS: Final = {"meets": "✓", "open": "~", "not judged": "?", "ruled out": "✗"}


def print_choice(choice: Choice, *, as_json: bool) -> None:
    """The choice as text for people, or as JSON."""
    if as_json:
        facts = json.loads(choice.model_dump_json())
        shown = {"schema": JSON_SCHEMA, **facts, "sentences": choice_sentences(choice)}
        print(json.dumps(shown, indent=2, ensure_ascii=False))
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
    if points := tipping_sentences(choice):
        console.print(Text("\nWhat would change this:", style="bold"))
        for line in points:
            console.print(Text(f"· {line}"))
    console.print(Text(f"\n{basis_text(choice)}", style="dim"))


def _print_standing(console: Console, choice: Choice, entries: Sequence[JudgedEncoding]) -> None:
    """One row an encoding that may be used: chances, front, and the wishes' figures."""
    labels = [wish.figure.label for wish in choice.wishes]
    headings = ["encoding", "best", *(["meets all"] if choice.needs else []), "front", *labels]
    ordered = sorted(entries, key=lambda e: (-(e.chance_best or 0), e.encoding))
    rows = []
    for entry in ordered:
        cells = [shown_name(entry.encoding), chance_text(entry.chance_best)]
        if choice.needs:
            cells.append(chance_text(entry.chance_all))
        cells.append(entry.front or "not known")
        for wish in choice.wishes:
            name = wish.figure.name
            estimate = entry.figures.get(name)
            cells.append(estimate_text(estimate) if estimate else entry.no_numbers.get(name, "—"))
        rows.append(cells)
    leading = [place for place, e in enumerate(ordered) if e.encoding == choice.leader]
    print_fitted(console, headings, rows, bold_rows=leading)


def _print_lists(console: Console, choice: Choice) -> None:
    """Whom a need rules out, whom nothing judged, and whose needs are open."""
    for entry in sorted(choice.encodings, key=lambda e: (list(_MARKS).index(e.status), e.encoding)):
        name = shown_name(entry.encoding)
        if why := against_text(choice, entry):
            console.print(Text(f"{_MARKS[entry.status]} {name}: {why}"))
