"""Shows a run as it happens: what runs now, rounds done, time left.

On a terminal a live bar on standard error; elsewhere (a log, a pipe) a line for each step and one
every half minute in between, so that standard output carries nothing but the result.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from mezzmark.host.common import read_clock_ns
from mezzmark.report.prose.footage import FEWER_ROUNDS
from mezzmark.report.prose.numbers import count_text, duration_text, visible_text
from mezzmark.runner import events

LINE_INTERVAL_NS = 30 * 10**9  # of lines that only say how far it is, no two come nearer than this


@contextmanager
def shown_progress(console: Console | None = None) -> Iterator[Callable[[events.Event], None]]:
    """A function that shows the run's events on standard error, or the console given."""
    console = console or Console(stderr=True)
    if not console.is_terminal:
        yield LineView(console).show
        return
    # Names may hold square brackets: no column takes them for markup.
    with Progress(
        TextColumn("{task.description}", style="bold", markup=False),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[place]}", markup=False),
        TimeElapsedColumn(),
        TextColumn("{task.fields[now]}", style="dim", markup=False),
        console=console,
        transient=True,
    ) as bar:
        yield _BarView(bar).show


@contextmanager
def shown_hosts() -> Iterator[Callable[[str, events.Event], None]]:
    """As `shown_progress`, of several hosts: a line that begins with the host's name."""
    console = Console(stderr=True)
    views: dict[str, LineView] = {}

    def show(host: str, event: events.Event) -> None:
        if host not in views:
            views[host] = LineView(console, prefix=f"{host}: " if host else "")
        views[host].show(event)

    yield show


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


class _BarView:
    """A live bar: stage, share done, round and time left, and what runs now."""

    def __init__(self, bar: Progress) -> None:
        self._bar = bar
        self._task = bar.add_task("Footage", total=None, place="", now="starting")
        self._round = ""

    def show(self, event: events.Event) -> None:
        if remark := remark_text(event):
            style = "" if isinstance(event, events.Stopped | events.RoundsForecast) else "yellow"
            self._bar.console.print(visible_text(remark), style=style, markup=False)
        match event:
            case events.Preparing(message=message, done=done, total=total, begun=begun):
                place = f"{done}/{total}"
                self._update(done + begun, total=total, place=place, now=visible_text(message))
            case events.Prepared(done=done, total=total):
                self._update(done, description="Measure", total=total, place="", now="")
            case events.RoundStarted():
                self._round = _round_text(event)
            case events.TrialStarted(cell=cell, done=done, total=total, eta_s=eta_s):
                place = ", ".join(filter(None, (self._round, shown_time_left(eta_s))))
                self._update(done, total=total, place=place, now=visible_text(cell.cell_id))
            case events.TrialFinished(done=done):
                self._update(done)
            case _:
                pass

    def _update(self, completed: float, **fields: Any) -> None:
        self._bar.update(self._task, completed=completed, **fields)


class LineView:
    """A line for each stage, round, warning and failure, and in between one every half minute."""

    def __init__(
        self, console: Console, *, clock_ns: Callable[[], int] = read_clock_ns, prefix: str = ""
    ) -> None:
        self._console, self._prefix = console, prefix
        self._clock_ns = clock_ns
        self._last_line_ns = clock_ns()
        self._messages: set[str] = set()
        self._round: events.RoundStarted | None = None
        self._done_in_round = 0

    def show(self, event: events.Event) -> None:
        if remark := remark_text(event):
            self._say(remark)
        match event:
            case events.Preparing():
                self._show_preparing(event)
            case events.Prepared(done=done, total=total):
                resumed = f", {done} of them done before" if done else ""
                self._say(f"measuring: at most {count_text(total, 'trial')}{resumed}")
            case events.RoundStarted():
                self._round, self._done_in_round = event, 0
            case events.TrialStarted():
                self._show_place(event)
            case events.TrialFinished():
                self._done_in_round += 1
            case events.RoundFinished() if self._round:
                self._say(f"{_round_text(self._round)} done")
            case _:
                pass

    def _show_preparing(self, event: events.Preparing) -> None:
        is_new = event.message not in self._messages
        if is_new or self._is_time():
            self._messages.add(event.message)
            share = "" if is_new else f", {100 * event.done_fraction:.0f} %"
            self._say(f"footage {event.done}/{event.total}: {event.message}{share}")

    def _show_place(self, event: events.TrialStarted) -> None:
        if self._round is None or not self._is_time():
            return
        place = f"{self._done_in_round} of {count_text(self._round.trial_count, 'trial')}"
        left = shown_time_left(event.eta_s)
        if event.minimum_eta_s:
            left = f"{shown_time_left(event.minimum_eta_s)} of the minimum"
        elif left:
            left += " at most"
        self._say(", ".join(part for part in (_round_text(self._round), place, left) if part))

    def _is_time(self) -> bool:
        return self._clock_ns() - self._last_line_ns >= LINE_INTERVAL_NS

    def _say(self, line: str) -> None:
        self._last_line_ns = self._clock_ns()
        line = visible_text(f"{self._prefix}{line}")
        self._console.print(line, markup=False, highlight=False, soft_wrap=True)


