"""Playing in real time from random starts: at 1×, at 2× and backwards. Sound is not played.

Picture i is due at the first refresh from S + i · P on, where S is when the queue of decoded
pictures was full. The clock runs on: a picture that comes when the next is due is not shown."""

from typing import Final, Literal

import numpy as np
from pydantic import Field, model_validator

from mezzmark.model.fact import MAX_WHOLE, NS_PER_S, Fact, Positive, Whole, same_length
from mezzmark.model.tasks import drag, spec
from mezzmark.model.tasks.hand import Ints
from mezzmark.model.tasks.scrub import Proof
from mezzmark.statistics.quantiles import quantile

Speed = Literal["1x", "2x", "-1x"]

STRIDES: Final[dict[str, int]] = {"1x": 1, "2x": 2, "-1x": -1}
"""Frames from one picture to the next."""

BUFFER_PICTURES: Final = 4  # Decoded ahead while playing: common practice, and our own choice


class PlaySettings(drag.OpenLoopSettings):
    """The play task: real-time playback, without sound."""

    speeds: tuple[Speed, ...] = Field(default=("1x", "2x", "-1x"), min_length=1)
    starts: int = Field(default=1, ge=1, le=100, description="random starts at each speed")
    duration_s: float = Field(default=6.0, ge=1, le=600, description="seconds from each start")


class PlayJob(drag.OpenLoopJob):
    """Play at each of these speeds from so many starts."""

    task: Literal["play"] = "play"
    speeds: tuple[Speed, ...]
    starts: int
    duration_s: float


class Playback(Fact):
    """Pictures from one start. `ready_ns` counts from the start's request, in order; the first is
    due `due_ns` after it, the others `period_ns` after each other; refreshes come `phase_ns` after
    the request. `busy_ns` is the time in which pictures were made."""

    speed: Speed
    start_frame: Whole
    period_ns: Positive
    due_ns: Whole
    phase_ns: Whole
    busy_ns: Whole
    ready_ns: tuple[Whole, ...] = Field(min_length=1, max_length=1_000_000)

    @model_validator(mode="after")
    def _ends(self) -> "Playback":
        if (len(self.ready_ns) - 1) * self.period_ns > MAX_WHOLE:
            raise ValueError("ready_ns has more pictures of this period_ns than 104 days hold")
        return self

    @property
    def took_ns(self) -> int:
        """From the start's request until the last picture was ready; it may be shown later."""
        return max(self.due_ns, *self.ready_ns)


class PlayMeasurement(Fact):
    """One trial; `proof` has an entry a picture that was presented, of all starts in order, and so
    has `wait_ns`, how long was waited for storage since the one before; empty where nobody looked.
    """

    task: Literal["play"] = "play"
    refresh_hz: drag.RefreshRate
    playbacks: tuple[Playback, ...] = Field(min_length=1)
    proof: tuple[Proof, ...]
    sample_ns: Whole
    wake_late_ns: tuple[Whole, ...] = ()
    wait_ns: tuple[Whole, ...] = ()

    _one_entry_per_picture = same_length("proof", or_none=("wait_ns",))


def due_and_ready(playback: Playback, refresh_hz: int) -> tuple[Ints, Ints]:
    """The refresh of each picture, and the first at which it could be shown."""
    due_ns = playback.due_ns + np.arange(len(playback.ready_ns)) * playback.period_ns
    ready_ns = np.maximum.accumulate(np.array(playback.ready_ns, dtype=np.int64))
    due, ready = (
        np.ceil((ns - playback.phase_ns) * (refresh_hz / NS_PER_S)).astype(np.int64)
        for ns in (due_ns, ready_ns)
    )
    return due, ready


