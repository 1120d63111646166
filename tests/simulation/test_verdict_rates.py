"""False alarms and power of verdicts, in six worlds; quick here, thorough when slow.

A share of at most 5 % is refused where the exact limit (99.9 %) of what was counted lies above: of
800 comparisons from 63 on (7.9 %). So a true 9.5 % is refused with a chance of 95 %, and a true 5 %
with one of 0.05 % (binomial).
"""

import math

import numpy as np
import pytest

from mezzmark.decide.compare.verdicts import Evidence, judge_evidence
from mezzmark.statistics.intervals import share_interval
from mezzmark.statistics.paired import paired_change
from simulation.regress_rates import World, count, last_coverage
from simulation.session_worlds import SESSION_WORLDS, Order, SessionPlan
from simulation.verdict_rates import measure_run_verdicts, measure_verdicts

SEED = 4
ORDERS: tuple[Order, ...] = ("in turn", "one after the other")
EVERY_WORLD = pytest.mark.parametrize("world", SESSION_WORLDS)
BOTH_ORDERS = pytest.mark.parametrize("order", ORDERS)


def rng_of(*key: int) -> np.random.Generator:
    return np.random.default_rng([SEED, *key])


def leaves_possible_at_most(count: int, total: int, share: float) -> bool:
    """Whether `count` of `total` is compatible with a true share that small (exact, 99.9 %)."""
    return share_interval(count, total, confidence_level=0.999).low <= share


@EVERY_WORLD
@BOTH_ORDERS
@pytest.mark.parametrize(
    "comparisons", [40, pytest.param(800, marks=pytest.mark.slow)], ids=["quick", "thorough"]
)
def test_false_alarms_over_a_whole_comparison(world: str, order: Order, comparisons: int) -> None:
    """A/A: in at most 5 % of comparisons of five cells is any cell called changed."""
    rates = measure_verdicts(world, order, SessionPlan(comparisons=comparisons), rng_of(0))
    assert leaves_possible_at_most(rates.with_change, rates.comparisons, 0.05), rates


@pytest.mark.slow
@pytest.mark.parametrize("elasticity", [0.0, 0.5])  # 1: the test before
@pytest.mark.parametrize("world", ["AR(1) 0.9", "5 % linear drift"])
def test_false_alarms_whatever_part_of_the_machines_change_hits_the_work(
    world: str, elasticity: float
) -> None:
    """Runs at different times: the stated assumption, between nothing and as much as the kernel,
    is enough for 5 %."""
    plan = SessionPlan(comparisons=800, elasticity=elasticity)
    rates = measure_verdicts(world, "one after the other", plan, rng_of(1))
    assert leaves_possible_at_most(rates.with_change, rates.comparisons, 0.05), rates


@pytest.mark.parametrize(("kernel_share", "is_false"), [(0.0, True), (1.0, False)])
def test_what_the_kernel_is_for(kernel_share: float, is_false: bool) -> None:
    """A machine that slowed by 12 %: false alarms far above 5 % where the kernel does not feel it,
    and none where it does."""
    world = World(machine_log=math.log(1.12), kernel_share=kernel_share, run_sd=0.0)
    false = count(world, 60, rng_of(2))["false"]
    assert leaves_possible_at_most(false, 60, 0.05) != is_false


@pytest.mark.parametrize("runs", [1, 3])
@pytest.mark.parametrize("of_two_kinds", [False, True])
def test_false_alarms_where_runs_differ_by_2_percent(runs: int, of_two_kinds: bool) -> None:
    """Twelve cells, each of each run off by itself, trials alike or of two kinds."""
    world = World(cells=12, runs=runs, run_sd=0.02, kernel_share=0.5, of_two_kinds=of_two_kinds)
    found = count(world, 30, rng_of(8))
    assert leaves_possible_at_most(found["false"], 30, 0.05), found


@pytest.mark.parametrize(("runs", "planted", "least"), [(1, 1.15, 0.8), (3, 1.10, 0.75)])
def test_power_where_runs_differ_by_1_percent(runs: int, planted: float, least: float) -> None:
    """One of five cells slower by 15 % (a run a side) or 10 % (three): `regressed` in most."""
    found = count(World(runs=runs, planted=math.log(planted)), 80, rng_of(9))["found"]
    assert share_interval(found, 80, confidence_level=0.999).high >= least
    assert found / 80 > least - 0.1


@EVERY_WORLD
@BOTH_ORDERS
@pytest.mark.parametrize(
    "comparisons", [80, pytest.param(800, marks=pytest.mark.slow)], ids=["quick", "thorough"]
)
def test_false_equivalence_at_the_margin(world: str, order: Order, comparisons: int) -> None:
    """A true change as large as the tolerance is called equivalent in at most 5 %."""
    plan = SessionPlan(
        comparisons=comparisons, rounds=20, cells=1, samples=60, change_log=math.log(1.05)
    )
    rates = measure_verdicts(world, order, plan, rng_of(4))
    assert leaves_possible_at_most(rates.equivalent_cells, rates.cells, 0.05), rates


@pytest.mark.parametrize(("round_sd", "rounds"), [(0.02, 5), (0.03, 7), (0.05, 14)])
@pytest.mark.parametrize(
    "comparisons", [1500, pytest.param(4000, marks=pytest.mark.slow)], ids=["quick", "thorough"]
)
def test_power_for_a_slowdown_of_5_percent(round_sd: float, rounds: int, comparisons: int) -> None:
    """One cell 5 % slower: surely above 1 in 90 % of comparisons with so many rounds."""
    rng = rng_of(5)
    costs = np.exp(rng.normal(math.log(1.05), round_sd, (comparisons, rounds)))
    found = 0
    for ratios in costs:
        change = paired_change(np.ones(rounds), ratios)
        evidence = Evidence(undisturbed=change, typical=change)
        (judged,) = judge_evidence([evidence], tolerance_fraction=0.05, confidence_level=0.95)
        found += judged.interval.low > 1
    limits = share_interval(found, comparisons, confidence_level=0.999)
    assert limits.high >= 0.9, limits


@pytest.mark.parametrize("runs", [(3, 1), (3, 3)])
def test_false_alarms_with_several_runs(runs: tuple[int, int]) -> None:
    """A/A with a run effect of 2 %, with whole runs as units: at most 5 %."""
    arguments = {"comparisons": 200, "run_sd": 0.02, "round_sd": 0.02, "rounds": 10, "cells": 5}
    found = measure_run_verdicts(rng_of(6), runs=runs, **arguments)
    assert leaves_possible_at_most(found.with_change, 200, 0.05), found


@pytest.mark.parametrize("is_common", [True, False])
def test_the_last_run_of_a_history_against_the_first(is_common: bool) -> None:
    """Its interval holds the ratio of their true levels in about 95 %."""
    held = round(400 * last_coverage(5, 400, rng_of(10), is_common=is_common))
    limits = share_interval(held, 400, confidence_level=0.999)
    assert limits.low <= 0.97
    assert limits.high >= 0.93
