"""How long footage takes to prepare from an empty cache, and the SHA-256 of what was made.

`python tests/simulation/preparation_time.py long-gop-vs-intra bench OTHER/bench …`: each checkout's
`bench` folder in turn, by this interpreter, through the command line, which all versions have.
"""

import hashlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

READY = "measuring:"
"""Begins the line after the last preparation."""


def prepare(scenario: str, bench: str, folder: Path) -> float:
    """Seconds from the start of the command until all is prepared; it is then interrupted."""
    command = (sys.executable, "-m", "mezzmark", "measure", scenario, "--out", str(folder / "run"))
    variables = {"PYTHONPATH": bench, "MEZZMARK_CACHE": str(folder / "cache")}
    start_s = time.perf_counter()
    with subprocess.Popen(
        command, env={**os.environ, **variables}, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if READY in line:
                break
        seconds = time.perf_counter() - start_s
        process.send_signal(signal.SIGINT)
        process.communicate()
    return seconds


if __name__ == "__main__":
    for bench in sys.argv[2:]:
        with tempfile.TemporaryDirectory() as name:
            print(f"{bench}: {prepare(sys.argv[1], bench, Path(name)):.1f} s", flush=True)
            for path in sorted(Path(name).glob("cache/*/*"), key=lambda path: path.name):
                if path.suffix not in {".json", ".pictures"}:
                    print(f"  {path.name}: {hashlib.sha256(path.read_bytes()).hexdigest()}")
