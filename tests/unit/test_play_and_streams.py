"""Playback judged at refreshes, the search for the number of streams, and its typical round."""

from itertools import pairwise

import numpy as np
import pytest

from mezzmark.decide.estimate.rounds import estimate_count
from mezzmark.engines.play.playback import PlayLoop
from mezzmark.model.tasks.play import (
    Playback,
    PlayMeasurement,
    due_and_ready,
    judge_playback,
    view_play,
)
from mezzmark.model.tasks.spec import Seen
from mezzmark.model.tasks.streams import (
    Level,
    StreamsMeasurement,
    search_streams,
    streams_played,
)
from simulation.virtual_player import VirtualPlayer

MS = 1_000_000


class _Index:
    """A file of 25 pictures a second."""

    frame_rate = 25


def _play(cost_ms, count: int = 200, **player) -> Playback:
    virtual = VirtualPlayer(lambda n: int(cost_ms(n) * MS), **player)
    clock = {"clock_ns": virtual.clock_ns, "sleep": virtual.sleep_ns}
    loop = PlayLoop(virtual, _Index, lambda *_: None, **clock)
    return loop.play([[n] for n in range(count)], "1x")


def test_sustained_playback_is_on_time() -> None:
    """30 of 40 ms a picture: start after four of them, none late, the queue never empty."""
    found = judge_playback(_play(lambda n: 30), 60)
    assert _play(lambda n: 30).due_ns == 120 * MS
    assert (found["late"], found["dropped"], found["repeats"]) == (0, 0, 0)
    assert found["least_fill"] >= 1
    assert found["stall_ms"] == pytest.approx(50, abs=1)  # 2 or 3 refreshes a picture at 25 on 60


def test_load_beyond_real_time_empties_the_queue() -> None:
    """44 of 40 ms a picture: the queue of four hides the first 40, then all are late, and the queue
    was empty; a trial of 30 pictures shows nothing."""
    playback = _play(lambda n: 44)
    found = judge_playback(playback, 60)
    assert found["late"] == pytest.approx(200 - 40, abs=10)
    assert found["least_fill"] == 0
    assert judge_playback(_play(lambda n: 44, 30), 60)["late"] == 0


def test_a_stall_drops_and_repeats() -> None:
    """One picture of 400 ms: after the queue of four is shown the screen stands, what was due
    meanwhile is dropped, and the longest time without a new picture tells it."""
    found = judge_playback(_play(lambda n: 400 if n == 100 else 10), 60)
    assert 5 <= found["late"] <= 10
    assert 3 <= found["dropped"] < found["late"]
    assert found["repeats"] >= found["dropped"]
    assert 200 < found["stall_ms"] < 420


def test_cadence_alone_drops_and_repeats_nothing() -> None:
    """60 pictures a second on 59 refreshes leave one a second out, and on 61 one refresh stays: of
    pictures that were ready neither is counted."""
    for refresh_hz in (59, 61):
        playback = Playback(
            speed="1x",
            start_frame=0,
            period_ns=16_666_667,
            due_ns=0,
            phase_ns=0,
            busy_ns=1,
            ready_ns=(0,) * 600,
        )
        found = judge_playback(playback, refresh_hz)
        assert (found["late"], found["dropped"], found["repeats"]) == (0, 0, 0)


