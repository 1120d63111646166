"""Reads the machine: what it is, what it does around a trial, what a process used; None, never an
error, where an operating system does not tell. Long as the room's one module for others."""

import ctypes
import gc
import os
import platform
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psutil

from mezzmark.host import linux
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.tasks.spec import ProcessFacts

if TYPE_CHECKING:  # a worker does without manifests and trials, and all that they hold
    from mezzmark.model.records import HostMoment
    from mezzmark.model.run import HostFacts

LABEL_VARIABLE = "MEZZMARK_HOST_LABEL"
"""Names this machine in results, in place of processor and cores: its network name is private."""

SHORTEST_SHARE_NS = 50_000_000
"""Kernels count processor time in ticks of up to 15 ms; shares of a shorter span are noise."""

LONGEST_GAP_NS = 1_500_000_000
"""Between two looks meant to be 0.2 s apart; on two cores with ten busy processes they were never
0.25 s apart in a minute."""

SHORTEST_SLEEP_NS = 50_000_000
"""Two clocks read one after the other differ by far less."""

_PR_SET_PDEATHSIG, _PR_SET_TIMERSLACK = 1, 29  # linux/prctl.h
_CPU_FREQUENCY = "sys/devices/system/cpu/cpu0/cpufreq"


def read_host_facts(storage_path: str | Path, *, library_versions: dict[str, str]) -> "HostFacts":
    """The machine's facts, and those of the storage that holds `storage_path` (need not exist).
    `library_versions` comes from the engines, which alone load FFmpeg's libraries."""
    from mezzmark.model.run import HostFacts

    cpuinfo = linux.read_text("proc/cpuinfo") or ""
    usable_core_count = read_usable_core_count()
    logical, physical = psutil.cpu_count(), psutil.cpu_count(logical=False)
    model = read_cpu_model(cpuinfo)
    battery = read_battery()
    path = Path(storage_path).absolute()
    folder = next((p for p in (path, *path.parents) if p.exists()), path)
    return HostFacts(
        host_label=os.environ.get(LABEL_VARIABLE)
        or f"{model or platform.machine() or 'unknown processor'}, {usable_core_count} cores",
        cpu_model=model,
        logical_core_count=logical or usable_core_count,
        physical_core_count=physical,
        usable_core_count=usable_core_count,
        memory_bytes=psutil.virtual_memory().total,
        frequency_max_mhz=_frequency_mhz("max"),
        governor=linux.read_text(f"{_CPU_FREQUENCY}/scaling_governor"),
        turbo=linux.read_turbo(),
        is_virtual=linux.parse_is_virtual(cpuinfo),
        on_battery=None if battery is None else not battery.power_plugged,
        operating_system=f"{platform.system()} {platform.machine()}".strip(),
        kernel=platform.release(),
        python=f"{platform.python_implementation()} {platform.python_version()}",
        library_versions=library_versions,
        storage_path=str(storage_path),
        file_system=getattr(read_mount(folder), "fstype", None),
        storage_free_bytes=read_free_bytes(folder),
        threads_per_core=logical // physical if logical and physical else None,
        numa_node_count=linux.count_numa_nodes(),
        gpu_driver=linux.parse_driver_version(linux.read_text("proc/driver/nvidia/version") or ""),
    )


def read_usable_core_count() -> int:
    """Logical cores this process may use: its affinity, and its control group's quota."""
    if hasattr(os, "sched_getaffinity"):
        count = len(os.sched_getaffinity(0))
    else:
        count = os.cpu_count() or 1
    quota = linux.parse_core_quota(linux.read_text("sys/fs/cgroup/cpu.max") or "")
    return count if quota is None else min(count, quota)


def read_cpu_model(cpuinfo: str) -> str | None:
    """The processor's name as its maker writes it."""
    if sys.platform == "darwin":
        asked = ("sysctl", "-n", "machdep.cpu.brand_string")
        found = subprocess.run(asked, capture_output=True, text=True, check=False)
        return found.stdout.strip() or None
    return linux.parse_cpu_model(cpuinfo) or platform.processor() or None


