"""Shows what the commands found: sentences and tables for people, in at most 100 columns, and JSON
for programs. Long because all that is printed is printed here.

A cell is shown whole. Where that is too wide, intervals go below their figures; where that is too
wide as well, every row becomes a small block of `heading  value` lines.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal

from rich.cells import cell_len
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from mezzmark.model.making import making_of
from mezzmark.report.prose import choice as choice_words
from mezzmark.report.prose import fleet as fleet_words
from mezzmark.report.prose import making as making_words
from mezzmark.report.prose import regress as regress_words
from mezzmark.report.prose.footage import file_advice
from mezzmark.report.prose.machine import machine_advice, self_test_lines
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.size import makespan_notes, sizing_notes, sizing_sentences
from mezzmark.report.tables import facts, regression
from mezzmark.report.tables import size as sizes
from mezzmark.report.tables.choice import choice_table, doubt_table
from mezzmark.report.tables.run import catalogue_table
from mezzmark.report.tables.table import DASH, Column, Entry, Table, fact_table

if TYPE_CHECKING:
    from pathlib import Path

    from mezzmark import api
    from mezzmark.model.fact import Fact

FAST_REMARK: Final = (
    "rdd36-…-fast: another encoder makes the same format, several times faster, with files of up "
    "to 1.5 times the profile's rate; the name without -fast is the careful, slow one. In other "
    "names -fast stands for quicker settings or a quicker codec."
)
RATE_REMARK: Final = (
    "Rate: typical, of a synthetic clip, 1920×1080 at 25 pictures a second, with detail and sensor "
    "noise. Codecs that hold a quality and not a rate follow the footage."
)

JSON_SCHEMA: Final = 1  # version of what `--json` prints; results/README.md describes each form


def print_json(found: Fact, sentences: Iterable[str] = ()) -> None:
    """The answer's fields for other programs; its English last, in a field of its own."""
    fields = json.loads(found.model_dump_json())
    shown = {"schema": JSON_SCHEMA, **fields, "sentences": list(sentences)}
    print(json.dumps(shown, indent=2, ensure_ascii=False))


def _bullets(lines: Iterable[str]) -> list[str]:
    return [f"· {line}" for line in lines]


def print_choice(choice: api.Choice, *, as_json: bool = False) -> None:
    """The answer, those that may be used, what speaks against the others, what would change it."""
    if as_json:
        print_json(choice, choice_words.choice_sentences(choice))
        return
    console = open_terminal()
    show(console, choice_words.headline(choice), style="bold")
    show(console, *_bullets(choice_words.findings(choice)))
    usable = choice_table(choice, table_id="choice", in_play_only=True)
    for table in filter(None, (usable, doubt_table(choice, table_id="doubts"))):
        show(console, "", table)
    if changes := choice_words.tipping_sentences(choice):
        show(console, "", "What would change this:", style="bold")
        show(console, *_bullets(changes))
    if choice.making:
        show(console, "", "Make these files:", style="bold")
        print(making_words.plain_command(choice.making))  # whole, to be copied
        show(console, *_bullets(making_words.command_notes(choice.making)))
    show(console, "", choice_words.basis_text(choice), style="dim")


def print_sizing(
    result: api.SizingResult, *, with_detail: bool = False, as_json: bool = False
) -> None:
    """The answer and its compact table; `with_detail` every figure and assumption as well."""
    sentences = sizing_sentences(result)
    if as_json:
        print_json(result, sentences)
        return
    console = open_terminal()
    show(console, sentences[0], style="bold")
    show(console, " ".join(sentences[1:]), "", sizes.sizing_summary(result), "")
    show(console, *_bullets(sizing_notes(result)), style="dim")
    for table in sizes.sizing_details(result) if with_detail else ():
        show(console, "", table)


def print_regression(report: api.RegressionReport, output_format: str = "table") -> None:
    """Verdict, what was not judged, a row a cell, its basis; or `json`, `junit`, `markdown`."""
    if output_format == "json":
        print_json(report, regress_words.regression_sentences(report))
    elif output_format != "table":
        make = {"junit": regression.as_junit, "markdown": regression.as_markdown}[output_format]
        print(make(report), end="")
    else:
        console = open_terminal()
        show(console, report.verdict.capitalize(), style="bold")
        show(console, regress_words.summarise_regression(report))
        show(console, *regress_words.unjudged_lines(report), style="dim")
        show(console, regression.regression_table(report))
        show(console, *_bullets(regress_words.context_lines(report)), style="dim")


