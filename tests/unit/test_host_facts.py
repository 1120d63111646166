"""Host facts from the texts of other machines, and from this one."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from mezzmark.host import common as host
from mezzmark.host import linux
from mezzmark.host.common import (
    HostWatch,
    cpu_shares,
    read_host_facts,
    read_host_moment,
    read_process_facts,
)
from mezzmark.model.run import HostFacts

X86 = "processor\t: 0\nmodel name\t: Some CPU @ 3.00GHz\nflags\t\t: fpu vme hypervisor lahf_lm\n"
ARM = "processor\t: 0\nBogoMIPS\t: 108.00\nFeatures\t: fp asimd\n\nModel\t\t: Board 5 Rev 1.0\n"
PRESSURE = (
    "some avg10=12.50 avg60=2.80 avg300=1.65 total=13952893\n"
    "full avg10=1.00 avg60=0.00 avg300=0.00 total=17\n"
)


DRIVER = "NVRM version: GPU UNIX x86_64 Kernel Module  570.86.15  Thu Jan 23\nGCC version: 12.3"
STATUS = "VmPeak:\t  900000 kB\nVmHWM:\t   77597 kB\nVmRSS:\t   60000 kB\n"


@pytest.mark.parametrize(
    ("parse", "text", "found"),
    [
        (linux.parse_cpu_model, X86, "Some CPU @ 3.00GHz"),
        (linux.parse_cpu_model, ARM, "Board 5 Rev 1.0"),
        (linux.parse_is_virtual, X86, True),
        (linux.parse_is_virtual, X86.replace("hypervisor ", ""), False),
        (linux.parse_is_virtual, ARM, None),
        (linux.parse_pressure, PRESSURE, (0.125, 13952893)),
        (linux.parse_pressure, "full avg10=1.00 total=17", None),
        (linux.parse_peak_rss_bytes, STATUS, 77597 * 1024),
        (linux.parse_peak_rss_bytes, "VmPeak: 1 kB", None),
        (linux.parse_driver_version, DRIVER, "570.86.15"),
        (linux.parse_core_quota, "max 100000", None),
        (linux.parse_core_quota, "150000 100000", 2),
        (linux.parse_core_quota, "50000 100000", 1),
        (linux.parse_core_quota, "400000 100000", 4),
    ],
)
def test_what_linux_says_is_read(parse: Callable, text: str, found: object) -> None:
    """A processor's name on x86 and ARM, and whether a hypervisor runs it, where it has such a
    flag; pressure's "some" line, 12.50 % being 0.125, in microseconds; VmHWM in kibibytes; a
    driver's first number with a dot; 1.5 cores of a quota as two, half a core as one. Of no text
    nothing is known."""
    assert parse(text) == found
    assert parse("") is None


def test_turbo_is_read_from_either_driver(tmp_path: Path) -> None:
    """One driver says "no turbo", the other "boost"; without either nothing is known."""
    assert linux.read_turbo(tmp_path) is None
    write(tmp_path / "sys/devices/system/cpu/cpufreq/boost", "0")
    assert linux.read_turbo(tmp_path) == "off"
    write(tmp_path / "sys/devices/system/cpu/intel_pstate/no_turbo", "0")
    assert linux.read_turbo(tmp_path) == "on"


def test_throttling_is_summed_over_the_cores(tmp_path: Path) -> None:
    """Counts of all cores add up; no counter at all is None, not 0."""
    assert linux.read_throttle_count(tmp_path) is None
    for core, count in enumerate((3, 0, 4)):
        write(
            tmp_path / f"sys/devices/system/cpu/cpu{core}/thermal_throttle/core_throttle_count",
            f"{count}\n",
        )
    assert linux.read_throttle_count(tmp_path) == 7


def test_pressures_that_are_not_told_are_left_out(tmp_path: Path) -> None:
    """A kernel without memory pressure gives the other two."""
    write(tmp_path / "proc/pressure/cpu", PRESSURE)
    write(tmp_path / "proc/pressure/io", PRESSURE.replace("12.50", "0.00"))
    assert linux.read_pressures(tmp_path) == {"cpu": (0.125, 13952893), "io": (0.0, 13952893)}


def write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)


def test_shares_are_of_all_time_that_passed() -> None:
    """Of 10 s: 4 user (with 1 of a guest in it), 1 system, 3 idle, 1 waiting, 1 stolen."""
    before = dict.fromkeys(("user", "system", "idle", "iowait", "steal", "guest"), 100.0)
    after = dict.fromkeys(before, 101.0) | {"user": 104.0, "idle": 103.0}
    assert cpu_shares(before, after) == {"busy_fraction": 0.5, "steal_fraction": 0.1}


def test_shares_of_no_time_and_of_systems_without_steal_are_unknown() -> None:
    """No time gives no share, and steal is None where the system does not count it."""
    times = {"user": 1.0, "idle": 1.0}
    assert cpu_shares(times, times) == {"busy_fraction": None, "steal_fraction": None}
    after = {"user": 2.0, "idle": 2.0}
    assert cpu_shares(times, after) == {"busy_fraction": 0.5, "steal_fraction": None}


def test_this_machine_tells_its_facts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The facts are complete and plausible, for storage that does not exist yet too."""
    monkeypatch.delenv(host.LABEL_VARIABLE, raising=False)
    facts = read_host_facts(tmp_path / "not" / "there", library_versions={"x": "1"})
    assert HostFacts.model_validate_json(facts.model_dump_json()) == facts
    assert 1 <= facts.usable_core_count <= facts.logical_core_count
    assert facts.memory_bytes > 2**28
    assert facts.storage_free_bytes
    assert facts.storage_free_bytes > 0
    assert facts.library_versions == {"x": "1"}


