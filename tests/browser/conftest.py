"""Lets these tests use the fabricated runs of `tests/unit` when they are run alone."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