@pytest.mark.parametrize("seed", range(20))
def test_playing_equals_a_look_at_each_refresh(seed: int) -> None:
    """Stalls, drops and repeats of pictures of random cost are those of a screen that is looked at
    refresh by refresh."""
    rng = np.random.default_rng(seed)
    times = {"period_ns": int(rng.integers(5, 60)) * MS, "due_ns": 50 * MS, "phase_ns": 3 * MS}
    ready = np.cumsum(rng.lognormal(np.log(25 * MS), 1.0, size=60)).astype(int).tolist()
    playback = Playback(speed="1x", start_frame=0, busy_ns=1, ready_ns=ready, **times)
    due, first = ([n.item() for n in each] for each in due_and_ready(playback, 60))
    screen = [
        max((n for n in range(60) if due[n] <= k and first[n] <= k), default=-1)
        for k in range(due[0], due[-1] + 1)
    ]
    new = [now != before for before, now in pairwise([-1, *screen])]
    stands, stall = 0, 0
    for is_new in new:
        stands = 1 if is_new else stands + 1
        stall = max(stall, stands)
    found = judge_playback(playback, 60)
    late = [n for n in range(60) if first[n] > due[n]]
    assert found["stall_ms"] == pytest.approx(stall * 1000 / 60)
    assert found["dropped"] == len(set(late) - set(screen))
    assert found["repeats"] == sum(not new[k - due[0]] for k in set(due))


def test_two_pictures_in_104_days_are_judged() -> None:
    """They are half a billion refreshes apart, of which none but two is looked at."""
    times = {"period_ns": 2**53, "due_ns": 0, "phase_ns": 0, "busy_ns": 0}
    slow = Playback(speed="1x", start_frame=0, ready_ns=(0, 1), **times)
    assert judge_playback(slow, 60)["stall_ms"] == pytest.approx(2**53 / MS, rel=1e-6)


def test_figures_of_each_speed_and_of_wrong_pictures() -> None:
    """Speeds have figures of their own; a wrong picture takes all of them."""
    fast = _play(lambda n: 30)
    slow = _play(lambda n: 60).model_copy(update={"speed": "2x"})
    measured = PlayMeasurement(
        refresh_hz=60, playbacks=(fast, slow), proof=("right",) * 400, sample_ns=0
    )
    values = view_play(measured)
    assert values["on_time_fraction"] == 1
    assert values["double_on_time_fraction"] < 0.2
    assert values["busy_fraction"] == pytest.approx(0.75)
    assert "reverse_start_ms" not in values
    assert view_play(measured.model_copy(update={"proof": ("wrong",)})) is None


@pytest.mark.parametrize("capacity", range(0, 13))
def test_the_search_finds_the_cliff(capacity: int) -> None:
    """Whatever the machine carries up to the most, the answer is that, with few tries; those two
    to either side were tried too."""
    known = search_streams(lambda n: n <= capacity, most=12, rng=np.random.default_rng(1))
    levels = tuple(Level(n, 100, 0 if ok else 50, 0 if ok else 50) for n, ok in known.items())
    measured = StreamsMeasurement(duration_s=5, levels=levels, proof=())
    assert streams_played(Seen(measured, None)) == capacity
    assert len(known) <= 9
    around = {n for n in range(capacity - 2, capacity + 3) if 1 <= n <= 12}
    assert around <= known.keys()


def test_one_late_picture_in_ten_seconds_passes() -> None:
    """Up to 20 s one late picture of the worst stream is let pass, in 21 s two; a refused decoder
    never."""
    levels = Level(1, 300, 3, 1), Level(2, 300, 2, 2), Level(3, 0, 0, 0)
    passed = [
        list(StreamsMeasurement(duration_s=s, levels=levels, proof=()).passed.values())
        for s in (5, 21)
    ]
    assert passed == [[True, False, False], [True, True, False]]


def test_typical_round_of_counts() -> None:
    """Six rounds: the lower median between least and most; nine: without the outermost; five carry
    no interval; none at all is a number too."""
    found = estimate_count([4, 5, 5, 6, 4, 5], "", 1, 0.95)
    assert (found.low, found.point, found.high) == (4, 5, 6)
    found = estimate_count([0, 3, 4, 4, 5, 5, 5, 6, 9], "", 1, 0.95)
    assert (found.low, found.point, found.high) == (3, 5, 6)
    found = estimate_count([4, 5, 5, 6, 0], "", 1, 0.95)
    assert found.low is None
    assert found.withheld[0].needed == 1
    assert estimate_count([0, 0, 0, 0, 0, 0], "", 1, 0.95).high == 0
