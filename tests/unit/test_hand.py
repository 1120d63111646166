"""The hand, and the screen rebuilt from what a player of known cost did on a virtual clock."""

import math
from itertools import pairwise

import numpy as np
import pytest

from mezzmark.model.tasks.hand import (
    Screen,
    Stroke,
    ages,
    censored_median,
    distances,
    draw_strokes,
    exact_after_stops,
    longest_freeze,
    moving_refreshes,
    pictures_per_s,
    rebuild_screen,
    wanted_frames,
)
from simulation.virtual_player import VirtualPlayer, drag

MS = 1_000_000
REFRESH_MS = 1000 / 60


def _moving(count: int) -> np.ndarray:
    """A hand that moves a frame a refresh."""
    return np.arange(count)


def test_stroke_is_minimum_jerk() -> None:
    """Way, peak and rms speed of the published polynomial, seen in a stroke of a billion frames."""
    way = wanted_frames([Stroke(0, 10**9, 2000, 1)]) / 1e9
    assert way[[200, 400, 500, 1000, 2000]] == pytest.approx(
        [0.00856, 0.05792, 0.103515625, 0.5, 1], abs=1e-8
    )
    speed = np.diff(way) * 2000
    assert speed.max() == pytest.approx(1.875, abs=1e-5)
    assert speed.argmax() in (999, 1000)
    assert math.sqrt(np.mean(speed**2)) == pytest.approx(math.sqrt(10 / 7), rel=1e-5)


def test_wanted_frames_are_the_rounded_stroke() -> None:
    """240 frames in 0.5 s at 60 Hz begin 0, 0.085, 0.642, 2.054, 4.612, 8.519, rounded; the largest
    step is 15; the rest stays; a steady sweep has equal steps."""
    frames = wanted_frames([Stroke(0, 240, 30, 5)])
    assert frames[:6].tolist() == [0, 0, 1, 2, 5, 9]
    assert np.diff(frames).max() == 15
    assert frames[30:].tolist() == [240] * 5
    assert wanted_frames([Stroke(9, 0, 3, 1)], is_steady=True).tolist() == [9, 6, 3, 0]


@pytest.mark.parametrize("hand", ["strokes", "sweep"])
@pytest.mark.parametrize("frame_count", [1, 2, 30, 480])
def test_strokes_stay_in_the_clip_and_join(hand: str, frame_count: int) -> None:
    """Each begins where the last ended, none leaves the clip or turns within itself, the same seed
    draws the same, and they fill the time asked for."""
    for seed in range(20):
        asked = {"frame_count": frame_count, "refresh_hz": 60, "duration_s": 12.0}
        how = {"median_frames": 40.0, "sweep_fps": 192.0}
        draws = [
            draw_strokes(hand, **asked, **how, rng=np.random.default_rng(seed)) for _ in range(2)
        ]
        strokes = draws[0]
        assert draws[0] == draws[1]
        assert all(a.end == b.start for a, b in pairwise(strokes))
        frames = wanted_frames(strokes, is_steady=hand == "sweep")
        assert 0 <= frames.min() <= frames.max() < frame_count
        assert 11 <= frames.size / 60 < 16.5
        at = 0
        for stroke in strokes:
            steps = np.diff(frames[at : at + stroke.refreshes + 1])
            assert (steps >= 0).all() or (steps <= 0).all()
            at += stroke.refreshes + stroke.rest


@pytest.mark.parametrize(
    ("decode_ms", "per_s", "mean_ms", "percentiles", "freeze"),
    [
        (10, 60, 16.667, (1, 1, 1), 1),
        (20, 50, 36.111, (2, 3, 3), 2),
        (50, 20, 66.667, (4, 5, 5), 3),
        (75, 13.333, 112.963, (7, 9, 9), 5),
        (250, 4, 366.667, (22, 29, 29), 15),
    ],
)
def test_latest_equals_its_closed_form(
    decode_ms: float, per_s: float, mean_ms: float, percentiles: tuple, freeze: int
) -> None:
    """A hand that always moves, one cost a picture, newest request first: pictures a second, mean
    age at refreshes, its median, p95 and most, and the longest freeze. Costs are those of a 60 Hz
    display; the clock's whole ns hold refreshes of 50 Hz exactly, and only the ratio counts."""
    player = VirtualPlayer(lambda _: round(decode_ms * MS * 60 / 50))
    screen, _ = drag(player, _moving(9_000), refresh_hz=50)
    found = ages(screen)[1000:]
    moving = np.ones(9_000, dtype=bool)
    assert pictures_per_s(screen, moving) * 60 / 50 == pytest.approx(per_s, rel=0.01)
    assert found.mean() * REFRESH_MS == pytest.approx(mean_ms, rel=0.002)
    order = np.sort(found)
    at = [order[math.ceil(share * order.size) - 1] for share in (0.5, 0.95, 1)]
    assert tuple(at) == percentiles
    assert longest_freeze(screen) == freeze


