"""Targets, hops and blocks: how a trial's requests are drawn, and how many sets it plays."""

from collections import Counter
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from fixtures.tails import estimate_tail
from mezzmark.decide.estimate.observed_run import observe, over_common_blocks, read_common_costs
from mezzmark.decide.estimate.pooling import compare_groups
from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.patterns import (
    HOP_LOG_SD,
    PATTERNS,
    groups_of,
    plan_requests,
    spread_targets,
)
from mezzmark.model.tasks.scrub import ScrubMeasurement, ScrubSettings
from mezzmark.runner.plan import PlannedCell
from mezzmark.runner.rounds import Rounds, count_blocks
from mezzmark.statistics.tails import MINIMUM_TRIALS, samples_needed
from mezzmark.store.toml_files import read_scenario

CLIP = groups_of(144, range(0, 144, 48))
MS = 1_000_000
SCENARIOS = Path(__file__).parents[2] / "scenarios"
SHIPPED = {
    path.stem: str(path) for path in sorted(SCENARIOS.rglob("*.toml")) if "shops" not in path.parts
}


def rng_of(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_each_stratum_of_places_and_of_the_clip_is_met() -> None:
    """24 targets in groups of 48 frames: one in each 24th of the group, and in 100 blocks no group
    of three has fewer than 5 or more than 11 (drawn each by itself, a fifth of blocks would)."""
    for seed in range(100):
        targets = spread_targets(CLIP, 24, rng_of(seed))
        assert sorted(targets % 48 // 2) == list(range(24))
        assert set(np.bincount(targets // 48)) <= set(range(5, 12))


def test_every_frame_is_as_likely_in_uneven_groups() -> None:
    """100 frames in groups of 7, 53 and 40, 13 targets a block: over 4,000 blocks each frame comes
    520 times, within five binomial standard errors of 22.7."""
    groups, rng = groups_of(100, (0, 7, 60)), rng_of()
    counts = Counter(int(t) for _ in range(4000) for t in spread_targets(groups, 13, rng))
    assert len(counts) == 100
    assert all(abs(count - 520) < 114 for count in counts.values())


def test_targets_come_in_random_order() -> None:
    """Neighbours in a block are not neighbours in the group: their places are uncorrelated."""
    places = np.array([spread_targets(CLIP, 24, rng_of(seed)) % 48 for seed in range(300)])
    assert abs(np.corrcoef(places[:, :-1].ravel(), places[:, 1:].ravel())[0, 1]) < 0.1


def test_hops_are_spread_over_length_and_direction() -> None:
    """Of 24 hops each 24th of the log-normal lengths has one, and of two neighbouring strata one
    goes forward and one back."""
    settings = ScrubSettings(requests=24, near_median_frames=1e5)
    requests = plan_requests("near", clips=[(0, 10**12)], settings=settings, rng=rng_of(), blocks=2)
    hops = np.diff([frame for _, frame in requests])[-24:]
    lengths = NormalDist(float(np.log(1e5)), HOP_LOG_SD)
    strata = {int(24 * lengths.cdf(float(np.log(abs(hop))))): np.sign(hop) for hop in hops}
    assert sorted(strata) == list(range(24))
    assert {strata[k] + strata[k + 1] for k in range(0, 24, 2)} == {0}


def test_hops_between_clips_are_spread_in_each() -> None:
    """Of 24 moves to and fro, the 12 in either clip meet each 12th of the group once."""
    settings = ScrubSettings(requests=24)
    requests = plan_requests("hop", clips=[CLIP, CLIP], settings=settings, rng=rng_of())
    for clip in (0, 1):
        assert sorted(f % 48 // 4 for c, f in requests if c == clip) == list(range(12))


@pytest.mark.parametrize("pattern", PATTERNS)
def test_fewer_blocks_are_the_beginning_of_more(pattern: str) -> None:
    """Who plays one block plays the first of whoever plays three."""
    one, three = (
        plan_requests(
            pattern, clips=[CLIP, CLIP], settings=ScrubSettings(), rng=rng_of(), blocks=blocks
        )
        for blocks in (1, 3)
    )
    assert (len(one), len(three)) == (24, 72)
    assert three[:24] == one


def scenario(**changes: object) -> Scenario:
    settings: dict[str, object] = {
        "name": "blocks",
        "seed": 1,
        "rounds": 6,
        "clips": (ClipSpec(name="a", recipe=Recipe()),),
        "scrub": ScrubSettings(patterns=("jump",), requests=12, threads=(1,)),
    }
    return Scenario.model_validate(settings | changes)


CELL = Cell(task="scrub", clip="a", encoding="x", setting=Setting(pattern="jump"))
ONE = [PlannedCell(CELL)]


def trial(
    index: int, *blocks_ms: float, cell: Cell = CELL, moves: int = 12, arm: str = ""
) -> Trial:
    """A trial whose moves of each block all take so long."""
    latency_ns = [int(ms * MS) for ms in blocks_ms for _ in range(moves)]
    zeros = (0,) * len(latency_ns)
    return Trial(
        round_index=index,
        position=0,
        cell=cell,
        arm=arm,
        seed=index,
        blocks=len(blocks_ms),
        request_design="hypercube",
        started_utc="",
        wall_ns=10**9,
        outcome="finished",
        measurement=ScrubMeasurement(
            clip_position=zeros,
            frame_index=zeros,
            locate_ns=zeros,
            decode_ns=tuple(latency_ns),
            present_ns=zeros,
            overhead_ns=zeros,
            decoded_frames=zeros,
            read_bytes=zeros,
            shown_frame=zeros,
            proof=("right",) * len(latency_ns),
            open_ns=(1,),
            block=tuple(k // moves for k in range(len(latency_ns))),
        ),
    )


def blocks_in(progress: Rounds, index: int, cell: Cell = CELL) -> int:
    planned = PlannedTrial(round_index=index, position=0, cell=cell, seed=0)
    return progress.with_blocks(planned).blocks


def test_the_first_round_decides_how_many_blocks_all_later_ones_play() -> None:
    """Moves of 20 ms, 12 a block: six rounds want 400 moves, so one block and then seven; neither
    the second trial of the round, nor slower ones later, nor a resumed run change that."""
    progress = Rounds(scenario(), ONE, clock_ns=lambda: 0)
    assert blocks_in(progress, 0) == 1
    trials = [trial(0, 20), trial(0, 90, arm="null"), trial(1, *[90] * 7)]
    for done in trials:
        progress.note(done)
        assert blocks_in(progress, 0) == 1
        assert blocks_in(progress, 2) == 7
    resumed = Rounds(scenario(rounds=60), ONE, trials, clock_ns=lambda: 0)
    assert blocks_in(resumed, 5) == 7
    before = Rounds(scenario(), ONE, [trial(0, 20), trial(1, 20)], clock_ns=lambda: 0)
    assert blocks_in(before, 2) == 1


def test_a_slow_first_move_does_not_cost_the_later_rounds_their_blocks() -> None:
    """Moves of 20 ms after one of 2 s: seven blocks, as without it."""
    progress = Rounds(scenario(), ONE, clock_ns=lambda: 0)
    pilot = trial(0, 20)
    cold = (2000 * MS, *pilot.measurement.decode_ns[1:])
    measured = pilot.measurement.model_copy(update={"decode_ns": cold})
    progress.note(pilot.model_copy(update={"measurement": measured}))
    assert blocks_in(progress, 1) == 7


@pytest.mark.parametrize(
    ("block_ms", "rounds", "blocks"),
    [(1, 6, 7), (250, 6, 7), (300, 6, 3), (900, 6, 1), (5000, 6, 1), (1, 2, 33), (1, 1, 1)],
)
def test_blocks_are_what_a_p95_wants_in_two_seconds_or_fill_one(
    block_ms: float, rounds: int, blocks: int
) -> None:
    """Sets of 12 moves: as many as bring 400 moves; where these take above two seconds a trial, no
    more than one second holds."""
    plan = scenario(rounds=rounds)
    assert count_blocks(plan, block_ns=block_ms * MS) == blocks


def test_the_time_expected_counts_the_blocks_to_come() -> None:
    """A pilot of 1 s with one block of 240 ms lets expect 6 × 0.24 s more of a later trial."""
    progress = Rounds(scenario(), ONE, [trial(0, 20)], clock_ns=lambda: 0)
    planned = PlannedTrial(round_index=1, position=0, cell=CELL, seed=0)
    assert progress.expected_s([planned]) == pytest.approx(1 + 6 * 0.24)


def test_runs_are_compared_over_the_blocks_that_both_played() -> None:
    """The candidate's second block is three times as slow; over the first, which both played, the
    ratio is 1, and trials without a partner keep all their moves."""
    baseline = [trial(index, 10) for index in range(3)]
    candidate = [trial(index, 10, 30) for index in range(4)]
    first, second = (costs.by_cell[CELL] for costs in read_common_costs([baseline, candidate]))
    assert list(first.values()) == [second[key] for key in first] == [10.0] * 3
    assert second[3, ("hypercube", 3)] == 20


def test_encodings_are_paired_over_the_blocks_that_both_played() -> None:
    """One encoding plays one block of 10 ms, the other three that become slower: ratio 1."""
    other = CELL.but(encoding="y")
    one = observe(trial(k, 10) for k in range(3))
    three = observe(trial(k, 10, 40, 40, cell=other) for k in range(3))
    ratio = compare_groups(three, one, "p50_ms", confidence_level=0.95)
    assert ratio is not None
    assert ratio.point == pytest.approx(1)
    (cut,) = over_common_blocks([[one[0], three[0]]], lambda _: None)
    assert [o.work.sample_count for o in cut] == [12, 12]


@pytest.mark.parametrize("name", SHIPPED)
def test_planned_rounds_of_a_shipped_scenario_bring_an_interval_of_p95(name: str) -> None:
    """Moves of 20 ms on average in the demo and of 35 ms elsewhere, and a tenth on top: the planned
    rounds hold 400 of them. At least five rounds are measured, without which a p95 has none."""
    is_own = "{footage}" in Path(SHIPPED[name]).read_text(encoding="utf-8")
    plan = read_scenario(SHIPPED[name], footage=("own.mov",) if is_own else ())
    assert plan.minimum_rounds >= MINIMUM_TRIALS
    scrub = plan.settings(ScrubSettings)
    if scrub is not None:
        move_ms = 1.1 * (20 if name == "first-look" else 35)
        blocks = count_blocks(plan, block_ns=scrub.requests * move_ms * MS)
        assert scrub.requests * (1 + (plan.rounds - 1) * blocks) >= samples_needed(0.95)


def test_the_rounds_that_a_tail_lacks_are_of_the_size_of_later_ones() -> None:
    """A pilot of 12 moves and one round of 84 lack 304 for a p95, which four more rounds bring."""
    tail = estimate_tail([np.ones(12), np.ones(84)], 0.95, confidence_level=0.95)
    assert (tail.interval, tail.missing_trials) == (None, 4)
