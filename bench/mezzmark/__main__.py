"""The command `mezzmark`, also as `python -m mezzmark`: what holds from the first moment on.

Streams, signals and exit codes are set up before anything heavy is loaded, so that they hold while
the libraries load, too.
"""

import errno
import gc
import io
import os
import signal
import stat
import sys
from types import FrameType
from typing import Any, Final, NoReturn

from mezzmark.model.errors import DiskFullError, EngineError, InterruptedRunError, MezzmarkError

_READER_GONE: Final = frozenset(
    {errno.EPIPE, errno.EIO, *([errno.EINVAL] if os.name == "nt" else [])}
)
"""A pipe's reader ended, or the terminal was closed; Windows tells the first as EINVAL."""


def main() -> NoReturn:
    """Run the command line and leave with its exit code."""
    _open_streams()
    for name in ("SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, _interrupt)  # as Ctrl-C: what is half-written is removed
    try:
        from mezzmark.cli.app import main as run

        run()
    except KeyboardInterrupt:
        _end_with(
            InterruptedRunError(
                where="stopped",
                what="the command was told to end before it was done",
                remedy="Nothing half-written was left; give it again.",
            )
        )
    except ImportError as error:
        _end_with(
            EngineError(
                where=error.name or "a library",
                what=f"it cannot be loaded ({error.msg})",
                remedy="Install mezzmark again, with all it needs, in an environment of its own.",
            )
        )
    finally:
        gc.freeze()  # the process ends: nobody need look for cycles in all that it made
    raise SystemExit(0)


def _interrupt(_number: int, _frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def _end_with(problem: MezzmarkError) -> NoReturn:
    print(f"mezzmark: {' '.join(str(problem).split())}", file=sys.stderr)
    raise SystemExit(problem.exit_code) from None


class _Output(io.FileIO):
    """Standard output or error. Whoever reads it may leave: what is written then goes nowhere, and
    the command goes on to its own end and exit code."""

    def write(self, content: Any, /) -> int:
        """As a file's; DiskFullError where standard output goes to a file that has no room."""
        try:
            return super().write(content) or 0
        except OSError as error:
            is_file = stat.S_ISREG(os.fstat(self.fileno()).st_mode)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)
            if self.fileno() == 2 or (error.errno in _READER_GONE and not is_file):
                return memoryview(content).nbytes
            what = f"it cannot be written ({error.strerror})"
            remedy = "Make room where it goes, or send it elsewhere."
            raise DiskFullError(where="standard output", what=what, remedy=remedy) from None


def _open_streams() -> None:
    """Streams that were closed lead nowhere: else the next file opened would get their number. A
    console that cannot show a character does not end the run."""
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        os.set_inheritable(number, True)
    os.close(number)
    for number, name in ((1, "stdout"), (2, "stderr")):
        stream = getattr(sys, name)
        if stream is not None and os.name == "nt" and stream.isatty():
            stream.reconfigure(errors="replace")  # a console there is no file
            continue
        fresh = io.TextIOWrapper(
            io.BufferedWriter(_Output(number, "w", closefd=False)),
            encoding=getattr(stream, "encoding", None) or "utf-8",
            errors="replace",
            line_buffering=number == 2 or os.isatty(number),
        )
        setattr(sys, name, fresh)


if __name__ == "__main__":
    main()