def test_queue_falls_behind_without_end() -> None:
    """Serving all requests of a hand that moves, 50 ms a picture: t after the first request a
    picture is t (1 - T/d) + T old, and 20 are seen a second all the same."""
    screen, loop = drag(VirtualPlayer(lambda _: 50 * MS), _moving(310), "queue")
    assert len(loop.events) == 104
    for request, _, done_ns, _ in loop.events[1:]:
        since_ms = done_ns / MS - REFRESH_MS
        age_ms = done_ns / MS - request * REFRESH_MS
        assert age_ms == pytest.approx(since_ms * (1 - REFRESH_MS / 50) + REFRESH_MS, abs=0.01)
    assert pictures_per_s(screen, np.ones(310, dtype=bool)) == pytest.approx(20, rel=0.03)


def test_planted_stall_is_seen_at_refreshes() -> None:
    """5 ms a picture but one of a second, the 301st of ten seconds: 55 of 599 refreshes are older
    than 100 ms, mean 67.56 ms, p95 32 and p99 56 refreshes, though nearly all took 5 ms."""
    player = VirtualPlayer(lambda n: 1000 * MS if n == 299 else 5 * MS)
    screen, loop = drag(player, _moving(600))
    found = np.sort(ages(screen)[1:])
    assert found.size == 599
    assert (found > 6).sum() == 55
    assert found.mean() * REFRESH_MS == pytest.approx(67.56, abs=0.01)
    assert [found[math.ceil(p * 599) - 1] for p in (0.5, 0.95, 0.99)] == [1, 32, 56]
    assert len(loop.events) == 541


def test_coordinated_omission_is_not_repeated() -> None:
    """10 ms a picture and a stall of a second each minute: of the pictures one in 3,000 took long,
    of the refreshes 1.4 % were old."""
    stalls = VirtualPlayer(lambda n: 1000 * MS if n % 3541 == 1770 else 10 * MS)
    screen, loop = drag(stalls, _moving(36_000))
    spans = [done - start for _, start, done, _ in loop.events]
    assert np.mean([span > 100 * MS for span in spans]) < 0.0004
    assert (ages(screen) > 6).mean() == pytest.approx(0.0138 * 11 / 10, rel=0.12)


