"""What a log is told while a run goes on: each step, and how far it is, not too often."""

import io

import pytest
from rich.console import Console

from mezzmark.cli.progress import LineView, forecast_text
from mezzmark.model.cell import Cell
from mezzmark.model.records import Trial
from mezzmark.runner.events import (
    Event,
    LeftOut,
    Noted,
    Preparing,
    RoundFinished,
    RoundsForecast,
    RoundStarted,
    TrialFinished,
    TrialStarted,
)

CELL = Cell(task="encode", clip="a", encoding="vc3-sq")


class Log:
    """A log whose clock moves only when told to."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self._file = io.StringIO()
        console = Console(file=self._file, width=80, force_terminal=False)
        self._view = LineView(console, clock_ns=lambda: round(self.now_s * 1e9))

    def tell(self, event: Event, *, after_s: float = 0.0) -> None:
        self.now_s += after_s
        self._view.show(event)

    @property
    def lines(self) -> list[str]:
        return self._file.getvalue().splitlines()


def started(eta_s: float | None, minimum_eta_s: float | None) -> TrialStarted:
    return TrialStarted(cell=CELL, done=0, total=99, eta_s=eta_s, minimum_eta_s=minimum_eta_s)


def finished() -> TrialFinished:
    trial = Trial(
        round_index=0, position=0, cell=CELL, seed=0, started_utc="", wall_ns=1, outcome="finished"
    )
    return TrialFinished(trial=trial, done=1, total=99)


def test_inside_a_round_a_line_comes_every_half_minute() -> None:
    """Ten trials of 12 s in the first of 4 to 12 rounds: lines after 36, 72 and 108 s, each with
    the trials done in this round and the time left of the minimum."""
    log = Log()
    log.tell(RoundStarted(round_index=0, round_count=12, trial_count=83, minimum_rounds=4))
    for place in range(10):
        log.tell(started(eta_s=900.0, minimum_eta_s=240.0 - place), after_s=12 if place else 0)
        log.tell(finished())
    assert log.lines == [
        f"round 1 of 4 to 12, {count} of 83 trials, about {left} min left of the minimum"
        for count, left in ((3, "4"), (6, "3.9"), (9, "3.9"))
    ]


def test_any_line_puts_the_next_one_off() -> None:
    """A round's end at 29 s is a line; the next place is told half a minute after it, and after the
    minimum it says what is left at most."""
    log = Log()
    first = RoundStarted(round_index=3, round_count=6, trial_count=5, minimum_rounds=4)
    log.tell(first)
    log.tell(RoundFinished(round_index=3), after_s=29)
    log.tell(RoundStarted(round_index=4, round_count=6, trial_count=5, minimum_rounds=4))
    log.tell(started(eta_s=80.0, minimum_eta_s=0.0), after_s=29)
    log.tell(started(eta_s=80.0, minimum_eta_s=0.0), after_s=2)
    assert log.lines == [
        "round 4 of 4 to 6 done",
        "round 5 of 4 to 6, 0 of 5 trials, about 80 s left at most",
    ]


def test_a_long_preparation_tells_its_share_now_and_then() -> None:
    """A step is told when it begins and every half minute with its share; another step at once."""
    log = Log()
    for share, after_s in ((0.0, 0), (0.1, 10), (0.4, 25), (0.5, 10)):
        log.tell(
            Preparing(message="encoding", done_fraction=share, done=2, total=9), after_s=after_s
        )
    log.tell(Preparing(message="indexing", done_fraction=0.0, done=3, total=9))
    assert log.lines == [
        "footage 2/9: encoding",
        "footage 2/9: encoding, 40 %",
        "footage 3/9: indexing",
    ]


def test_notes_and_what_is_left_out_are_told_at_once() -> None:
    """Neither waits for its half minute, nor for the report."""
    log = Log()
    log.tell(Noted(message="intervals need 3 rounds"))
    log.tell(LeftOut(reason='clip "a", encoding "x": no such encoder'))
    assert log.lines == [
        "note: intervals need 3 rounds",
        'left out: clip "a", encoding "x": no such encoder',
    ]


@pytest.mark.parametrize(
    ("least", "most", "budget_s", "text"),
    [
        (4, 12, None, "at least 4 rounds, about 5.3 min; at most 12, about 16 min"),
        (
            4,
            9,
            720.0,
            "at least 4 rounds, about 5.3 min; at most 9, about 12 min, by the time budget of "
            "720 s",
        ),
        (4, 4, None, "4 rounds, about 5.3 min in all"),
        (
            4,
            4,
            350.0,
            "4 rounds, about 5.3 min in all; the time budget of 350 s has no room for more",
        ),
        (
            4,
            4,
            100.0,
            "4 rounds, about 5.3 min in all; that is over the time budget of 100 s, but so many "
            "are measured whatever the budget. --rounds 1 lowers that, to about 80 s: stop with "
            "Ctrl-C and give the command again with --resume, this --out and --rounds; no finished "
            "trial is lost. Below 5 rounds nothing is ranked or recommended, below 3 no figure has "
            "an interval.",
        ),
    ],
)
def test_a_forecast_is_one_sentence(
    least: int, most: int, budget_s: float | None, text: str
) -> None:
    """Rounds of 80 s: 4 take 320 s, 9 take 720 s, 12 take 960 s."""
    found = RoundsForecast(
        round_s=80.0,
        minimum_rounds=least,
        minimum_s=80.0 * least,
        most_rounds=most,
        most_s=80.0 * most,
        time_budget_s=budget_s,
        affordable_rounds=int((budget_s or 960) // 80),
    )
    assert forecast_text(found) == f"a round takes 80 s: {text}"


@pytest.mark.parametrize(
    ("round_s", "text"),
    [
        (98.0, "a round takes 1.6 min: 3 rounds, about 4.9 min in all"),
        (150.0, "a round takes 2.5 min: 3 rounds, about 7.5 min in all"),
        (240.0, "a round takes 4 min: 3 rounds, about 12 min in all"),
    ],
)
def test_so_many_rounds_are_told_to_take_so_many_times_one(round_s: float, text: str) -> None:
    """Below ten minutes a tenth is told, so that 98 s are not 2 min of which three make 5."""
    found = RoundsForecast(
        round_s=round_s,
        minimum_rounds=3,
        minimum_s=3 * round_s,
        most_rounds=3,
        most_s=3 * round_s,
        time_budget_s=None,
        affordable_rounds=3,
    )
    assert forecast_text(found) == text