def print_inspections(inspections: Sequence[api.Inspection], *, as_json: bool = False) -> None:
    """The facts of each file, then what to do about it."""
    if as_json:
        print(json.dumps([found.model_dump(mode="json") for found in inspections], indent=2))
        return
    console = open_terminal()
    for found in inspections:
        show(console, facts.inspection_table(found), facts.advice_table(file_advice(found)), "")


def print_catalogue(found: Mapping[str, tuple[api.Encoding, str]], *, is_probed: bool) -> None:
    """A row an encoding; if they were tried, how many work and what stands against the others."""
    console = open_terminal()
    show(console, catalogue_table(found, is_probed=is_probed), "")
    show(console, RATE_REMARK, FAST_REMARK, style="dim")
    refused = [(name, refusal) for name, (_, refusal) in found.items() if refusal]
    if is_probed:
        works = f"{len(found) - len(refused)} of {len(found)} work on this machine."
        show(console, works, fact_table(refused))
    else:
        show(console, "`mezzmark encodings --probe` tries each on this machine.")


def print_commands(encodings: Iterable[api.Encoding], source: str, target: str) -> None:
    """What makes each encoding's files, one script after the other, in lines to be copied."""
    for encoding in encodings:
        if (making := making_of(encoding)) is None:
            show(open_terminal(), making_words.unmade_text(encoding))
            continue
        show(open_terminal(), making_words.making_headline(making), style="bold")
        show(open_terminal(), *_bullets(making_words.making_sentences(making)))
        for title, script in making_words.scripts_of(making, source, target).items():
            show(open_terminal(), "", title, style="bold")
            print(script, end="")


def print_rig(report: api.SelfTestReport, *, as_json: bool = False) -> None:
    """The machine's facts, what to mend, and what change it could find."""
    sentences = self_test_lines(report.findings) if report.findings else []
    if as_json:
        print_json(report, sentences)
        return
    advice = facts.advice_table(machine_advice(report))
    show(open_terminal(), facts.self_test_table(report), advice, *sentences)
    show(open_terminal(), facts.hardware_table(report))


def print_fleet(found: Mapping[str, tuple[api.HostSummary | None, str]]) -> None:
    """A row a machine."""
    show(open_terminal(), facts.fleet_table(found) if found else "No worker is there.")


def print_fleet_check(check: api.FleetCheck, out: Path, output_format: str = "table") -> None:
    """Who got slower, a row a host, and what it rests on; or as `print_regression`."""
    if output_format == "json":
        print_json(check, fleet_words.fleet_sentences(check))
    elif output_format != "table":
        make = {"junit": regression.fleet_junit, "markdown": regression.fleet_markdown}
        print(make[output_format](check), end="")
    else:
        console = open_terminal()
        show(console, f"{fleet_words.fleet_headline(check)}.", style="bold")
        show(console, regression.fleet_hosts_table(check))
        show(console, *_bullets(fleet_words.context_lines(check)), style="dim")
        print(f"\nPage: {visible_text(str(out / fleet_words.PAGE_NAME))}")  # whole, to be copied


def print_makespans(found: Sequence[api.FleetMakespan]) -> None:
    """A folder over several machines: measured and predicted, and with one machine more."""
    show(open_terminal(), *(part for t in sizes.makespan_tables(found) for part in (t, "")))
    show(open_terminal(), *_bullets(makespan_notes(found)), style="dim")


MOST_COLUMNS: Final = 100
_GAP: Final = 2  # empty characters between columns

_LEAST_LONG: Final = 28
"""Characters that a text of several lines needs to stand beside the other columns."""

_INDENT: Final = 4
_STYLES: Final = {"leader": "bold", "wrong": "yellow"}

_Columns = Sequence[Column[Any]]


def open_terminal() -> Console:
    """Standard output; wider windows are left empty on the right, where lines are hard to read."""
    console = Console(highlight=False)
    console.width = min(console.width, MOST_COLUMNS)
    return console