@pytest.mark.parametrize("seed", range(3))
def test_random_costs_equal_another_simulation(seed: int) -> None:
    """Pictures of random cost for a hand with pauses: the screen at each refresh is that of a loop
    written in other terms."""
    rng = np.random.default_rng(seed)
    costs = rng.lognormal(np.log(30 * MS), 1.0, size=4000).astype(int)
    how = {"median_frames": 40.0, "sweep_fps": 192.0, "rng": rng}
    strokes = draw_strokes("strokes", frame_count=480, refresh_hz=60, duration_s=30.0, **how)
    wanted = wanted_frames(strokes)
    screen, _ = drag(VirtualPlayer(lambda n: int(costs[n])), wanted)
    shown, busy_with, busy_until, number = int(wanted[0]), None, 0, 0
    for k in range(wanted.size):
        now = -(-k * 10**9 // 60)
        while busy_with is not None and busy_until <= now:
            shown, free_ns, busy_with = busy_with, busy_until, None
            at = min(free_ns * 60 // 10**9, wanted.size - 1)
            if wanted[at] != shown:
                busy_with, busy_until = int(wanted[at]), free_ns + int(costs[number])
                number += 1
        assert screen.shown[k] == shown
        if busy_with is None and wanted[k] != shown:
            busy_with, busy_until = int(wanted[k]), now + int(costs[number])
            number += 1


def test_follow_stays_nearer_to_the_hand_than_latest() -> None:
    """In groups of 48 frames, 8 ms a picture: half the mean distance, more pictures a second, no
    starving; some pictures were never the hand's own and have no age."""
    how = {"median_frames": 40.0, "sweep_fps": 192.0, "rng": np.random.default_rng(5)}
    strokes = draw_strokes("strokes", frame_count=480, refresh_hz=60, duration_s=60.0, **how)
    wanted, moving = wanted_frames(strokes), moving_refreshes(strokes)
    screens = {
        service: drag(VirtualPlayer(lambda _: 8 * MS, group=48), wanted, service)[0]
        for service in ("latest", "follow", "queue")
    }
    off = {name: distances(screen).mean() for name, screen in screens.items()}
    assert off["follow"] < 0.5 * off["latest"] < off["queue"]
    seen = {name: pictures_per_s(screen, moving) for name, screen in screens.items()}
    assert seen["follow"] > 2 * seen["latest"]
    assert longest_freeze(screens["follow"]) < longest_freeze(screens["latest"])
    assert (ages(screens["follow"]) < 0).any()
    assert (ages(screens["latest"]) >= 0).all()


def test_rest_on_the_right_picture_is_no_age_and_no_freeze() -> None:
    """The hand goes to frame 3 and stays; its picture stands two refreshes later: from then on age
    0, freeze as long as it was not there; time to the exact picture two refreshes."""
    strokes = [Stroke(0, 3, 1, 20)]
    wanted = wanted_frames(strokes)
    screen = rebuild_screen(wanted, [0, 40 * MS], [0, 3], refresh_hz=60)
    assert screen.shown[:4].tolist() == [0, 0, 0, 3]
    assert ages(screen)[:5].tolist() == [0, 1, 2, 0, 0]
    assert longest_freeze(screen) == 2
    assert exact_after_stops(screen, strokes) == [(2, True)]


@pytest.mark.parametrize("seed", range(20))
def test_ages_follow_their_definition(seed: int) -> None:
    """The last refresh at which the hand was at the frame on screen or crossed it, looked for from
    each refresh back; and as well where frames are numbered beyond all memory."""
    rng = np.random.default_rng(seed)
    wanted, shown = rng.integers(0, 12, size=(2, 40))
    shown[:3] = -1
    crossed = [{int(wanted[0])}]
    for a, b in pairwise(wanted.tolist()):
        crossed.append({b, *range(min(a, b) + 1, max(a, b))})
    expected = [
        next((back for back in range(k + 1) if shown[k] in crossed[k - back]), -1)
        for k in range(wanted.size)
    ]
    screen = Screen(wanted, shown, shown, 60)
    assert ages(screen).tolist() == expected
    far = screen._replace(wanted=wanted + 2**52, shown=np.where(shown < 0, -1, shown + 2**52))
    assert ages(far).tolist() == expected


def test_overtaken_frames_have_an_age_and_others_none() -> None:
    """Frame 4 was passed within the step from 3 to 6, two refreshes before the last; frame 9
    never."""
    wanted = np.array([0, 3, 6, 6, 6])
    for frame, age in ((4, 2), (3, 3), (6, 0), (9, -1)):
        screen = rebuild_screen(wanted, [0], [frame], refresh_hz=60)
        assert ages(screen)[-1] == age
    assert ages(rebuild_screen(wanted[:2], [10 * MS], [0], refresh_hz=60)).tolist() == [-1, 1]


def test_unanswered_stops_count() -> None:
    """Answered after 1 and 2, not within 5 (twice): the median is not reached before the end of the
    longest; with one more answer at 3 it is 3, not the 2 of the answered alone."""
    cut = [(1, True), (2, True), (5, False), (5, False)]
    assert censored_median([*cut, (6, False)]) == 6
    assert censored_median([*cut, (3, True)]) == 3
    assert censored_median([(1, True), (0.5, False), (2, True), (3, True)]) == 2


def test_naive_abandoning_starves() -> None:
    """A player that begins anew whenever the hand has moved shows hardly anything of a hand that
    moves back within long groups: its figures tell, and following is not it."""
    wanted = np.arange(900, 0, -1) // 2

    class Naive(VirtualPlayer):
        def step(self, frame_index: int) -> tuple[int, int]:
            if frame_index != getattr(self, "aim", None):
                self.aim, self._at = frame_index, -1
            return super().step(frame_index)

    def cost(_: int) -> int:
        return 12 * MS

    moving = np.ones(wanted.size, dtype=bool)
    screens = [
        drag(player(cost, group=48), wanted, "follow")[0] for player in (Naive, VirtualPlayer)
    ]
    seen = [pictures_per_s(screen, moving) for screen in screens]
    off = [distances(screen).mean() for screen in screens]
    assert seen[0] < 0.5 * seen[1]
    assert off[0] > 1.5 * off[1]
