"""Runs as people name them in a program: one folder or several, as paths or as text."""

from collections.abc import Sequence
from pathlib import Path

RunPaths = Path | str | Sequence[Path | str]
"""A run's folder, or several of them."""


def as_run_paths(runs: RunPaths) -> list[Path]:
    """The folders as a list; one alone need not stand in a list, and `~` is the home folder."""
    # Text is a sequence too: read as one, it would be a folder for every letter.
    several = [runs] if isinstance(runs, Path | str) else runs
    return [Path(run).expanduser() for run in several]
