"""What is said of a machine: its facts, how steady it was, what disturbed it, what to mend."""

from collections.abc import Callable, Sequence
from typing import Any, Final

from mezzmark.decide.compare.self_test import (
    HardwareDecode,
    MachineWarning,
    SelfTestFindings,
    SelfTestReport,
)
from mezzmark.decide.machine.identity import FactChange, FactValue
from mezzmark.decide.machine.noise import CauseKind, CauseRange
from mezzmark.decide.machine.state import MINIMUM_KERNELS, MachineState
from mezzmark.model.fleet import HostSummary
from mezzmark.model.inspection import Advice
from mezzmark.model.run import Root
from mezzmark.report.prose.numbers import count_text, number_text, span_text, visible_text

NOT_REPORTED: Final = "not reported"
REMEDY: Final = "Close other programs and measure again."


_Words = Callable[[Any], str]
_MHZ: Final[_Words] = "{:,.0f} MHz".format


def _yes_no(value: bool) -> str:
    return "yes" if value else "no"


_FACTS: Final[dict[str, tuple[str, _Words]]] = {
    "host_label": ("machine", visible_text),
    "cpu_model": ("processor", visible_text),
    "logical_core_count": ("logical cores", str),
    "physical_core_count": ("physical cores", str),
    "usable_core_count": ("usable cores", str),
    "threads_per_core": ("threads per core", str),
    "numa_node_count": ("NUMA nodes", str),
    "memory_bytes": ("memory", lambda size: f"{number_text(size / 2**30)} GiB"),
    "memory_bandwidth_bytes_per_s": (
        "memory bandwidth",
        lambda rate: f"{number_text(rate / 1e9)} GB/s",
    ),
    "frequency_max_mhz": ("highest clock", _MHZ),
    "frequency_during_mhz": ("clock during trials (median)", _MHZ),
    "governor": ("clock governor", visible_text),
    "turbo": ("turbo", visible_text),
    "is_virtual": ("virtual machine", _yes_no),
    "on_battery": ("on battery", _yes_no),
    "operating_system": ("operating system", visible_text),
    "kernel": ("system kernel", visible_text),
    "python": ("Python", visible_text),
    "storage_path": ("storage", visible_text),
    "file_system": ("file system", visible_text),
    "gpu_driver": ("graphics driver", visible_text),
    "load_average_before": ("load before trials (median)", lambda load: f"{load:.1f}"),
    "steal_most_fraction": (
        "taken by the hypervisor",
        lambda share: f"at most {number_text(100 * share)} % of a trial",
    ),
}
"""Host facts by name: label, and a value in words. A library goes by its own name."""


def fact_label(name: str) -> str:
    """What a host fact is called."""
    return _FACTS[name][0] if name in _FACTS else visible_text(name)


def fact_text(name: str, *values: FactValue) -> str:
    """Values of a host fact, one for each that runs of a side reported."""
    words = _FACTS[name][1] if name in _FACTS else lambda value: visible_text(str(value))
    return " / ".join(NOT_REPORTED if value is None else words(value) for value in values)


def root_text(root: Root) -> str:
    """File system, device, options and free space, as far as they were told."""
    free = f"{root.free_bytes / 1e9:,.0f} GB free" if root.free_bytes is not None else None
    told = [part for part in (root.file_system, root.device, root.options, free) if part]
    return ", ".join(map(visible_text, told)) or NOT_REPORTED


def fact_change_text(change: FactChange) -> str:
    """`clock governor: performance → powersave`."""
    before, after = (fact_text(change.name, *side) for side in (change.before, change.after))
    return f"{fact_label(change.name)}: {before} → {after}"


def width_text(half_width_fraction: float) -> str:
    """`±4 %`; from 100 % on `a factor of 4.4`, since a share below nothing means nothing."""
    if half_width_fraction >= 1:
        factor = 1 + half_width_fraction
        return f"a factor of {factor:,.0f}" if factor >= 10 else f"a factor of {factor:.2g}"
    percent = 100 * half_width_fraction
    return f"±{percent:.0f} %" if percent >= 2 else f"±{percent:.1f} %"


def machine_predicate(state: MachineState) -> str:
    """What follows "the machine": how steady it was, by the times of the reference kernel."""
    if state.kind == "unknown":
        return (
            "was not checked for steadiness: the reference kernel was measured "
            f"{count_text(state.kernel_count, 'time')}, and {MINIMUM_KERNELS} are needed"
        )
    if state.change_fraction is not None:
        change = f"{100 * abs(state.change_fraction):.0f} %"
        change += " more time" if state.change_fraction > 0 else " less time"
        if state.step_round is None:
            return f"drifted in speed: the reference kernel came to take {change} over the run"
        return (
            f"stepped in speed at round {state.step_round + 1}: from then on the reference kernel "
            f"took {change}"
        )
    low, high = (number_text(end or 0) for end in (state.low_ms, state.high_ms))
    times = f"{span_text(low, high)} ms{' each time' if low == high else ''}"
    steady = "steady" if state.kind == "steady" else "not steady"
    typical = width_text(state.spread_fraction or 0)
    return f"was {steady}: the reference kernel took {times}, typically {typical}"


def machine_warnings(state: MachineState, host: str = "") -> list[str]:
    """What to know of a machine before relying on its figures; `host` names one of several."""
    texts = []
    if state.is_steady is False:
        texts.append(f"{host or 'The machine'} {machine_predicate(state)}.")
    if load := state.foreign_load:
        texts.append(
            f"Other programs were at work{host and f' on {host}'}: a load of {load.low:.1f} to "
            f"{load.high:.1f} before trials, where this run by itself makes at most about "
            f"{load.most_own} on {count_text(load.core_count, 'core')}."
        )
    return [f"{text} {REMEDY}" if text is texts[0] else text for text in texts]


