"""The facts in which two hosts may differ, each as a name and as text; unknown is None."""

from collections.abc import Sequence
from statistics import median

from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.wording import number_text, visible_text
from mezzmark.facts.records import HostMoment
from mezzmark.facts.run import HostFacts

GIB = 2**30


def host_texts(run: MeasuredRun) -> dict[str, str | None]:
    """Every fact of a run's machine, system and software by name, and what the trials noted."""
    host = run.manifest.host
    before = [trial.host_before for trial in run.trials]
    during = [trial.host_during for trial in run.trials]
    texts: dict[str, str | None] = {
        "processor": host.cpu_model,
        "usable cores": str(host.usable_core_count),
        "physical cores": _text(host.physical_core_count),
        "threads a core": _text(host.threads_per_core),
        "NUMA nodes": _text(host.numa_node_count),
        "memory": f"{number_text(host.memory_bytes / GIB)} GiB",
        "memory bandwidth": _bandwidth(host),
        "highest clock": _with_unit(host.frequency_max_mhz, "MHz"),
        "clock during trials": _with_unit(_middle(during, "frequency_mhz"), "MHz (median)"),
        "clock governor": host.governor,
        "turbo": host.turbo,
        "virtual machine": _yes_no(host.is_virtual),
        "on battery": _yes_no(host.on_battery),
        "operating system": host.operating_system,
        "kernel of the system": host.kernel,
        "file system": host.file_system,
        "graphics driver": host.gpu_driver,
        "load before trials": _middle_text(before, "load_average_1m"),
        "stolen by the host": _share_text(during, "steal_fraction"),
        "mezzmark": run.manifest.mezzmark_version,
        "Python": host.python,
    }
    texts |= dict(sorted(host.library_versions.items()))
    return {name: None if text is None else visible_text(text) for name, text in texts.items()}


def _text(value: object | None) -> str | None:
    return None if value is None else str(value)


def _with_unit(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:,.0f} {unit}"


def _yes_no(value: bool | None) -> str | None:
    return None if value is None else ("yes" if value else "no")


def _bandwidth(host: HostFacts) -> str | None:
    if host.memory_bandwidth is None or not host.memory_bandwidth.points:
        return None
    most = max(host.memory_bandwidth.points, key=lambda point: point.bytes_per_s)
    return f"{number_text(most.bytes_per_s / 1e9)} GB/s by {most.process_count} processes"


def _values(moments: Sequence[HostMoment], name: str) -> list[float]:
    return [value for moment in moments if (value := getattr(moment, name)) is not None]


def _middle(moments: Sequence[HostMoment], name: str) -> float | None:
    values = _values(moments, name)
    return median(values) if values else None


def _middle_text(moments: Sequence[HostMoment], name: str) -> str | None:
    middle = _middle(moments, name)
    return None if middle is None else f"{middle:.1f} (median)"


def _share_text(moments: Sequence[HostMoment], name: str) -> str | None:
    values = _values(moments, name)
    return f"at most {100 * max(values):.0f} % of a trial" if values else None
