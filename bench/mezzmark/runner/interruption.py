"""A wish to stop, taken note of and never thrown into the middle of anything.

Signals are turned into a flag that is looked at between steps, so that no write is cut off. A
second Ctrl-C means "at once" and raises KeyboardInterrupt as usual.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class StopWish:
    """Whether a signal asked the run to stop, and which."""

    def __init__(self) -> None:
        self.signal_name = ""

    def is_made(self) -> bool:
        """Whether to stop as soon as that is possible."""
        return bool(self.signal_name)

    def note(self, number: int, _frame: FrameType | None) -> None:
        """The signal handler."""
        if self.is_made() and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.signal_name = signal.Signals(number).name


@contextmanager
def heed_signals() -> Iterator[StopWish]:
    """Note Ctrl-C, `kill` and a closed terminal while the block runs; put handlers back after it.

    Signals that are ignored (as under nohup) stay ignored. Python hands signals to the main thread
    only; anywhere else the wish is never made, and whoever runs the thread must end it.
    """
    wish = StopWish()
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                before[number] = signal.signal(number, wish.note)
    try:
        yield wish
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