def test_the_label_gives_no_network_name_away(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    """By default processor and cores; what the user sets is taken as it is."""
    monkeypatch.setattr(host.platform, "node", lambda: "secret-host")
    monkeypatch.delenv(host.LABEL_VARIABLE, raising=False)
    facts = read_host_facts(tmp_path, library_versions={})
    assert "secret-host" not in facts.model_dump_json()
    monkeypatch.setenv(host.LABEL_VARIABLE, "edit suite 2")
    assert read_host_facts(tmp_path, library_versions={}).host_label == "edit suite 2"


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="no affinity on this system")
def test_usable_cores_follow_the_affinity() -> None:
    """Bound to one core, a process may use one, however many the machine has."""
    allowed = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(allowed)})
        assert host.read_usable_core_count() == 1
    finally:
        os.sched_setaffinity(0, allowed)


def test_a_watch_counts_from_its_start_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Throttling during a trial is what was added; a span too short for shares has none."""
    counts = iter((5, 8))
    monkeypatch.setattr(host.linux, "read_throttle_count", lambda: next(counts))
    monkeypatch.setattr(host.time, "monotonic_ns", lambda: 0)
    moment = HostWatch().read_during()
    assert moment.throttle_count == 3
    assert moment.busy_fraction is None


def test_pressure_during_a_trial_is_the_share_of_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """100 ms of waiting in 400 ms is a quarter, whatever the 10 s average says."""
    pressures = iter(({"io": (0.9, 1_000)}, {"io": (0.9, 101_000)}, {"io": (0.9, 101_000)}))
    clock_ns = iter((0, 400_000_000))
    monkeypatch.setattr(host.linux, "read_pressures", lambda: next(pressures))
    monkeypatch.setattr(host.time, "monotonic_ns", lambda: next(clock_ns))
    assert HostWatch().read_during().io_pressure == 0.25


def test_missing_readings_are_none(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """On a system that tells nothing, every optional fact is None and nothing fails."""
    import psutil

    monkeypatch.delattr(psutil, "sensors_battery", raising=False)
    monkeypatch.delattr(psutil, "cpu_freq", raising=False)
    monkeypatch.delattr(psutil, "getloadavg", raising=False)
    monkeypatch.setattr(host.linux, "read_text", lambda *_: None)
    monkeypatch.setattr(host.linux, "read_pressures", dict)
    monkeypatch.setattr(host.linux, "read_throttle_count", lambda: None)
    assert set(read_host_moment().model_dump().values()) == {None}
    facts = read_host_facts(tmp_path, library_versions={})
    assert facts.governor is facts.is_virtual is facts.on_battery is facts.gpu_driver is None


def test_a_process_tells_what_it_used() -> None:
    """Processor time and peak memory of this very process are above what any Python needs."""
    facts = read_process_facts()
    assert facts.cpu_ns > 10**7
    assert facts.peak_rss_bytes is None or facts.peak_rss_bytes > 10**7
