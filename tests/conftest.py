"""What holds for every test."""

import gc


def pytest_collection_finish() -> None:
    """Each timed task looks for garbage before its clock starts: not through all that was loaded
    and collected, each of a thousand times."""
    gc.collect()
    gc.freeze()