def read_mount(folder: Path) -> Any:
    """What psutil tells of the mount point nearest above, the last of those on one; or None."""
    where = folder.resolve()
    try:
        partitions = psutil.disk_partitions(all=True)
    except OSError:
        return None
    above = [p for p in reversed(partitions) if where.is_relative_to(p.mountpoint)]
    return max(above, key=lambda p: len(Path(p.mountpoint).parts), default=None)


def read_free_bytes(folder: Path) -> int | None:
    """Bytes still free for this user where `folder` lies."""
    try:
        return int(psutil.disk_usage(str(folder)).free)
    except OSError:
        return None


def read_free_memory_bytes() -> int:
    """Memory that can be had without swapping."""
    return int(psutil.virtual_memory().available)


def read_host_moment() -> "HostMoment":
    """Load, frequency and 10 s pressure now; shares need a span: see `HostWatch`."""
    from mezzmark.model.records import HostMoment

    load = _reported("getloadavg")
    pressures: dict[str, Any] = {
        f"{name}_pressure": share for name, (share, _) in linux.read_pressures().items()
    }
    return HostMoment(
        load_average_1m=load[0] if load else None,
        frequency_mhz=_frequency_mhz("current"),
        throttle_count=linux.read_throttle_count(),
        **pressures,
    )


class HostWatch:
    """Counters of the machine from construction on; `read_during` tells what has passed since."""

    def __init__(self) -> None:
        self._start_ns = time.monotonic_ns()
        self._times = psutil.cpu_times()
        self._pressures = linux.read_pressures()
        self._throttle_count = linux.read_throttle_count()

    def read_during(self) -> "HostMoment":
        """The moment now, with shares and counts of the time since construction."""
        now = read_host_moment()
        elapsed_ns = time.monotonic_ns() - self._start_ns
        count = None
        if now.throttle_count is not None and self._throttle_count is not None:
            count = now.throttle_count - self._throttle_count
        now = now.model_copy(update={"throttle_count": count})
        if elapsed_ns < SHORTEST_SHARE_NS:
            return now
        shares = cpu_shares(self._times._asdict(), psutil.cpu_times()._asdict())
        waits = {
            f"{name}_pressure": (total_us - self._pressures[name][1]) * 1000 / elapsed_ns
            for name, (_, total_us) in linux.read_pressures().items()
            if name in self._pressures
        }
        return now.model_copy(update=shares | waits)


def cpu_shares(before: dict[str, float], after: dict[str, float]) -> dict[str, float | None]:
    """`busy_fraction` and `steal_fraction` of all cores between two readings in seconds. `guest` is
    part of `user` already (proc(5)). Steal, when a virtual machine wanted to run and was not let,
    counts as neither busy nor idle."""
    spans = {
        key: max(0.0, after[key] - before[key])
        for key in after
        if key in before and not key.startswith("guest")
    }
    total = sum(spans.values())
    if total <= 0:
        return {"busy_fraction": None, "steal_fraction": None}
    steal = spans.get("steal")
    quiet = spans.get("idle", 0.0) + spans.get("iowait", 0.0) + (steal or 0.0)
    return {
        "busy_fraction": (total - quiet) / total,
        "steal_fraction": None if steal is None else steal / total,
    }


def read_process_facts() -> ProcessFacts:
    """What this process has used since its start; all threads of codecs included."""
    cpu_ns = time.process_time_ns()
    if sys.platform == "win32":
        process = psutil.Process()
        return ProcessFacts(
            cpu_ns=cpu_ns,
            peak_rss_bytes=process.memory_info().peak_wset,
            voluntary_switches=process.num_ctx_switches().voluntary,
        )
    import resource

    usage = resource.getrusage(resource.RUSAGE_SELF)
    if sys.platform == "linux":
        peak_rss_bytes = linux.parse_peak_rss_bytes(linux.read_text("proc/self/status") or "")
    else:
        peak_rss_bytes = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    return ProcessFacts(
        cpu_ns=cpu_ns,
        peak_rss_bytes=peak_rss_bytes,
        voluntary_switches=usage.ru_nvcsw,
        involuntary_switches=usage.ru_nivcsw,
    )


