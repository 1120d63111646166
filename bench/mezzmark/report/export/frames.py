"""Runs as pandas frames, for notebooks and for export: three tidy tables, made when asked for."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from glob import glob
from pathlib import Path

import pandas as pd

from mezzmark.model.errors import RunError
from mezzmark.report.export.tidy import cells_frame, samples_frame, trials_frame
from mezzmark.store.run_store import MANIFEST_NAME, Run, read_run

RunNames = Path | str | Sequence[Path | str]
"""A run folder, a glob such as "results/uhd-*", or several of them."""


@dataclass(frozen=True, kw_only=True)
class RunFrames:
    """One or more runs as tidy tables; results/README.md describes every column.

    `cells` has a row per run, cell and figure, with its interval at `confidence_level`; `trials` a
    row per trial (the sampling unit); `samples` a row per playhead move. Each is made when first
    asked for and then kept. Units stand in the columns' names.
    """

    runs: tuple[Run, ...]
    confidence_level: float = 0.95

    @cached_property
    def cells(self) -> pd.DataFrame:
        """A row per run, cell and figure."""
        return cells_frame(self.runs, confidence_level=self.confidence_level)

    @cached_property
    def trials(self) -> pd.DataFrame:
        """A row per trial, failed ones too."""
        return trials_frame(self.runs)

    @cached_property
    def samples(self) -> pd.DataFrame:
        """A row per playhead move; only those with `is_proved` showed the frame asked for."""
        return samples_frame(self.runs)


def read_frames(runs: RunNames, *, confidence_level: float = 0.95) -> RunFrames:
    """Read runs for analysis. RunError for a folder that is no run, or a glob that finds none."""
    names = [runs] if isinstance(runs, Path | str) else list(runs)
    folders = [folder for name in names for folder in find_run_dirs(name)]
    if not folders:
        raise RunError(
            where="read_runs", what="no run was named", remedy="Name a run's folder or a glob."
        )
    return RunFrames(
        runs=tuple(read_run(folder) for folder in dict.fromkeys(folders)),
        confidence_level=confidence_level,
    )


def find_run_dirs(name: Path | str) -> list[Path]:
    """The folder of that name, or the run folders that match it as a glob, in order.

    What a glob finds beside runs (a file, a folder without a manifest) is left out; a folder named
    outright is not, so that a mistake is told.
    """
    folder = Path(name).expanduser()
    if folder.is_dir():
        return [folder]
    found = sorted(Path(match) for match in glob(str(folder)))
    runs = [path for path in found if (path / MANIFEST_NAME).is_file()]
    if not runs:
        raise RunError(
            where=str(name),
            what="is neither a run's folder nor a glob that finds one",
            remedy="Give the folder that `mezzmark measure` named when it ended.",
        )
    return runs
