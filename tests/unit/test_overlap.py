"""Runs that took turns, ran one after the other, or ran at once and disturbed each other."""

import math
from datetime import UTC, datetime, timedelta

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.two_sides import ENCODE, QUIET, SCRUB, Run, build_run
from mezzmark.decide.compare.evidence import choose_design
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.machine.identity import shared_fraction
from mezzmark.model.records import Trial

START = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
PLUS_10 = math.log(1.10)


def timed(run: Run, starts_s: list[float], wall_s: float) -> Run:
    """The run with its trials at these seconds, each at work so long."""
    trials = tuple(
        trial.model_copy(
            update={
                "started_utc": (START + timedelta(seconds=start_s)).isoformat(),
                "wall_ns": round(wall_s * 1e9),
            }
        )
        for trial, start_s in zip(run.trials, starts_s, strict=True)
    )
    return Run(run.manifest, trials)


def encodes(starts_s: list[float], *, wall_s: float = 10.0, log_cost: float = 0.0) -> Run:
    """A run of eight rounds of one cell."""
    run = build_run({ENCODE: QUIET + log_cost}, run_id=f"from {starts_s[0]:g}")
    return timed(run, starts_s, wall_s)


def every(step_s: float, *, first_s: float = 0.0) -> list[float]:
    return [first_s + step_s * index for index in range(8)]


@pytest.mark.parametrize(
    ("second_s", "wall_s", "expected"),
    [
        (every(20, first_s=10), 10.0, 0.0),
        (every(20, first_s=5), 10.0, 0.5),
        (every(20), 10.0, 1.0),
        (every(20, first_s=19), 2.0, 7 / 16),
    ],
)
def test_shared_time_is_that_in_which_both_work(
    second_s: list[float], wall_s: float, expected: float
) -> None:
    """Trials of 10 s every 20 s against the other run's: after 5 s half of it is shared; 2 s from
    19 s on share 1 s with each of the seven later trials, of 16 s in all."""
    first = encodes(every(20))
    second = encodes(second_s, wall_s=wall_s)
    assert shared_fraction(first.trials, second.trials) == pytest.approx(expected)
    assert shared_fraction(second.trials, first.trials) == pytest.approx(expected)


def test_a_start_that_is_no_date_takes_no_part() -> None:
    """A time that was edited away leaves the others; it is not an error."""
    first = encodes(every(20))
    odd = first.trials[0].model_copy(update={"started_utc": "then"})
    assert shared_fraction([odd], first.trials) == 0.0


def test_runs_at_once_give_no_verdict_and_name_the_runs() -> None:
    """10 % slower, in trials that overlapped: inconclusive, exit code 11, the ratio still shown,
    and both runs named."""
    report = compare_runs(
        [encodes(every(20))],
        [encodes(every(20, first_s=5), log_cost=PLUS_10)],
        tolerance_fraction=0.05,
    )
    assert (report.design, report.verdict, report.exit_code) == (
        "at the same time",
        "inconclusive",
        11,
    )
    (cell,) = report.cells
    assert cell.withheld_verdict == "regressed"
    assert cell.cost_ratio.point == pytest.approx(1.10, rel=1e-6)
    assert report.overlaps == (("from 0", "from 5"),)


def test_runs_at_once_do_not_show_no_change_either() -> None:
    """Equal within the tolerance, at once: both may have been slowed alike, so it is open."""
    report = compare_runs(
        [encodes(every(20))], [encodes(every(20, first_s=5))], tolerance_fraction=0.05
    )
    assert report.cells[0].verdict == "inconclusive"
    assert report.cells[0].withheld_verdict == "equivalent"


def test_wrong_pictures_count_whatever_else_ran() -> None:
    """A wrong picture is seen, not timed: it stays a regression in runs at once."""
    first = timed(build_run({SCRUB: QUIET}, run_id="a"), every(20), 10.0)
    second = timed(build_run({SCRUB: QUIET}, run_id="b", wrong={SCRUB: 1}), every(20), 10.0)
    report = compare_runs([first], [second], tolerance_fraction=0.05)
    assert (report.design, report.verdict) == ("at the same time", "regressed")


def test_two_runs_of_one_side_that_overlap_spoil_it_too() -> None:
    """Two baselines at once, the candidate alone: no verdict."""
    runs = [encodes(every(20)), encodes(every(20, first_s=5)), encodes(every(20, first_s=900))]
    report = compare_runs(runs[:2], runs[2:], tolerance_fraction=0.05)
    assert report.design == "at the same time"
    assert report.overlaps == (("from 0", "from 5"),)


def test_trials_that_barely_touch_are_no_runs_at_once() -> None:
    """0.5 s of 80 s shared, at the seam between two runs: still one after the other."""
    first = encodes(every(10))
    second = encodes(every(10, first_s=79.5))
    assert shared_fraction(first.trials, second.trials) == pytest.approx(0.5 / 80)
    assert choose_design([first], [second]) == "separate"


def test_rounds_in_turn_must_not_begin_inside_another() -> None:
    """A B A B with 5 s between: in turn. The same starts with a second trial of the first run
    after the other side has begun: no trials overlap, but the rounds do, so it is not."""
    first, second = encodes(every(40)), encodes(every(40, first_s=15))
    assert choose_design([first], [second]) == "interleaved"
    late: list[Trial] = [
        trial.model_copy(
            update={
                "position": 1,
                "started_utc": (
                    datetime.fromisoformat(trial.started_utc) + timedelta(seconds=27)
                ).isoformat(),
            }
        )
        for trial in first.trials
    ]
    assert choose_design([Run(first.manifest, (*first.trials, *late))], [second]) == "separate"


def test_hosts_of_another_label_are_other_machines_when_they_run_at_once() -> None:
    """Two workstations of one kind, each with its label, measured by two people at once: two
    machines, and no disturbance."""
    manifest = fabricate_manifest(Fabrication())
    host = manifest.host.model_copy(update={"host_label": "the other desk"})
    second = encodes(every(20, first_s=5))
    other = Run(manifest.model_copy(update={"host": host}), second.trials)
    assert choose_design([encodes(every(20))], [other]) == "two machines"
