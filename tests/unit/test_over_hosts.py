"""A folder over hosts: the schedule against other roads, storage that all share, one more host."""

from itertools import product
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.fabricated_run import Fabrication, fabricate_clip, fabricate_run
from fixtures.fabricated_throughput import SECOND, finished_trial, grid_trial
from mezzmark.decide.size.over_hosts import (
    Pace,
    fastest_first,
    find_fleet_makespan_s,
    fleet_makespans,
    grid_splits,
    shared_storages,
)
from mezzmark.model.cell import ALL_CLIPS, Cell, Setting
from mezzmark.model.link import LinkSettings
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest, MediaManifest
from mezzmark.model.tasks.ingest import HostSplit, IngestMeasurement, IngestSettings


class SavedRun(NamedTuple):
    manifest: Manifest
    trials: tuple[Trial, ...]


def paces(*hosts: tuple[int, list[float]], start_s: float = 0.0) -> list[Pace]:
    return [Pace(jobs=jobs, clip_s=clip_s, start_s=start_s) for jobs, clip_s in hosts]


@settings(max_examples=60)
@given(
    st.lists(st.lists(st.integers(1, 9), min_size=6, max_size=6), min_size=1, max_size=3),
    st.lists(st.integers(1, 3), min_size=3, max_size=3),
    st.integers(0, 2),
)
def test_unlike_hosts_against_a_clock_that_ticks(
    clip_s: list[list[int]], jobs: list[int], start_s: int
) -> None:
    """Whole seconds, host by host: each that is free at a tick takes the next clips, and is done
    when its longest one and its start have passed."""
    hosts = [Pace(jobs=n, clip_s=s, start_s=start_s) for n, s in zip(jobs, clip_s, strict=False)]
    waiting, left, now = list(range(6)), [0] * len(hosts), 0
    while waiting or any(left):
        for number, host in enumerate(hosts):
            if not left[number] and waiting:
                taken, waiting = waiting[: host.jobs], waiting[host.jobs :]
                left[number] = start_s + max(clip_s[number][clip] for clip in taken)
        now += 1
        left = [max(0, seconds - 1) for seconds in left]
    assert find_fleet_makespan_s(hosts, range(6)) == pytest.approx(now)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 30), min_size=1, max_size=7), st.integers(1, 3))
def test_longest_first_over_equal_hosts_keeps_to_grahams_bound(
    seconds: list[int], count: int
) -> None:
    """Against the best of all assignments: within 4/3 − 1/(3m) of it (Graham 1969)."""
    order = sorted(range(len(seconds)), key=lambda clip: -seconds[clip])
    found = find_fleet_makespan_s(paces(*[(1, seconds)] * count), order)
    best = min(
        max(sum(s for s, h in zip(seconds, share, strict=True) if h == host) for host in share)
        for share in product(range(count), repeat=len(seconds))
    )
    assert best - 1e-9 <= found <= (4 / 3 - 1 / (3 * count)) * best + 1e-9


def test_storage_is_divided_fairly() -> None:
    """Two clips of 10 s that storage is busy with for 8 s each end together at 16 s. Where one asks
    for 9 s and the other for 3, the latter has what it asks for, and the former 7/9 of its speed
    until 10 s: it ends at 10 + (10 − 70/9)."""
    two = paces((1, [10.0, 10.0]), (1, [10.0, 10.0]))
    assert find_fleet_makespan_s(two, range(2), [8.0, 8.0]) == pytest.approx(16)
    assert find_fleet_makespan_s(two, range(2), [9.0, 3.0]) == pytest.approx(10 + 10 - 70 / 9)
    assert find_fleet_makespan_s(two, range(2), [5.0, 5.0]) == pytest.approx(10)
    alone = paces((1, [10.0, 10.0]))
    assert find_fleet_makespan_s(alone, range(2), [12.0, 4.0]) == pytest.approx(22)


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(0, 9)), min_size=1, max_size=8),
    st.integers(1, 4),
)
def test_storage_bounds_the_makespan_from_both_sides(
    clips: list[tuple[int, int]], count: int
) -> None:
    """Never sooner than all bytes have passed, nor, by one host, than without them; never later
    than all work and all bytes one after the other."""
    clip_s, storage_s = [c for c, _ in clips], [s for _, s in clips]
    hosts, order = paces(*[(1, clip_s)] * count), range(len(clips))
    free = find_fleet_makespan_s(hosts, order)
    found = find_fleet_makespan_s(hosts, order, storage_s)
    assert max(free if count == 1 else 0, sum(storage_s)) - 1e-9 <= found
    assert found <= sum(clip_s) + sum(storage_s) + 1e-9


def test_no_host_is_refused() -> None:
    """Nobody ingests nothing: ValueError."""
    with pytest.raises(ValueError):
        find_fleet_makespan_s([], [0])


CLIPS = ("street at dusk", "b", "c")


