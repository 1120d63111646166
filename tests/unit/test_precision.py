"""What a run's intervals reached, which cell spreads most, and what a few more rounds bring."""

import math
from statistics import stdev

import pytest
from scipy import stats

from fixtures.fabricated_run import Fabrication, Spread, fabricate_run
from mezzmark.decide.estimate.observations import observe
from mezzmark.decide.estimate.precision import (
    MOST_MORE_ROUNDS,
    describe_precision,
    measure_spreads,
    plan_precision,
    width_text,
)
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest

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


def _words(manifest: Manifest, trials: object) -> str:
    return describe_precision(manifest, trials, observe(trials), confidence_level=0.95)


def test_widths_are_those_of_t_on_logs() -> None:
    """A cell's half-width is exp(t · sd / √n) - 1, from its own medians."""
    _, trials = _run(Spread(sample=0.05, trial=0.1, round=0.0))
    widest = measure_spreads(observe(trials), confidence_level=0.95)[0]
    logs = [
        math.log(o.figures.get("p50_ms") or o.figures["throughput_fps"])
        for o in observe(trials)
        if o.cell == widest.cell
    ]
    expected = math.expm1(stats.t.ppf(0.975, 5) * stdev(logs) / math.sqrt(6))
    assert widest.half_width_fraction() == pytest.approx(expected)


def test_the_cell_that_spreads_most_is_named_beside_the_others() -> None:
    """One cell of swings by half, all others calm: it is named, and most cells are told tight."""
    text = _words(*_with_one_wild(1.3))
    assert text.startswith("Most cells are within ±1")
    assert "the widest, VC-3 SQ when the playhead moved a short way, is within ±" in text
    assert f"another {MOST_MORE_ROUNDS} rounds" in text


def test_a_spread_beyond_all_measure_is_told_as_a_factor() -> None:
    """Swings by a factor of eight either way give no percentage above 100."""
    text = _words(*_with_one_wild(8.0))
    assert "is within a factor of " in text
    assert "e+" not in text


def test_a_run_that_is_precise_enough_says_so() -> None:
    """Where every cell keeps to the precision asked for, no more rounds are proposed."""
    assert _words(*_run(Spread(sample=0.001, trial=0.001, round=0.0), rounds=10)) == (
        "Every cell is within ±5 %, the precision asked for."
    )


def test_too_few_rounds_foretell_nothing() -> None:
    """Two rounds say nothing of the spread."""
    assert _words(*_run(rounds=2)) == ""
    assert plan_precision(*_run(rounds=2)) == ""


def test_a_plan_never_exceeds_the_scenarios_rounds_or_its_time() -> None:
    """Ten rounds are allowed; time for four leaves four, and the limit is named."""
    manifest, trials = _run()
    allowed = manifest.scenario.rounds
    assert f". {allowed} rounds (the most the scenario allows" in plan_precision(manifest, trials)
    round_s = sum(trial.wall_ns for trial in trials) / 1e9 / 6
    short = manifest.scenario.model_copy(
        update={"time_budget_s": 4.5 * round_s, "minimum_rounds": 3}
    )
    text = plan_precision(manifest.model_copy(update={"scenario": short}), trials)
    assert ". 4 rounds (what the time budget holds" in text


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0.004, "±0.4 %"),
        (0.042, "±4 %"),
        (0.18, "±18 %"),
        (0.99, "±99 %"),
        (3.4, "a factor of 4.4"),
        (345.2, "a factor of 346"),
    ],
)
def test_widths_in_words(fraction: float, text: str) -> None:
    """A tenth of a percent below two percent, whole ones above, a factor from a doubling on."""
    assert width_text(fraction) == text
