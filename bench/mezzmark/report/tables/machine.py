"""What is known of a machine, as names beside values."""

from mezzmark.decide.compare.self_test import SelfTestReport
from mezzmark.model.run import HostFacts
from mezzmark.report.prose.numbers import number_text
from mezzmark.report.tables.table import Table, fact_table

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
