"""What the machine does in the course of a long trial: clock, slowings for heat, battery.

It stands alone, since only trials that last ask for it.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from mezzmark.host.common import read_battery, read_host_moment
from mezzmark.model.tasks.ingest import HeatMoment

MOMENT_S: Final = 10.0
"""Reading them takes a millisecond, and heat comes within minutes."""

FEWEST_MOMENTS: Final = 20
"""Of a trial that lasts less long."""


def read_heat_moment(at_ns: int) -> HeatMoment:
    """The machine now; None where the system does not tell."""
    now, battery = read_host_moment(), read_battery()
    told = {"frequency_mhz": now.frequency_mhz, "throttle_count": now.throttle_count}
    if battery is not None:
        percent = getattr(battery, "percent", None)
        told["on_battery"] = None if battery.power_plugged is None else not battery.power_plugged
        told["battery_fraction"] = None if percent is None else percent / 100
    return HeatMoment(at_ns=at_ns, **told)


@contextmanager
def watched(lasting_s: float, clock_ns: Callable[[], int]) -> Iterator[list[HeatMoment]]:
    """Moments while the block runs, at its start and its end too, by the clock that is given; none
    where it does not last."""
    moments: list[HeatMoment] = []
    if not lasting_s:
        yield moments
        return
    is_over = threading.Event()

    def watch() -> None:
        while True:
            moments.append(read_heat_moment(clock_ns()))
            if is_over.wait(min(MOMENT_S, lasting_s / FEWEST_MOMENTS)):
                return

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield moments
    finally:
        is_over.set()
        thread.join()
        moments.append(read_heat_moment(clock_ns()))