def host_run(fps: float, *, jobs: int = 1, slow_jobs_fps: float = 1.0) -> SavedRun:
    """A grid of three rounds in which each clip makes `fps`: as long again to load and to prove,
    and 1 s beside it. A split of four jobs is far slower."""
    manifest, _ = fabricate_run(Fabrication(rounds=1))
    clips = tuple(fabricate_clip(name, fingerprint=name) for name in CLIPS)
    trials = []
    for number, (clip, round_index) in enumerate(product(CLIPS, range(3))):
        for split, speed in ((jobs, fps * jobs), (4, slow_jobs_fps)):
            trial = grid_trial("e", split, round_index, speed)
            work_ns = 3 * trial.measurement.end_ns[0]
            given = {"cell": trial.cell.but(clip=clip), "wall_ns": work_ns + SECOND}
            trials.append(trial.model_copy(update={**given, "position": number}))
    return SavedRun(manifest.model_copy(update={"clips": clips}), tuple(trials))


def fleet_run(splits: list[HostSplit], makespan_s: dict[str, float]) -> SavedRun:
    """Three rounds of the folder over the hosts, each as long as is said for `hosts`."""
    manifest, _ = fabricate_run(Fabrication(rounds=1))
    scenario = manifest.scenario.but(
        ingest=IngestSettings(hosts=tuple(splits)), scrub=None, encode=None
    )
    clips = tuple(fabricate_clip(name, fingerprint=name) for name in CLIPS)
    media = tuple(
        MediaManifest(
            clip=clip,
            encoding=encoding,
            file_bytes=10**6,
            fingerprint="f",
            frame_count=96,
            bitrate_bps=1e6,
        )
        for clip, encoding in product(CLIPS, ("original", "e"))
    )
    trials = []
    for (hosts, seconds), round_index in product(makespan_s.items(), range(3)):
        end_ns = (round(seconds * SECOND),) * 3
        measured = IngestMeasurement(
            clips=CLIPS,
            **dict.fromkeys(("frame_count", "width_px", "height_px", "worker_index"), (1,) * 3),
            **dict.fromkeys(("source_bytes", "start_ns", "encoded_ns", "cpu_ns"), (1,) * 3),
            file_bytes=(1,) * 3,
            end_ns=end_ns,
            is_verified=(True,) * 3,
            worker_count=2,
            hosts=("a", "b", "a"),
        )
        setting = Setting(clip_order="longest-first", hosts=hosts)
        cell = Cell(task="ingest", clip=ALL_CLIPS, encoding="e", setting=setting)
        trials.append(finished_trial(cell, round_index, measured))
    given = {"scenario": scenario, "clips": clips, "media": media}
    return SavedRun(manifest.model_copy(update=given), tuple(trials))


def test_the_fastest_split_of_each_host_is_taken_and_the_fastest_host_first() -> None:
    """Not four jobs that together make less than one; the host of 96 fps before that of 48."""
    runs = {"slow": host_run(48), "fast": host_run(96, jobs=2)}
    splits = [split for name, run in runs.items() for split in grid_splits(name, ["e", "f"], run)]
    assert [(s.host, s.encoding, s.jobs, s.threads) for s in splits] == [
        ("slow", "e", 1, 1),
        ("fast", "e", 2, 1),
    ]
    assert [one.host for one in fastest_first(splits, runs)] == ["fast", "slow"]


def test_measured_and_predicted_stand_side_by_side() -> None:
    """A clip of 96 frames takes the host of 96 fps 3 s (load, encode, prove) and 1 s of start, that
    of 48 fps 7 s: together 8 s (4 + 4 beside 7), alone 12 and 21; with one more like either, 7.
    Where 12 s were measured, the 8 s predicted are 2/3 of it."""
    runs = {"a": host_run(96), "b": host_run(48)}
    splits = [HostSplit(host=name, encoding="e", jobs=1, threads=1) for name in runs]
    whole = fleet_run(splits, {"all of a, b": 12.0, "only a": 12.0, "only b": 21.0})
    storages = shared_storages([LinkSettings(rate="2 Mbit/s").link], {"desk": runs["a"]})
    found = fleet_makespans(whole, runs, storages)
    free = [one for one in found if not one.storage]
    assert [(one.hosts, one.more, round(one.predicted.point, 6)) for one in free] == [
        (("a", "b"), "", 8),
        (("a", "b"), "a", 7),
        (("a", "b"), "b", 7),
        (("a",), "", 12),
        (("b",), "", 21),
    ]
    assert free[0].measured.point == 12
    assert free[0].miss_ratio.point == pytest.approx(2 / 3)
    assert free[1].time_ratio.point == pytest.approx(7 / 8)
    # 6 files of 10⁶ bytes over 250,000 bytes a second take 24 s, however many hosts there are
    shared = [one for one in found if one.storage]
    assert {one.storage for one in shared} == {"the link 2 Mbit/s, 0.5 ms"}
    assert [round(one.predicted.point, 6) for one in shared] == [24, 24, 24]
    assert all(one.measured is None for one in shared)