def remark_text(event: events.Event) -> str:
    """What is told of an event wherever it is shown; empty where it only moves things on."""
    match event:
        case events.Noted(message=message):
            return f"note: {message}"
        case events.LeftOut(reason=reason):
            return f"left out: {reason}"
        case events.CellGivenUp(cell=cell, reason=reason, root=root):
            what = f"every {cell.task} cell on the root {root}" if root else cell.cell_id
            return f"left out from now on: {what} ({reason})"
        case events.TrialFinished(trial=trial) if not trial.is_counted and not trial.is_refused:
            return f"{trial.fate}: {trial.cell.cell_id}: {trial.reason or 'it enters no figure'}"
        case events.RoundsForecast():
            return forecast_text(event)
        case events.Stopped(reason=reason):
            return f"stopped: {reason}"
        case _:
            return ""


def _round_text(started: events.RoundStarted) -> str:
    """`round 1 of 4 to 12`."""
    least, most = started.minimum_rounds, started.round_count
    return f"round {started.round_index + 1} of {most if least == most else f'{least} to {most}'}"


def forecast_text(found: events.RoundsForecast) -> str:
    """`a round takes 80 s: at least 4 rounds, about 5.3 min; at most 12, about 16 min`."""
    budget_s = found.time_budget_s
    budget = f"the time budget of {budget_s:g} s" if budget_s is not None else ""
    more = " or more" * found.is_early  # the first trials, pilot trials among them, are short
    least = f"{count_text(found.minimum_rounds, 'round')}, about {duration_text(found.minimum_s)}"
    if found.minimum_rounds < found.most_rounds:
        most = f"at most {found.most_rounds}, about {duration_text(found.most_s)}"
        text = f"at least {least}; {most}{budget and f', by {budget}'}"
    elif budget_s is not None and found.minimum_s > budget_s:
        many = "but so many are measured whatever the budget"
        text = f"{least}{more} in all; that is over {budget}, {many}{_fewer_rounds(found)}"
    else:
        text = f"{least} in all{budget and f'; {budget} has no room for more'}"
    return f"a round takes {duration_text(found.round_s)}{more}: {text}"


def _fewer_rounds(found: events.RoundsForecast) -> str:
    """How to have fewer than the minimum, what they take, and what is lost by it."""
    if (fewer := found.affordable_rounds) >= found.minimum_rounds:
        return ""
    fewer_s = found.minimum_s - (found.minimum_rounds - fewer) * found.round_s
    return (
        f". --rounds {fewer} lowers that, to about {duration_text(fewer_s)}: stop with Ctrl-C and "
        "give the command again with --resume, this --out and --rounds; no finished trial is lost. "
        f"{FEWER_ROUNDS}"
    )


def shown_time_left(eta_s: float | None) -> str:
    """`about 3 min left`, or nothing while unknown."""
    return "" if eta_s is None else f"about {duration_text(max(1.0, eta_s))} left"