class PauseWatch:
    """Notices that a child was stopped, or that this process or the machine stood still, since
    construction; `look` is to be called every fraction of a second. The system tells of a stopped
    child (POSIX; not macOS before Python 3.13) and, on Linux and macOS, of sleep; whatever stops
    the parent too, such as a frozen container, shows as a gap between two looks."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self._slept_ns = _slept_ns()
        self._looked_ns = time.monotonic_ns()
        self.was_paused = False

    def look(self) -> None:
        """Set `was_paused` if there was a pause."""
        now_ns = time.monotonic_ns()
        is_late = now_ns - self._looked_ns > LONGEST_GAP_NS
        has_slept = _slept_ns() - self._slept_ns > SHORTEST_SLEEP_NS
        self._looked_ns = now_ns
        self.was_paused |= is_late or has_slept or self._was_stopped()

    def _was_stopped(self) -> bool:
        """Whether the child stands still, or was told to go on, and nobody was told of it yet."""
        if not hasattr(os, "waitid"):
            return False
        kinds = os.WSTOPPED | os.WCONTINUED | os.WNOHANG
        with suppress(ChildProcessError):  # it has ended
            return os.waitid(os.P_PID, self._pid, kinds) is not None
        return False


def _slept_ns() -> int:
    """How long the machine has slept since it started; 0 where nothing tells."""
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.monotonic_ns()
    if sys.platform == "darwin":
        awake_ns = time.clock_gettime_ns(time.CLOCK_UPTIME_RAW)
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC) - awake_ns
    return 0


@contextmanager
def paused_collector() -> Iterator[None]:
    """No search for cycles: it takes a third of the time where thousands of objects are made."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            if not gc.get_freeze_count():  # else someone else's would be let loose
                gc.freeze()  # what was made here is old: no young collection goes through all of it
                gc.unfreeze()
            gc.enable()


@contextmanager
def no_garbage_collection() -> Iterator[None]:
    """A collection would fall into some timed span; everything held here is freed by counting."""
    gc.collect()
    with paused_collector():
        yield


def end_with_parent(wait_for_parent: Callable[[], object]) -> None:
    """End this process once `wait_for_parent`, called in a thread, returns; Linux's kernel is asked
    too, since no thread runs while a library hangs with the interpreter's lock."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)

    def watch() -> None:
        wait_for_parent()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _frequency_mhz(which: str) -> float | None:
    """`current` (mean over the cores) or `max`; psutil gives 0 where nothing is told."""
    frequency = _reported("cpu_freq")
    return (getattr(frequency, which) or None) if frequency else None


def read_battery() -> Any:
    """What psutil tells of the battery; None without one, or where the system does not tell."""
    return _reported("sensors_battery")


def _reported(name: str) -> Any:
    """A reading psutil offers on some systems only; None where it does not or cannot."""
    try:
        return getattr(psutil, name)()
    except (AttributeError, OSError, RuntimeError):
        return None


def read_clock_ns() -> int:
    """Nanoseconds of the finest monotonic clock; only differences mean anything."""
    return time.perf_counter_ns()


def sleep_ns(span_ns: int) -> None:
    """Plain sleep: spinning would take a core from what is measured."""
    time.sleep(span_ns / NS_PER_S)


def wake_on_time() -> None:
    """Let sleeps of this thread and those it starts end in time: Linux adds up to 50 µs."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_TIMERSLACK, 1)


def read_utc() -> str:
    """The date and time now, ISO 8601 in UTC with microseconds."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """A monotonic clock for spans and a calendar clock for stamps; tests hand in their own."""

    monotonic_ns: Callable[[], int] = read_clock_ns
    utc: Callable[[], str] = read_utc
