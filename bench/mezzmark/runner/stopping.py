"""When a run ends: by precision, by number, by time, between rounds only; or by a signal.

Stopping looks at the width of intervals and never at a difference: a rule that waits until
something looks different finds differences that are not there. Where the looks fall, and how many
must agree, is `mezzmark.statistics.stopping`'s to say.

Signals are turned into a flag that is looked at between steps, so that no write is cut off. A
second Ctrl-C means "at once" and raises KeyboardInterrupt as usual.
"""

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import Final

from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario

StopWhen = Callable[[Sequence[Trial]], bool | str]
"""Given all trials so far: whether they suffice; a text says why. Asked after whole pairs of
rounds, for only then are the orders balanced."""

PAIR_ROUNDS: Final = 2
"""A round and its mirror image."""

_SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


def stop_at_precision(precision_fraction: float, *, minimum_rounds: int) -> StopWhen:
    """The usual rule: no cell's interval is wider than ± this share of its figure, now and at the
    look before."""
    from mezzmark.decide.estimate.pooling import worst_relative_half_width
    from mezzmark.statistics.stopping import is_precise, look_points

    def stop_when(trials: Sequence[Trial]) -> bool | str:
        round_count = 1 + max((trial.round_index for trial in trials), default=-1)
        widths = [
            worst_relative_half_width([trial for trial in trials if trial.round_index < look])
            for look in look_points(round_count, minimum_rounds=minimum_rounds)
        ]
        if not is_precise(widths, precision_fraction=precision_fraction):
            return False
        return f"precision reached: every interval is within ±{precision_fraction:.3g} of its value"

    return stop_when


def stop_reason(
    scenario: Scenario,
    trials: Sequence[Trial],
    *,
    round_count: int,
    elapsed_s: float,
    next_round_s: float | None,
    stop_when: StopWhen,
) -> str:
    """Why no further round begins after `round_count` whole ones; empty when one does.

    `minimum_rounds` are measured whatever the budget; after that no round begins that would, by
    what is expected of it (`next_round_s`), end after it.
    """
    if round_count >= scenario.rounds:
        return f"all {scenario.rounds} rounds are done"
    if round_count < scenario.minimum_rounds:
        return ""
    if round_count % PAIR_ROUNDS == 0:
        verdict = stop_when(trials)
        if verdict:
            text = verdict if isinstance(verdict, str) else "what was asked for is reached"
            return f"{text} (after {round_count} rounds)"
    budget_s = scenario.time_budget_s
    if budget_s is not None and elapsed_s + (next_round_s or 0.0) > budget_s:
        whatever = (
            f", and at least {scenario.minimum_rounds} are measured whatever the budget"
            if elapsed_s > budget_s
            else ""
        )
        return (
            f"another round would end after the time budget of {budget_s:g} s "
            f"({round_count} rounds took {elapsed_s:.0f} s{whatever})"
        )
    return ""


class StopFlag:
    """Whether a signal asked the run to stop, and which."""

    def __init__(self) -> None:
        self.signal_name = ""

    def is_set(self) -> bool:
        """Whether to stop as soon as that is possible."""
        return bool(self.signal_name)

    def note(self, number: int, _frame: FrameType | None) -> None:
        """The signal handler."""
        if self.is_set() and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.signal_name = signal.Signals(number).name


@contextmanager
def trap_signals() -> Iterator[StopFlag]:
    """Note Ctrl-C, `kill` and a closed terminal while the block runs; put handlers back after it.

    Signals that are ignored (as under nohup) stay ignored. Python hands signals to the main thread
    only; anywhere else the flag is never set, and whoever runs the thread must end it.
    """
    flag = StopFlag()
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in _SIGNALS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                before[number] = signal.signal(number, flag.note)
    try:
        yield flag
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
