"""Whether two sides measured the same thing, cell by cell, and what changed on the machine.

What decides the work (clip, encoded file, encoding, settings of the task, stored form) must be
the same or the cell is not compared. What the machine is (driver, library, kernel, governor) may
differ, since that is what a comparison is often for; it is listed.
"""

from collections.abc import Iterable, Sequence
from statistics import median
from typing import Final

from mezzmark.decide.compare.verdicts import HostChange
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.model.cell import ALL_CLIPS, AXES, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.records import HostMoment
from mezzmark.model.run import HostFacts, Manifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.numbers import number_text, visible_text

_ASKED_BY_AXES: Final = {key for axis in AXES.values() for key in axis.asked_by}
"""Settings that every cell carries itself, or that only choose which cells there are."""

_PASSING: Final = {"memory_bandwidth", "storage_free_bytes"}
"""Host facts that say nothing of the machine."""

_IDENTITY: Final = ("cpu_model", "logical_core_count", "memory_bytes")
"""Facts that make it another machine."""


def describe_unlikeness(cell: Cell, baseline: Manifest, candidate: Manifest) -> tuple[str, ...]:
    """What keeps a cell of both manifests from being compared, in words; empty: nothing."""
    texts = [*_changed_settings(cell, baseline.scenario, candidate.scenario)]
    texts += _changed_clips(cell, baseline, candidate)
    if cell.encoding != ORIGINAL:
        texts += _changed_encoding(cell, baseline, candidate)
    return tuple(texts)


def _changed_settings(cell: Cell, baseline: Scenario, candidate: Scenario) -> Iterable[str]:
    first, second = (_settings(cell, scenario) for scenario in (baseline, candidate))
    for key in sorted((first.keys() | second.keys()) - _ASKED_BY_AXES):
        was, is_now = first.get(key, "not set"), second.get(key, "not set")
        if was != is_now:
            yield f"the scenario's {cell.task}.{key} was {was}, is {is_now}"


def _settings(cell: Cell, scenario: Scenario) -> dict[str, object]:
    settings = scenario.tasks.get(cell.task)
    return {} if settings is None else dict(settings.model_dump(mode="json"))


def _changed_clips(cell: Cell, baseline: Manifest, candidate: Manifest) -> Iterable[str]:
    first = {clip.clip: clip.fingerprint for clip in baseline.clips}
    second = {clip.clip: clip.fingerprint for clip in candidate.clips}
    names = sorted(first.keys() | second.keys()) if cell.clip == ALL_CLIPS else [cell.clip]
    for name in names:
        if first.get(name) != second.get(name):
            yield f'clip "{name}" is not the same footage'


def _changed_encoding(cell: Cell, baseline: Manifest, candidate: Manifest) -> Iterable[str]:
    first, second = (
        [encoding.instructions for encoding in manifest.find_encodings(cell.encoding)]
        for manifest in (baseline, candidate)
    )
    if first != second:
        yield f'encoding "{cell.encoding}" is defined differently'
    elif TASKS[cell.task].reads_encoded_file and _files(cell, baseline) != _files(cell, candidate):
        yield (
            f'the file of "{cell.encoding}" is not the same (encoded anew by other software?); '
            "share the cache of encoded files between the runs"
        )


def _files(cell: Cell, manifest: Manifest) -> dict[str, str]:
    return {
        entry.clip: entry.fingerprint
        for entry in manifest.media
        if entry.encoding == cell.encoding and cell.clip in (ALL_CLIPS, entry.clip)
    }


def describe_host_changes(
    baseline: Sequence[Manifest], candidate: Sequence[Manifest]
) -> tuple[HostChange, ...]:
    """Facts of machine and software that differ between the sides, or within one, by name."""
    first, second = [_facts(m) for m in baseline], [_facts(m) for m in candidate]
    names = dict.fromkeys(name for facts in (*first, *second) for name in facts)
    changes = []
    for name in names:
        before, after = _values(first, name), _values(second, name)
        if before != after or len(before) > 1:
            changes.append(
                HostChange(name=name, baseline=" / ".join(before), candidate=" / ".join(after))
            )
    return tuple(changes)


def is_other_machine(baseline: Sequence[Manifest], candidate: Sequence[Manifest]) -> bool:
    """Whether the sides were measured on hardware that differs."""
    first, second = (
        {tuple(getattr(m.host, key) for key in _IDENTITY) for m in side}
        for side in (baseline, candidate)
    )
    return first != second


def _facts(manifest: Manifest) -> dict[str, object]:
    host: HostFacts = manifest.host
    facts = host.model_dump(exclude=_PASSING | {"library_versions"})
    shown: dict[str, object] = {"mezzmark": manifest.mezzmark_version}
    shown |= {name.replace("_", " "): value for name, value in facts.items()}
    return shown | dict(host.library_versions)


def _values(sides: Sequence[dict[str, object]], name: str) -> list[str]:
    values = {_text(facts.get(name)) for facts in sides}
    return sorted(values)


def _text(value: object) -> str:
    return "not known" if value is None else str(value)


GIB = 2**30


def host_texts(run: MeasuredRun) -> dict[str, str | None]:
    """Every fact of a run's machine, system and software by name, and what the trials noted."""
    host = run.manifest.host
    before = [trial.host_before for trial in run.trials]
    during = [trial.host_during for trial in run.trials]
    texts: dict[str, str | None] = {
        "processor": host.cpu_model,
        "usable cores": str(host.usable_core_count),
        "physical cores": _plain_text(host.physical_core_count),
        "threads a core": _plain_text(host.threads_per_core),
        "NUMA nodes": _plain_text(host.numa_node_count),
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


def _plain_text(value: object | None) -> str | None:
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


def _known_values(moments: Sequence[HostMoment], name: str) -> list[float]:
    return [value for moment in moments if (value := getattr(moment, name)) is not None]


def _middle(moments: Sequence[HostMoment], name: str) -> float | None:
    values = _known_values(moments, name)
    return median(values) if values else None


def _middle_text(moments: Sequence[HostMoment], name: str) -> str | None:
    middle = _middle(moments, name)
    return None if middle is None else f"{middle:.1f} (median)"


def _share_text(moments: Sequence[HostMoment], name: str) -> str | None:
    values = _known_values(moments, name)
    return f"at most {100 * max(values):.0f} % of a trial" if values else None
