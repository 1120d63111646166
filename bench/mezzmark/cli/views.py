"""Shows what the commands found: sentences and tables for people."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Final

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from mezzmark.cli.terminal import open_terminal, print_lines, print_table
from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.compare.self_test import SelfTestReport
from mezzmark.decide.compare.verdicts import RegressionReport
from mezzmark.decide.size.result import SizingResult
from mezzmark.model.encoding import Encoding
from mezzmark.model.fact import Fact
from mezzmark.model.inspection import Inspection
from mezzmark.report.prose.choice import basis_text, findings, headline, tipping_sentences
from mezzmark.report.prose.footage import file_advice
from mezzmark.report.prose.machine import machine_advice, self_test_lines
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.regress import (
    context_lines,
    summarise_regression,
    unjudged_lines,
)
from mezzmark.report.prose.size import sizing_sentences
from mezzmark.report.prose.size_notes import sizing_notes
from mezzmark.report.tables.choice import choice_table, doubt_table
from mezzmark.report.tables.facts import advice_table, inspection_table, self_test_table
from mezzmark.report.tables.regression import regression_table
from mezzmark.report.tables.run import catalogue_table
from mezzmark.report.tables.size import sizing_details, sizing_summary
from mezzmark.report.tables.table import fact_table

FAST_REMARK: Final = (
    "rdd36-…-fast: another encoder makes the same format, several times faster, with files of up "
    "to 1.5 times the profile's rate; the name without -fast is the careful, slow one. In other "
    "names -fast stands for quicker settings or a quicker codec."
)


def _bullets(lines: Sequence[str]) -> list[str]:
    return [f"· {line}" for line in lines]


def print_choice(choice: Choice) -> None:
    """The answer, those that may be used, what speaks against the others, what would change it."""
    console = open_terminal()
    print_lines(console, [headline(choice)], style="bold")
    print_lines(console, _bullets(findings(choice)))
    for table in (
        choice_table(choice, table_id="choice", in_play_only=True),
        doubt_table(choice, table_id="doubts"),
    ):
        if table:
            console.print()
            print_table(console, table)
    if changes := tipping_sentences(choice):
        console.print()
        print_lines(console, ["What would change this:"], style="bold")
        print_lines(console, _bullets(changes))
    console.print()
    print_lines(console, [basis_text(choice)], style="dim")


JSON_SCHEMA: Final = 1
"""Version of what `--json` prints; results/README.md describes each form."""


def print_json(found: Fact, sentences: Iterable[str] = ()) -> None:
    """The answer's fields for other programs; its English last, in a field of its own."""
    fields = json.loads(found.model_dump_json())
    shown = {"schema": JSON_SCHEMA, **fields, "sentences": list(sentences)}
    print(json.dumps(shown, indent=2, ensure_ascii=False))


def print_sizing(result: SizingResult, *, with_detail: bool = False) -> None:
    """The answer and its compact table; `with_detail` every figure and assumption as well."""
    console = open_terminal()
    headline, *findings = sizing_sentences(result)
    print_lines(console, [visible_text(headline)], style="bold")
    print_lines(console, [visible_text(" ".join(findings)), ""])
    print_table(console, sizing_summary(result))
    console.print()
    print_lines(console, map(visible_text, _bullets(sizing_notes(result))), style="dim")
    for table in sizing_details(result) if with_detail else ():
        console.print()
        print_table(console, table)


def print_regression(report: RegressionReport) -> None:
    """The overall verdict, what could not be judged by reason, a row for each cell that was, and
    what it rests on."""
    console = open_terminal()
    print_lines(console, [report.verdict.capitalize()], style="bold")
    print_lines(console, [visible_text(summarise_regression(report))])
    print_lines(console, map(visible_text, unjudged_lines(report)), style="dim")
    print_table(console, regression_table(report))
    print_lines(console, map(visible_text, _bullets(context_lines(report))), style="dim")


def print_inspections(inspections: Sequence[Inspection]) -> None:
    """The facts of each file, then what to do about it."""
    console = open_terminal()
    for found in inspections:
        print_table(console, inspection_table(found))
        print_table(console, advice_table(file_advice(found)))
        console.print()


def print_catalogue(found: Mapping[str, tuple[Encoding, str]], *, is_probed: bool) -> None:
    """A row an encoding; if they were tried, how many work and what stands against the others."""
    console = open_terminal()
    print_table(console, catalogue_table(found, is_probed=is_probed))
    console.print()
    print_lines(console, [FAST_REMARK], style="dim")
    refused = [(name, refusal) for name, (_, refusal) in found.items() if refusal]
    if is_probed:
        print_lines(console, [f"{len(found) - len(refused)} of {len(found)} work on this machine."])
        print_table(console, fact_table(refused))
    else:
        print_lines(console, ["`mezzmark encodings --probe` tries each on this machine."])


def print_rig(report: SelfTestReport) -> None:
    """The machine's facts, what to mend, and what change it could find."""
    console = open_terminal()
    print_table(console, self_test_table(report))
    print_table(console, advice_table(machine_advice(report)))
    print_lines(console, self_test_lines(report.findings) if report.findings else [])


@contextmanager
def shown_steps() -> Iterator[Callable[[str, float], None]]:
    """A function that shows a message and the share done, on standard error."""
    console = Console(stderr=True)
    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
    with bar:
        task = bar.add_task("", total=1.0)
        yield lambda message, fraction: bar.update(task, description=message, completed=fraction)
