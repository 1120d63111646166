"""How many rounds a run finished, where it was stopped within one; and what runs are called."""

from collections import Counter
from collections.abc import Sequence
from typing import Final, Protocol

from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.model.run import Manifest


def truncated_round(run: MeasuredRun) -> int | None:
    """The index of the last round where the run was stopped within it; None where all are complete.

    A run that ended by itself says why, and has finished every round that it began. Of any other,
    the last round is truncated where a cell of the round before lacks its trial. Cells that never
    finished one do not count, for they may have been given up; nor do trials of fidelity, which
    are made once, in the first round.
    """
    if run.manifest.stop_reason:
        return None
    timed = [trial for trial in run.trials if trial.cell.task != "fidelity"]
    rounds = sorted({trial.round_index for trial in timed})
    if len(rounds) < 2:
        return None
    able = {trial.cell for trial in timed if trial.outcome == "finished"}
    before, last = (
        Counter(t.cell for t in timed if t.round_index == index and t.cell in able)
        for index in rounds[-2:]
    )
    return rounds[-1] if before - last else None


def complete_round_count(run: MeasuredRun) -> int:
    """Rounds that were begun, without a last one that was truncated."""
    begun = {trial.round_index for trial in run.trials if trial.cell.task != "fidelity"}
    return len(begun) - (truncated_round(run) is not None)


ID_DIGITS: Final = 8
"""Digits of a run's id that tell it from any other a person has."""


class NamedRun(Protocol):
    """A run as it says of itself."""

    @property
    def manifest(self) -> Manifest: ...


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
    folder = getattr(run, "run_dir", None)
    return run.manifest.run_id[:ID_DIGITS] if folder is None else str(folder)
