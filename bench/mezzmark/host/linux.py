"""What Linux tells in /proc and /sys, as functions from their text; None where it tells nothing."""

import math
import re
from pathlib import Path

FILES = Path("/")
"""Root of the files read here; tests hand in a folder of their own."""


def read_text(name: str, files: Path = FILES) -> str | None:
    """The text of a file of the running system, or None where it is missing or refused."""
    try:
        return (files / name).read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return None


def parse_cpu_model(cpuinfo: str) -> str | None:
    """The model name of the first processor in /proc/cpuinfo."""
    return _field(cpuinfo, "model name") or _field(cpuinfo, "Model")


def parse_is_virtual(cpuinfo: str) -> bool | None:
    """Whether the processor says a hypervisor runs it; None where it has no such flag (not x86)."""
    flags = _field(cpuinfo, "flags")
    return None if flags is None else "hypervisor" in flags.split()


def parse_pressure(text: str) -> tuple[float, int] | None:
    """PSI "some": (share of the last 10 s, total wait in µs). Source: Linux, accounting/psi.rst."""
    found = re.search(r"^some avg10=([0-9.]+).* total=([0-9]+)", text, re.MULTILINE)
    return (float(found[1]) / 100, int(found[2])) if found else None


def parse_peak_rss_bytes(status: str) -> int | None:
    """VmHWM of /proc/self/status in bytes. Not ru_maxrss: Linux hands that on from the parent
    through exec, so a small worker would show the peak of the large process that started it."""
    value = _field(status, "VmHWM")
    return int(value.split()[0]) * 1024 if value else None


def parse_core_quota(cpu_max: str) -> int | None:
    """Cores a control group may use (cgroup v2 cpu.max, "quota period" in µs), rounded up."""
    found = re.fullmatch(r"(\d+) (\d+)", cpu_max)
    return max(1, math.ceil(int(found[1]) / int(found[2]))) if found else None


def count_numa_nodes(files: Path = FILES) -> int | None:
    """How many memory nodes the cores are spread over; None where it is not told."""
    try:
        nodes = (files / "sys/devices/system/node").glob("node[0-9]*")
        return sum(1 for _ in nodes) or None
    except OSError:
        return None


def parse_driver_version(text: str) -> str | None:
    """The version in the first line of /proc/driver/nvidia/version."""
    found = re.match(r".*?\s(\d\S*\.\S*)", text)
    return found[1] if found else None


def read_turbo(files: Path = FILES) -> str | None:
    """ "on" or "off", from whichever frequency driver tells."""
    for name, when_on in (("intel_pstate/no_turbo", "0"), ("cpufreq/boost", "1")):
        told = read_text(f"sys/devices/system/cpu/{name}", files)
        if told in ("0", "1"):
            return "on" if told == when_on else "off"
    return None


def read_throttle_count(files: Path = FILES) -> int | None:
    """How often cores were slowed for heat since the start, summed over the cores."""
    names = (files / "sys/devices/system/cpu").glob("cpu[0-9]*/thermal_throttle")
    counts = [read_text("core_throttle_count", folder) for folder in names]
    numbers = [int(count) for count in counts if count is not None and count.isdigit()]
    return sum(numbers) if numbers else None


def read_pressures(files: Path = FILES) -> dict[str, tuple[float, int]]:
    """`cpu`, `io` and `memory` → PSI as of `parse_pressure`; what is not told is left out."""
    names = ("cpu", "io", "memory")
    told = {name: parse_pressure(read_text(f"proc/pressure/{name}", files) or "") for name in names}
    return {name: pressure for name, pressure in told.items() if pressure}


def _field(text: str, name: str) -> str | None:
    found = re.search(rf"^{name}[ \t]*:(.*)$", text, re.MULTILINE)
    return found[1].strip() if found else None
