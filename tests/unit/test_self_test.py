"""What a machine can find is counted honestly from the trials of its arms."""

from typing import get_args

import numpy as np
import pytest

from fixtures.fabricated_run import fabricate_host
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.compare.self_test import (
    ClockFacts,
    MachineWarning,
    SelfTestReport,
    judge_self_test,
    warn_of_machine,
)
from mezzmark.engines.play.player import Move
from mezzmark.engines.play.scrub import delayed
from mezzmark.model.records import HostMoment
from mezzmark.model.run import HostFacts
from mezzmark.report.prose.machine import machine_advice
from mezzmark.runner.self_test import probe_clock

RULES = {"tolerance_fraction": 0.05}


def _arms(*, sd: float, slow_fraction: float, seed: int = 7) -> np.ndarray:
    """Two identical arms and one slowed, 200 comparisons of 8 rounds, log-normal spread."""
    rng = np.random.default_rng(seed)
    costs = np.exp(rng.normal(0, sd, size=(3, 200, 8)))
    costs[2] *= 1 + slow_fraction
    return costs


def test_a_large_slowdown_is_always_found_and_identical_arms_seldom_alarm() -> None:
    """With a spread of 1 % a slowdown of 20 % is found in every comparison, and the false alarms
    of identical arms stay within what a 5 % level allows."""
    found = judge_self_test(_arms(sd=0.01, slow_fraction=0.2), (0.2,), **RULES)
    assert found.planted[0].found_count == 200
    assert found.planted[0].predicted_share == pytest.approx(1.0, abs=1e-6)
    assert found.false_alarm_count <= 20


def test_the_spread_is_that_of_the_ratio() -> None:
    """Two arms of sd 3 % have a ratio of sd √2 · 3 %."""
    found = judge_self_test(_arms(sd=0.03, slow_fraction=0.05), (0.05,), **RULES)
    assert found.round_sd_fraction == pytest.approx(0.03 * np.sqrt(2), rel=0.1)


def test_found_share_agrees_with_the_prediction() -> None:
    """The share found lies within three standard errors of the noncentral t prediction."""
    planted = judge_self_test(_arms(sd=0.03, slow_fraction=0.05), (0.05,), **RULES).planted[0]
    share = planted.predicted_share
    spread = np.sqrt(share * (1 - share) / 200)
    assert abs(planted.found_count / 200 - share) < 3 * spread


def test_a_planted_slowdown_takes_its_share_of_time() -> None:
    """A player slowed by a half reports spans half as long again, by the same clock."""

    class Clock:
        now = 0

        def __call__(self) -> int:
            self.now += 10
            return self.now

    fixed = Move(
        locate_ns=200,
        decode_ns=600,
        present_ns=200,
        decoded_frames=1,
        packet_bytes=1,
        picture=None,
        view=None,
    )
    move = delayed(lambda *_: fixed, fraction=0.5)(0, Clock())
    assert move.locate_ns + move.decode_ns + move.present_ns == pytest.approx(1500, abs=20)


def test_the_clock_is_probed_by_its_own_readings() -> None:
    """A clock that steps by 100 ns every second reading has a step of 100 ns."""
    readings = iter(n // 2 * 100 for n in range(10**6))
    assert probe_clock(lambda: next(readings)).resolution_ns == 100


def _host(**changes: object) -> HostFacts:
    return fabricate_host("test").model_copy(update=changes)


@pytest.mark.parametrize(
    ("changes", "load", "kind"),
    [
        ({"governor": "powersave"}, 0.0, "governor"),
        ({"turbo": "on"}, 0.0, "turbo"),
        ({"is_virtual": True}, 0.0, "virtual"),
        ({"on_battery": True}, 0.0, "battery"),
        ({}, 3.0, "load"),
        ({"file_system": "nfs4"}, 0.0, "network_storage"),
        ({"storage_free_bytes": 10**9}, 0.0, "scarce_storage"),
    ],
)
def test_each_trouble_gives_its_own_warning(
    changes: dict[str, object], load: float, kind: str
) -> None:
    """A quiet machine gives no warning; each trouble gives exactly its own."""
    assert warn_of_machine(_host(), HostMoment(load_average_1m=0.1)) == ()
    assert warn_of_machine(_host(**changes), HostMoment(load_average_1m=load)) == (kind,)


def test_machine_warnings_in_words() -> None:
    """Each warning says what was found and what to do about it."""
    troubled = _host(governor="powersave", file_system="nfs4", storage_free_bytes=10**9)
    report = SelfTestReport(
        host=troubled,
        moment=HostMoment(load_average_1m=3.0),
        clock=ClockFacts(resolution_ns=1, reading_ns=50),
        warnings=get_args(MachineWarning),
        findings=None,
    )
    lines = [f"{advice.what} {advice.remedy}" for advice in machine_advice(report)]
    assert_matches_snapshot("\n".join(lines), "machine_warnings")