def show(console: Console, *parts: str | Table, style: str = "") -> None:
    """Sentences, in `style` and never markup, and tables below one another."""
    for part in parts:
        if isinstance(part, Table):
            print_table(console, part)
        else:
            console.print(Text(visible_text(part), style=style))


def print_table(console: Console, table: Table) -> None:
    """A table under its title and note; nothing where it has no rows."""
    if not table:
        return
    show(console, *filter(None, [table.title]), style="bold")
    show(console, *filter(None, [table.note]), style="dim")
    for is_folded in (False, True):
        rows = [[_text(entry, row, is_folded=is_folded) for entry in row] for row in table.rows]
        if widths := _column_widths(table.columns, rows, console.width):
            _print_rows(console, table.columns, rows, widths)
            return
    _print_blocks(console, table)


def _text(entry: Entry, row: Sequence[Entry], *, is_folded: bool = False) -> Text:
    style = _STYLES.get(entry.sign) or ("bold" if row[0].sign == "leader" else "")
    text = f"{entry.point}\n{entry.interval}".rstrip() if is_folded else entry.text
    return Text(text, style=style, overflow="fold")


def _width(text: str) -> int:
    return max(map(cell_len, text.split("\n")))


def _column_widths(columns: _Columns, rows: Sequence[Sequence[Text]], most: int) -> list[int]:
    """Whole cells, and headings broken between words at most; 0 for a long text that goes below its
    row; none where that is too wide."""
    widest = [max(_width(text.plain) for text in texts) for texts in zip(*rows, strict=True)]
    widths = [
        0 if column.is_long else max(width, *map(cell_len, ("", *column.head.split())))
        for column, width in zip(columns, widest, strict=True)
    ]
    left = most - sum(widths) - _GAP * (len(widths) - 1)
    if left < 0:
        return []
    for place, column in enumerate(columns):
        wanted = max(widest[place], *map(cell_len, ("", *column.head.split())))
        if column.is_long and left >= min(wanted, _LEAST_LONG):
            widths[place] = min(wanted, left)
            left -= widths[place]
    for place, column in enumerate(columns):
        if widths[place]:
            wider = min(left, max(0, cell_len(column.head) - widths[place]))
            widths[place] += wider
            left -= wider
    return widths


def _print_rows(
    console: Console, columns: _Columns, rows: Sequence[Sequence[Text]], widths: Sequence[int]
) -> None:
    if any(column.head for column in columns):
        heads = [Text(column.head, style="bold") for column in columns]
        console.print(_line(columns, heads, widths, vertical="bottom"))
    for row in rows:
        console.print(_line(columns, row, widths))
        for text, width in zip(row, widths, strict=True):
            if not width and text.plain != DASH:
                console.print(Padding(Text(text.plain, style="dim"), (0, 0, 0, _INDENT)))


def _line(
    columns: _Columns,
    texts: Sequence[Text],
    widths: Sequence[int],
    *,
    vertical: Literal["top", "bottom"] = "top",
) -> Grid:
    grid = Grid.grid(padding=(0, _GAP, 0, 0))
    for column, width in zip(columns, widths, strict=True):
        if width:
            grid.add_column(width=width, justify=column.align, overflow="fold", vertical=vertical)
    grid.add_row(*(text for text, width in zip(texts, widths, strict=True) if width))
    return grid


def _print_blocks(console: Console, table: Table) -> None:
    """One block a row; what is not known is left out."""
    room = console.width - _INDENT - _GAP
    columns = table.columns[1:]
    figures = [
        row[place] for row in table.rows for place, c in enumerate(columns, 1) if not c.is_long
    ]
    widest = max((_width(entry.text) for entry in figures), default=0)
    longest_head = max((_width(column.head) for column in columns), default=0)
    head_width = min(longest_head, max(room - widest, room // 4))
    for row in table.rows:
        console.print(_text(row[0], row))
        grid = Grid.grid(padding=(0, _GAP, 0, 0))
        grid.add_column(width=_INDENT - _GAP)
        grid.add_column(style="dim", width=head_width, overflow="fold")
        grid.add_column(width=room - head_width, overflow="fold")
        for column, entry in zip(columns, row[1:], strict=True):
            if entry.text != DASH:
                grid.add_row("", Text(column.head), _text(entry, row))
        console.print(grid)
