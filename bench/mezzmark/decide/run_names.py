"""What a run is called in messages: its folder, as the user typed it."""

from collections.abc import Sequence
from typing import Final, Protocol, runtime_checkable

from mezzmark.facts.run import Manifest

ID_DIGITS: Final = 8
"""Digits of a run's id that tell it from any other a person has."""


class NamedRun(Protocol):
    """A run as it says of itself."""

    @property
    def manifest(self) -> Manifest: ...


@runtime_checkable
class _InFolder(Protocol):
    """A run that was read from a folder."""

    @property
    def run_dir(self) -> object: ...


def run_names(runs: Sequence[NamedRun]) -> list[str]:
    """Each run's folder as it was typed, with digits of its id where two runs share that; a run
    that lies in no folder goes by those digits alone."""
    plain = [run_name(run) for run in runs]
    return [
        name if plain.count(name) == 1 else f"{name} ({run.manifest.run_id[:ID_DIGITS]})"
        for name, run in zip(plain, runs, strict=True)
    ]


def run_name(run: NamedRun) -> str:
    """One run's folder as it was typed, or the first digits of its id."""
    return str(run.run_dir) if isinstance(run, _InFolder) else run.manifest.run_id[:ID_DIGITS]
