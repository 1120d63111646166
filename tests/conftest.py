"""What holds for every test."""

import gc
import sys

_modules_seen = 0


def pytest_collection_finish() -> None:
    """Each timed task looks for garbage before its clock starts: not through all that was loaded
    and collected, each of a thousand times."""
    gc.collect()
    gc.freeze()


def pytest_runtest_setup() -> None:
    """Nor through what a test before has loaded."""
    global _modules_seen  # noqa: PLW0603
    if len(sys.modules) != _modules_seen:
        _modules_seen = len(sys.modules)
        gc.freeze()
