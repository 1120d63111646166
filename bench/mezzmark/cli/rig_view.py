"""Shows a machine: facts, warnings, and what change it could find."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from mezzmark.decide.compare.self_test import SelfTestFindings, SelfTestReport
from mezzmark.report.prose.machine import machine_advice


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


def print_rig(report: SelfTestReport, *, as_json: bool) -> None:
    """The report as text for people, or as JSON."""
    if as_json:
        print(report.model_dump_json(indent=2))
        return
    console = Console()
    console.print(_facts(report))
    for advice in machine_advice(report):
        console.print(Text(f"! {advice.what} {advice.remedy}", style="yellow"))
    if report.findings:
        for line in finding_lines(report.findings):
            console.print(Text(line))


def _facts(report: SelfTestReport) -> Table:
    host = report.host
    table = Table(show_header=False, box=None, padding=(0, 2, 0, 0))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    rows = [
        ("processor", host.cpu_model or "not told"),
        ("cores", f"{host.usable_core_count} usable of {host.logical_core_count}"),
        ("memory", f"{host.memory_bytes / 1e9:.1f} GB"),
        ("governor", host.governor or "not told"),
        ("system", f"{host.operating_system}, Python {host.python}"),
        ("storage", f"{host.file_system or 'file system not told'}"),
        (
            "clock",
            f"step {report.clock.resolution_ns:.0f} ns, a reading {report.clock.reading_ns:.0f} ns",
        ),
    ]
    rows += [(name, version) for name, version in host.library_versions.items()]
    for name, value in rows:
        table.add_row(name, Text(value))
    return table


def finding_lines(found: SelfTestFindings) -> list[str]:
    """What the comparisons came to, in sentences."""
    share = found.false_alarm_share
    lines = [
        f"Identical players compared {found.comparison_count} times, {found.round_count} rounds "
        f"each: {found.false_alarm_count} false alarms "
        f"({share.point:.0%}, {share.confidence_level:.0%} interval {share.low:.1%} to "
        f"{share.high:.1%}).",
        "Two identical trials of a round differ by "
        f"{found.round_sd_fraction:.1%} (standard deviation of the ratio).",
    ]
    for planted in found.planted:
        seen = planted.found_share
        lines.append(
            f"A slowdown of {planted.slowdown_fraction:.0%} was found in {planted.found_count} of "
            f"{planted.comparison_count} ({seen.low:.0%} to {seen.high:.0%}); theory predicts "
            f"{planted.predicted_share:.0%}."
        )
    limits = ", ".join(
        f"{limit.slowdown_fraction:.1%} with {limit.round_count}" for limit in found.detectable
    )
    lines.append(f"Smallest slowdown found nine times in ten, by rounds: {limits}.")
    return lines