_CAUSES: Final[dict[CauseKind, tuple[str, float]]] = {
    "steal": ("the hypervisor took {} % of the processor", 100),
    "heat": ("the processor was slowed for heat {} times", 1),
    "clock": ("the clock fell to {} MHz", 1),
    "processor_wait": ("work waited for the processor {} % of the time", 100),
    "storage_wait": ("work waited for storage {} % of the time", 100),
    "memory_wait": ("work waited for memory {} % of the time", 100),
    "interruptions": ("other work interrupted it {} times a second", 1),
}
"""What disturbs trials: words with a place for a number, and the factor to its unit there."""


NONE_DISTURBED: Final = (
    "As far as the system reports, no trial was disturbed more than is usual in its run."
)
"""Trials are held against their like: what disturbs all alike shows as load, or as a machine that
is not steady."""


def cause_text(cause: CauseRange) -> str:
    """`work waited for the processor 55 to 88 % of the time (12 trials)`."""
    words, factor = _CAUSES[cause.kind]
    span = span_text(*(f"{factor * value:.0f}" for value in (cause.low, cause.high)))
    return f"{words.format(span)} ({count_text(cause.trial_count, 'trial')})"


_ADVICE: Final[dict[MachineWarning, tuple[str, str]]] = {
    "governor": (
        "The frequency governor is {host.governor}.",
        "Set it to performance while measuring, or expect drift.",
    ),
    "turbo": (
        "The processor raises its clock while it is cool (turbo).",
        "Let it warm up, or switch turbo off for comparisons over days.",
    ),
    "virtual": (
        "This is a virtual machine: neighbours share its cores.",
        "Compare within one run; look at steal in the report.",
    ),
    "battery": ("It runs on battery.", "Connect mains power; clocks are lower on battery."),
    "load": (
        "Other programs are at work (load {load:.1f} on {cores}).",
        "Close other programs and wait a minute.",
    ),
    "network_storage": (
        "The storage is on a network ({host.file_system}).",
        "Measure on local storage first, then on the network for itself.",
    ),
    "scarce_storage": (
        "Only {free_gb:.1f} GB are free.",
        "Make room, or choose another place with --cache.",
    ),
}


def machine_advice(report: SelfTestReport) -> tuple[Advice, ...]:
    """What makes figures of this machine less steady or less typical, and what to do about it."""
    host = report.host
    figures = {
        "load": report.moment.load_average_1m or 0,
        "cores": count_text(host.usable_core_count, "core"),
        "free_gb": (host.storage_free_bytes or 0) / 1e9,
    }
    return tuple(
        Advice(what=visible_text(what.format(host=host, **figures)), remedy=remedy)
        for what, remedy in (_ADVICE[kind] for kind in report.warnings)
    )


HARDWARE_OUTCOMES: Final = {"right": "right", "wrong": "wrong: do not use it", "refused": "none"}


def hardware_note(found: Sequence[HardwareDecode]) -> str:
    """Why no pictures came from a device, its last reason."""
    reasons = {one.device: visible_text(one.reason) for one in found if one.outcome == "refused"}
    return " ".join(f"{device}: {reason}." for device, reason in reasons.items())


def self_test_lines(found: SelfTestFindings) -> list[str]:
    """What comparing a player with itself, and with itself slowed, came to."""
    share = found.false_alarm_share
    limits = ", ".join(
        f"{limit.slowdown_fraction:.1%} with {limit.round_count}" for limit in found.detectable
    )
    return [
        f"Identical players compared {count_text(found.comparison_count, 'time')}, "
        f"{count_text(found.round_count, 'round')} each: "
        f"{count_text(found.false_alarm_count, 'false alarm')} ({share.point:.0%}, "
        f"{share.confidence_level:.0%} interval {share.low:.1%} to {share.high:.1%}).",
        "Two identical trials of a round differ by "
        f"{found.round_sd_fraction:.1%} (standard deviation of the ratio).",
        *(
            f"A slowdown of {planted.slowdown_fraction:.0%} was found in {planted.found_count} of "
            f"{planted.comparison_count} ({planted.found_share.low:.0%} to "
            f"{planted.found_share.high:.0%}); theory predicts {planted.predicted_share:.0%}."
            for planted in found.planted
        ),
        f"Smallest slowdown found nine times in ten, by rounds: {limits}.",
    ]


def _encodes_text(one: HostSummary) -> str:
    lacking = [name for name, fault in one.encodings.items() if fault]
    count = count_text(len(one.encodings) - len(lacking), "encoding") if one.encodings else ""
    return f"{count}, not {', '.join(lacking)}" if lacking else count


FLEET: Final[dict[str, Callable[[HostSummary], str]]] = {
    "processor": lambda one: fact_text("cpu_model", one.host.cpu_model),
    "cores": lambda one: str(one.host.usable_core_count),
    "memory": lambda one: fact_text("memory_bytes", one.host.memory_bytes),
    "free": lambda one: f"{(one.host.storage_free_bytes or 0) / 1e9:,.0f} GB",
    "mezzmark": lambda one: one.mezzmark_version,
    "FFmpeg": lambda one: one.host.library_versions.get("FFmpeg", NOT_REPORTED),
    "encodes": _encodes_text,
    "decodes in hardware": lambda one: ", ".join(one.hardware),
}
"""What is told of a machine of a fleet, by its heading."""

FLEET_LONG: Final = ("encodes", "decodes in hardware", "cannot measure")
