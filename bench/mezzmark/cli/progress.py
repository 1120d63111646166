"""Shows a run as it happens: what runs now, rounds done, time left.

On a terminal a live bar on standard error; elsewhere (a log, a pipe) one line a round, so that
standard output carries nothing but the result.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from mezzmark.decide.wording import visible_text
from mezzmark.facts.records import Trial
from mezzmark.runner.events import (
    CellGivenUp,
    Event,
    Prepared,
    Preparing,
    RoundFinished,
    RoundStarted,
    Stopped,
    TrialFinished,
    TrialStarted,
)


@contextmanager
def shown_progress() -> Iterator[Callable[[Event], None]]:
    """A function that takes the run's events and shows them until the block ends."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield _LineView(console).show
        return
    bar = _bar_on(console)
    with bar:
        yield _BarView(bar).show


def _bar_on(console: Console) -> Progress:
    # Names may hold square brackets: no column takes them for markup.
    return Progress(
        TextColumn("{task.fields[stage]}", style="bold", markup=False),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[place]}", markup=False),
        TextColumn("{task.fields[left]}", style="cyan", markup=False),
        TimeElapsedColumn(),
        TextColumn("{task.fields[now]}", style="dim", markup=False),
        console=console,
        transient=True,
    )


class _BarView:
    """A live bar: stage, share done, round, time left, and what runs now."""

    def __init__(self, bar: Progress) -> None:
        self._bar = bar
        self._task: TaskID = bar.add_task(
            "", total=None, stage="Footage", place="", left="", now="starting"
        )
        self._round = ""

    def show(self, event: Event) -> None:
        match event:
            case Preparing(message=message, done=done, total=total, done_fraction=fraction):
                self._update(
                    completed=done + fraction,
                    total=total,
                    place=f"{done}/{total}",
                    now=visible_text(message),
                )
            case Prepared(done=done, total=total):
                self._update(stage="Measure", completed=done, total=total, place="", now="")
            case RoundStarted(round_index=index, round_count=count):
                self._round = f"round {index + 1} of at most {count}"
            case TrialStarted(cell=cell, done=done, total=total, eta_s=eta_s):
                self._update(
                    completed=done,
                    total=total,
                    place=self._round,
                    left=shown_time_left(eta_s),
                    now=visible_text(cell.cell_id),
                )
            case TrialFinished(trial=trial, done=done):
                self._update(completed=done)
                if trial.outcome != "finished":
                    self._print(_failure_line(trial), style="yellow")
            case CellGivenUp(cell=cell, reason=reason):
                self._print(f"left out from now on: {cell.cell_id} ({reason})", style="yellow")
            case Stopped(reason=reason):
                self._print(f"Stopped: {reason}")
            case _:
                pass

    def _print(self, line: str, *, style: str = "") -> None:
        self._bar.console.print(visible_text(line), style=style, markup=False)

    def _update(self, **fields: object) -> None:
        self._bar.update(self._task, **fields)  # type: ignore[arg-type]


class _LineView:
    """One line for each stage, round and failure."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._last_message = ""

    def show(self, event: Event) -> None:
        match event:
            case Preparing(message=message, done=done, total=total):
                if message != self._last_message:
                    self._last_message = message
                    self._say(f"footage {done}/{total}: {message}")
            case Prepared(done=done, total=total):
                resumed = f", {done} of them done before" if done else ""
                self._say(f"measuring: at most {total} trials{resumed}")
            case RoundFinished(round_index=index, round_count=count):
                self._say(f"round {index + 1} of at most {count} done")
            case TrialFinished(trial=trial) if trial.outcome != "finished":
                self._say(_failure_line(trial))
            case CellGivenUp(cell=cell, reason=reason):
                self._say(f"left out from now on: {cell.cell_id} ({reason})")
            case Stopped(reason=reason):
                self._say(f"stopped: {reason}")
            case _:
                pass

    def _say(self, line: str) -> None:
        self._console.print(visible_text(line), markup=False, highlight=False, soft_wrap=True)


def shown_time_left(eta_s: float | None) -> str:
    """`about 3 min left`, or nothing while unknown."""
    if eta_s is None:
        return ""
    if eta_s < 90:
        return f"about {max(1, round(eta_s))} s left"
    return f"about {round(eta_s / 60)} min left"


def _failure_line(trial: Trial) -> str:
    return f"{trial.outcome.replace('_', ' ')}: {trial.cell.cell_id}: {trial.reason}"
