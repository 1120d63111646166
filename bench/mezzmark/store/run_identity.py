"""Whether a run may be gone on with: what decides a measurement must be what it was."""

from mezzmark.facts.errors import RunError
from mezzmark.facts.run import HostFacts, Manifest
from mezzmark.facts.scenario import Scenario

CHANGEABLE_LIMITS = {
    "title",
    "description",
    "rounds",
    "minimum_rounds",
    "precision_fraction",
    "time_budget_s",
    "trial_timeout_s",
    "choose",
}
"""Scenario keys that say how long to measure, or nothing at all of what; a resumed run may have
other ones, for the order of its rounds does not depend on them."""

_HOST_KEYS = ("cpu_model", "usable_core_count", "memory_bytes", "operating_system", "kernel")


def refuse_other_run(before: Manifest, now: Manifest, *, where: str) -> None:
    """RunError naming what differs, when `now` would not measure what `before` did."""
    differences = describe_differences(before, now)
    if differences:
        raise RunError(
            where=where,
            what="the run in this folder is of something else: " + "; ".join(differences),
            remedy="Measure into another folder with --out, or restore what has changed.",
        )


def describe_differences(before: Manifest, now: Manifest) -> list[str]:
    """What differs between two manifests that decides a measurement, in words."""
    texts = _changed_scenario(before.scenario, now.scenario)
    pairs = (
        ("mezzmark", before.mezzmark_version, now.mezzmark_version),
        *_host_pairs(before.host, now.host),
    )
    texts += [f"{name} was {was}, is {now_is}" for name, was, now_is in pairs if was != now_is]
    texts += _changed_entries(
        "encoding",
        {e.name: e.model_dump_json() for e in before.encodings},
        {e.name: e.model_dump_json() for e in now.encodings},
    )
    texts += _changed_entries(
        "clip",
        {c.clip: c.fingerprint for c in before.clips},
        {c.clip: c.fingerprint for c in now.clips},
    )
    texts += _changed_entries(
        "medium",
        {f"{m.clip} as {m.encoding}": m.fingerprint for m in before.media},
        {f"{m.clip} as {m.encoding}": m.fingerprint for m in now.media},
    )
    return texts


def _changed_scenario(before: Scenario, now: Scenario) -> list[str]:
    was, is_now = before.model_dump(mode="json"), now.model_dump(mode="json")
    return [
        f"the scenario's {key} differs"
        for key in was
        if key not in CHANGEABLE_LIMITS and was[key] != is_now[key]
    ]


def _host_pairs(before: HostFacts, now: HostFacts) -> list[tuple[str, object, object]]:
    pairs = [(key, getattr(before, key), getattr(now, key)) for key in _HOST_KEYS]
    for name in sorted(before.library_versions.keys() | now.library_versions.keys()):
        pairs.append((name, before.library_versions.get(name), now.library_versions.get(name)))
    return pairs


def _changed_entries(kind: str, before: dict[str, str], now: dict[str, str]) -> list[str]:
    texts = [f'{kind} "{name}" is new' for name in now.keys() - before.keys()]
    texts += [f'{kind} "{name}" is gone' for name in before.keys() - now.keys()]
    texts += [
        f'{kind} "{name}" is not the same'
        for name in before
        if now.get(name, before[name]) != before[name]
    ]
    return sorted(texts)
