"""What a run's intervals reached, which cell spreads most, and what a few more rounds bring."""

import math
from statistics import stdev

import pytest
from scipy import stats

from fixtures.fabricated_run import Fabrication, Spread, fabricate_run
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.estimate.observed_run import ObservedRun, observe
from mezzmark.decide.machine.state import (
    MOST_MORE_ROUNDS,
    Precision,
    PrecisionPlan,
    judge_precision,
    measure_spreads,
    plan_precision,
)
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.report.prose.machine import width_text
from mezzmark.report.prose.method import precision_plan_text, precision_text

CALM = Spread(sample=0.01, trial=0.01, round=0.0)


def _run(spread: Spread = CALM, rounds: int = 6) -> tuple[Manifest, tuple[Trial, ...]]:
    return fabricate_run(Fabrication(spread=spread, rounds=rounds))


def _with_one_wild(factor: float) -> tuple[Manifest, list[Trial]]:
    """Calm trials, but stepping to near pictures of one encoding swings by `factor` each round."""
    manifest, trials = _run()
    changed = []
    for trial in trials:
        cell, measurement = trial.cell, trial.measurement
        if (cell.task, cell.encoding, cell.setting["pattern"]) == ("scrub", "VC-3 SQ", "near"):
            times = factor if trial.round_index % 2 else 1 / factor
            longer = {
                name: tuple(round(times * ns) for ns in getattr(measurement, name))
                for name in ("locate_ns", "decode_ns", "present_ns")
            }
            measurement = measurement.model_copy(update=longer)
        changed.append(trial.model_copy(update={"measurement": measurement}))
    return manifest, changed


def _judge(manifest: Manifest, trials: list[Trial]) -> Precision | None:
    return judge_precision(ObservedRun(manifest, tuple(trials)))


def test_widths_are_those_of_t_on_logs() -> None:
    """A cell's half-width is exp(t · sd / √n) - 1, from its own medians."""
    _, trials = _run(Spread(sample=0.05, trial=0.1, round=0.0))
    widest = measure_spreads(observe(trials))[0]
    logs = [
        math.log(o.figures.get("p50_ms") or o.figures["throughput_fps"])
        for o in observe(trials)
        if o.cell == widest.cell
    ]
    expected = math.expm1(stats.t.ppf(0.975, 5) * stdev(logs) / math.sqrt(6))
    assert widest.half_width_fraction() == pytest.approx(expected)


def test_the_cell_that_spreads_most_stands_beside_the_others() -> None:
    """One cell swings by a third, all others are calm: it is named, and most cells are tight."""
    found = _judge(*_with_one_wild(1.3))
    cell = found.widest
    assert (cell.task, cell.encoding, cell.setting["pattern"]) == ("scrub", "VC-3 SQ", "near")
    assert found.typical_fraction < 0.02
    assert found.widest_fraction > 0.2
    assert found.more_rounds == MOST_MORE_ROUNDS
    assert 0.05 < found.reached_fraction < found.widest_fraction


def test_a_run_that_is_precise_enough_needs_no_more_rounds() -> None:
    """Where every cell keeps to the precision asked for, no more rounds are proposed."""
    found = _judge(*_run(Spread(sample=0.001, trial=0.001, round=0.0), rounds=10))
    assert (found.more_rounds, found.goal_fraction) == (0, 0.05)


def test_too_few_rounds_predict_nothing() -> None:
    """Two rounds say nothing of the spread."""
    assert _judge(*_run(rounds=2)) is None
    assert plan_precision(*_run(rounds=2), 1) is None


def test_a_plan_never_exceeds_the_scenarios_rounds_or_its_time() -> None:
    """Ten rounds are allowed; time for four leaves four, and the limit is named; two give no
    interval. Rounds of twice as many trials as the earlier run's take twice as long."""
    manifest, trials = _run()
    count = len(trials) // 6
    twice = plan_precision(manifest, trials, 2 * count)
    plan = plan_precision(manifest, trials, count)
    assert twice.round_duration_s == pytest.approx(2 * plan.round_duration_s)
    assert (plan.round_count, plan.limited_by) == (manifest.scenario.rounds, "rounds")
    round_s = sum(trial.wall_ns for trial in trials) / 1e9 / 6
    assert plan.round_duration_s == pytest.approx(round_s)
    for budget, minimum, rounds in ((4.5, 3, 4), (2.5, 2, 2)):
        limits = {"time_budget_s": budget * round_s, "minimum_rounds": minimum}
        short = manifest.scenario.model_copy(update=limits)
        plan = plan_precision(manifest.model_copy(update={"scenario": short}), trials, count)
        assert (plan.round_count, plan.limited_by) == (rounds, "time")
        assert (plan.widest_fraction is None) is (rounds < 3)


def test_precision_in_words() -> None:
    """What was reached, what more rounds would bring, and plans within rounds, time and neither;
    widths in percent, and a factor where a share below nothing would mean nothing."""
    manifest, trials = _run()
    several = manifest.model_copy(update={"clips": manifest.clips * 2})
    cell = next(trial.cell for trial in trials if trial.cell.task == "encode")
    scrub = next(trial.cell for trial in trials if trial.cell.task == "scrub")
    found = Precision(
        goal_fraction=0.05,
        typical_fraction=0.042,
        widest=scrub,
        widest_fraction=0.18,
        more_rounds=3,
        more_duration_s=300,
        reached_fraction=0.05,
    )
    plan = PrecisionPlan(
        round_count=10,
        limited_by="rounds",
        round_duration_s=1000,
        goal_fraction=0.05,
        widest=cell,
        typical_fraction=0.004,
        widest_fraction=3.4,
    )
    none = {"round_count": 2, "limited_by": "time", "typical_fraction": None}
    widths = (0.004, 0.042, 0.18, 0.99, 3.4, 345.2)
    lines = [
        precision_text(found, manifest),
        precision_text(found.model_copy(update={"widest": cell}), several),
        precision_text(found.model_copy(update={"more_rounds": 0}), manifest),
        precision_plan_text(plan, manifest),
        precision_plan_text(plan.model_copy(update=none), manifest),
        *(width_text(width) for width in widths),
    ]
    assert_matches_snapshot("\n".join(lines), "precision")
