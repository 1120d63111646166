"""What is known of a machine, as names beside values."""

from mezzmark.decide.compare.self_test import SelfTestReport
from mezzmark.model.run import HostFacts
from mezzmark.report.prose.numbers import number_text, visible_text
from mezzmark.report.tables.table import Table, fact_table
from mezzmark.report.view import RunView

Facts = list[tuple[str, str]]

NOT_REPORTED = "not reported"


def host_facts(host: HostFacts) -> Facts:
    """The machine, as far as its operating system reported."""
    cores = [f"{host.logical_core_count} logical"]
    if host.physical_core_count:
        cores.append(f"{host.physical_core_count} physical")
    if host.usable_core_count != host.logical_core_count:
        cores.append(f"{host.usable_core_count} usable")
    clock = host.frequency_max_mhz
    facts: list[tuple[str, str | None]] = [
        ("machine", host.host_label),
        ("processor", host.cpu_model),
        ("cores", ", ".join(cores)),
        ("memory", f"{number_text(host.memory_bytes / 2**30)} GiB"),
        ("highest clock", None if clock is None else f"{clock:,.0f} MHz"),
        ("clock governor", host.governor),
        ("turbo", host.turbo),
        ("virtual machine", _yes_no(host.is_virtual)),
        ("on battery", _yes_no(host.on_battery)),
        ("operating system", f"{host.operating_system} ({host.kernel})"),
        ("storage", f"{host.storage_path} ({host.file_system or f'file system {NOT_REPORTED}'})"),
        ("graphics driver", host.gpu_driver),
    ]
    return [(name, text or NOT_REPORTED) for name, text in facts]


def _yes_no(value: bool | None) -> str | None:
    return None if value is None else ("yes" if value else "no")


def self_test_table(report: SelfTestReport) -> Table:
    """A machine with its clock and its libraries."""
    clock = report.clock
    return fact_table(
        [
            *host_facts(report.host),
            (
                "clock",
                f"step {clock.resolution_ns:.0f} ns, a reading {clock.reading_ns:.0f} ns",
            ),
            ("Python", report.host.python),
            *report.host.library_versions.items(),
        ]
    )


def run_facts(view: RunView) -> Facts:
    """The machine, and what else was at work on it during the run."""
    busy = (("load before trials", _load(view)), ("stolen by the host", _stolen(view)))
    facts = [*host_facts(view.manifest.host), *((k, v or NOT_REPORTED) for k, v in busy)]
    return [(name, visible_text(text)) for name, text in facts]


def _load(view: RunView) -> str | None:
    loads = [
        trial.host_before.load_average_1m
        for trial in view.trials
        if trial.host_before.load_average_1m is not None
    ]
    return f"{min(loads):.1f} to {max(loads):.1f} (1 min average)" if loads else None


def _stolen(view: RunView) -> str | None:
    shares = [
        trial.host_during.steal_fraction
        for trial in view.trials
        if trial.host_during.steal_fraction is not None
    ]
    return f"at most {max(shares) * 100:.1f} % of a trial" if shares else None


def version_facts(view: RunView) -> Facts:
    """What must be equal for the run to be repeated."""
    manifest = view.manifest
    return [
        ("mezzmark", manifest.mezzmark_version),
        ("run", visible_text(manifest.run_id)),
        ("begun", manifest.created_utc),
        ("scenario", visible_text(manifest.scenario.name)),
        ("seed", str(manifest.scenario.seed)),
        ("Python", manifest.host.python),
        *sorted(manifest.host.library_versions.items()),
    ]