def judge_playback(playback: Playback, refresh_hz: int) -> drag.Values:
    """At each refresh the newest picture that is both due and ready is shown: pictures not ready at
    their refresh (`late`), those of them that never were shown (`dropped`), refreshes that lacked
    their new picture, the longest time without a new one, and the fewest decoded pictures when one
    was due, that one included, while there were more to come. What the cadence of two rates repeats
    or leaves out is in none of them."""
    due, ready = due_and_ready(playback, refresh_hz)
    places = np.arange(due.size)
    # Between these refreshes nothing changes, however many there are.
    refreshes = np.unique(np.concatenate([due, ready.clip(due[0], due[-1])]))
    there = [np.searchsorted(each, refreshes, side="right") for each in (due, ready)]
    shown = np.minimum(*there) - 1
    is_new = np.diff(shown, prepend=-1) != 0
    changes = np.concatenate([due[:1], refreshes[is_new], due[-1:] + 1])
    fill = np.searchsorted(ready, due, side="right") - places
    return {
        "pictures": due.size,
        "playing_ns": float(due.size * playback.period_ns),
        "late": int(np.count_nonzero(ready > due)),
        "dropped": int(np.count_nonzero(~np.isin(places, shown) & (ready > due))),
        "repeats": int(np.count_nonzero(np.isin(refreshes, due) & ~is_new)),
        "stall_ms": float(np.diff(changes).max()) * 1000 / refresh_hz,
        "least_fill": int(fill[: max(1, due.size - BUFFER_PICTURES)].clip(min=0).min()),
    }


def view_play(measured: PlayMeasurement) -> drag.Values | None:
    """The figures of each speed; None where a wrong picture was shown, or one did not come."""
    if not {"wrong", "missing"}.isdisjoint(measured.proof):
        return None
    values: drag.Values = {"picture_count": len(measured.proof)}
    if measured.wait_ns:
        values["wait_p50_ms"] = quantile(measured.wait_ns, 0.5) / spec.NS_PER_MS
    for speed, (prefix, _words) in _SPEEDS.items():
        if mine := [playback for playback in measured.playbacks if playback.speed == speed]:
            found = [judge_playback(playback, measured.refresh_hz) for playback in mine]
            total = {name: sum(one[name] for one in found) for name in found[0]}
            values |= {
                f"{prefix}busy_fraction": sum(p.busy_ns for p in mine) / total["playing_ns"],
                f"{prefix}start_ms": sum(p.due_ns for p in mine) / len(mine) / spec.NS_PER_MS,
                f"{prefix}on_time_fraction": 1 - total["late"] / total["pictures"],
                f"{prefix}dropped_fraction": total["dropped"] / total["pictures"],
                f"{prefix}repeats": total["repeats"],
                f"{prefix}least_fill": min(one["least_fill"] for one in found),
                f"{prefix}stall_ms": max(one["stall_ms"] for one in found),
            }
    return values


_SPEEDS: Final = {"1x": ("", ""), "2x": ("double_", " at 2×"), "-1x": ("reverse_", " backwards")}
"""What the names of figures begin with, and their meanings end with."""


def _rows(prefix: str, words: str) -> tuple[tuple[str, str, spec.Better, str], ...]:
    return (
        (f"{prefix}busy_fraction", "", "less", f"time to make pictures, of playing{words}"),
        (f"{prefix}start_ms", "ms", "less", f"time until playing{words} starts"),
        (f"{prefix}on_time_fraction", "share", "more", f"pictures on time while playing{words}"),
        (f"{prefix}dropped_fraction", "share", "less", ""),
        (f"{prefix}repeats", "", "less", ""),
        (f"{prefix}least_fill", "", "more", ""),
        (f"{prefix}stall_ms", "ms", "less", ""),
    )


PLAY: Final = spec.TaskSpec(
    name="play",
    label="playing",
    verb="play",
    axes=("threads", "player", "link", "cache", "root"),
    settings_model=PlaySettings,
    job_model=PlayJob,
    measurement_model=PlayMeasurement,
    engine_entry="mezzmark.engines.play.playback:run_play",
    plan=lambda settings, stock: drag.open_loop_cells("play", settings, stock),
    job=PlayJob.of,
    view=lambda seen: [view_play(one.measured) for one in seen],
    work=lambda values: spec.Work(sample_count=int(values["picture_count"])),
    proofs=lambda measured: measured.proof,
    figures=drag.read_figures(
        *(row for words in _SPEEDS.values() for row in _rows(*words)),
        ("wait_p50_ms", "ms", "less", ""),
    ),
    headline="busy_fraction",  # known of every trial, where late pictures are rare
    reads_encoded_file=True,
    is_best_by_headline=True,
    busy_ns=lambda measured: sum(playback.took_ns for playback in measured.playbacks),
)
