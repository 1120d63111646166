"""Interrupts placing files on a root and removing them, at random moments, and looks at all beside.

    python tests/simulation/interrupted_placing.py 1000 [SEED]

A child that does both is killed; an operation of its fails (no room, read-only, gone stale); the
root is renamed away; and, where mounts may be made, a file system of memory is full, becomes read
only or is unmounted. Then the run's next start clears what is left. Prints how many of each kind
struck while the child was at work, how many folders were left that had no marker yet or any more
(they are empty and stay), and what changed outside the marked folder; exits 1 if anything.
"""

import errno
import hashlib
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from mezzmark import own_files
from mezzmark.engines.media import placed_files
from mezzmark.engines.media.placed_files import place_files
from mezzmark.model.preparations import PlacedFile, PlaceFilesJob
from mezzmark.model.scenario import RootSettings

OWNER = "0123456789ab"
OWN_FOLDER = re.compile(rf"root/mezzmark-{OWNER}-[0-9a-f]{{16}}(/.*)?")
ERRORS = (errno.ENOSPC, errno.EROFS, errno.EIO, errno.ESTALE)
MOUNT_MIB = 2
CYCLES = 4
"""Of placing and removing that a child does; it is struck within the first three or so."""


def build(base: Path) -> PlaceFilesJob:
    """Prepared files, a root, and neighbours in it that look like ours and are not."""
    root = base / "root"
    cache = base / "cache"
    other = root / "mezzmark-ffffffffffff-0000000000000000"
    for folder in (cache, base / "elsewhere", root / f"mezzmark-{OWNER}-unmarked", other):
        folder.mkdir(parents=True)
        (folder / "kept.mov").write_bytes(os.urandom(1000))
    for marked in (base / "elsewhere", other):  # of another run
        own_files.write_new(marked / own_files.MARKER_NAME, own_files._MARKER_TEXT.encode())
    (root / f"mezzmark-{OWNER}-link").symlink_to(base / "elsewhere")
    (root / f"mezzmark-{OWNER}-file").write_bytes(b"kept")
    files = []
    for number in range(3):
        path, content = cache / f"{number}.mov", os.urandom(700_000)
        path.write_bytes(content)
        told = {"fingerprint": hashlib.sha256(content).hexdigest(), "file_bytes": len(content)}
        told |= {"clip": "a", "encoding": str(number), "frame_count": 1, "bitrate_bps": 1}
        files.append(PlacedFile(path=str(path), **told))
    settings = RootSettings(name="share", path=str(root))
    return PlaceFilesJob(root=settings, owner=OWNER, files=tuple(files))


def look(base: Path) -> dict[str, object]:
    """All outside the run's own folders, but the root itself, in which these come and go: kind,
    time of change, and digest or target."""
    found: dict[str, object] = {}
    for path in base.rglob("*"):
        name = path.relative_to(base).as_posix()
        if name == "root" or OWN_FOLDER.fullmatch(name):
            continue
        status = path.lstat()
        content: Any = None
        if path.is_symlink():
            content = os.readlink(path)
        elif path.is_file():
            content = hashlib.sha256(path.read_bytes()).hexdigest()
        found[name] = (status.st_mode, status.st_mtime_ns, content)
    return found


def work(job: PlaceFilesJob, cycles: int = 1) -> None:
    """Place the files and remove them; errors of storage end it, as they end a run."""
    over = job.model_copy(update={"files": (), "is_over": True})
    with suppress(OSError):  # expected errors are OSErrors too
        for _ in range(cycles):
            place_files(job, lambda *_: None)
            place_files(over, lambda *_: None)


def fail_later(rng: random.Random) -> None:
    """From a random operation on, all that change storage fail in this process."""
    left, code = rng.randrange(25), rng.choice(ERRORS)

    def failing(operation: Callable[..., Any]) -> Callable[..., Any]:
        def run(*given: Any, **named: Any) -> Any:
            nonlocal left
            left -= 1
            if left < 0:
                raise OSError(code, os.strerror(code))
            return operation(*given, **named)

        return run

    for place, name in (
        *((Path, name) for name in ("open", "mkdir", "unlink", "rmdir")),
        *((os, name) for name in ("fsync", "unlink", "rmdir", "open")),
        (shutil, "copyfileobj"),
    ):
        setattr(place, name, failing(getattr(place, name)))


def interrupt(
    kind: str, rng: random.Random, base: Path, span_s: float
) -> tuple[bool, list[str], int]:
    """One interruption: whether it struck a child at work, what changed beside the folder, and how
    many folders without a marker are left."""
    root = base / "root"
    root.mkdir(parents=True)
    if kind in MOUNTED:
        mount("-t", "tmpfs", "-o", f"size={MOUNT_MIB}m", "tmpfs", root)
    try:
        job = build(base)
        before = look(base)
        child = os.fork()
        if not child:
            if kind == "error":
                fail_later(rng)
            if kind == "full":  # what is asked first finds room, as before others wrote there
                placed_files.shutil.disk_usage = lambda _: shutil._ntuple_diskusage(9**9, 0, 9**9)
            work(job, cycles=CYCLES)
            os._exit(0)
        time.sleep(rng.uniform(0, span_s))
        is_at_work = os.waitpid(child, os.WNOHANG) == (0, 0)
        if kind == "kill" and is_at_work:
            os.kill(child, signal.SIGKILL)
        strike(kind, root)
        if is_at_work:
            os.waitpid(child, 0)
        return is_at_work, *start_again(kind, job, before, base)
    finally:
        if kind in MOUNTED and os.path.ismount(root):
            subprocess.run(("umount", root), check=True)
        shutil.rmtree(base)


def strike(kind: str, root: Path) -> None:
    """Do to the root what this kind is; others strike the child."""
    if kind == "gone":
        os.rename(root, root.parent / "away")
    elif kind == "read-only":
        while not mount("-o", "remount,ro", root):  # refused while a file is open for writing
            time.sleep(0.0005)
    elif kind == "unmounted":
        subprocess.run(("umount", "--lazy", root), check=True)


def start_again(
    kind: str, job: PlaceFilesJob, before: dict[str, object], base: Path
) -> tuple[list[str], int]:
    """Clear what is left, links planted in it too, and tell what changed."""
    root = base / "root"
    if kind == "unmounted":  # what was on it went with it
        before = {name: one for name, one in before.items() if not name.startswith("root/")}
    if kind == "gone":
        os.rename(base / "away", root)
    if kind == "read-only":
        mount("-o", "remount,rw", root)
    for folder in own_folders(root):
        (folder / "link").symlink_to(base / "elsewhere")
    place_files(job.model_copy(update={"files": (), "is_over": True}), lambda *_: None)
    now = look(base)
    changed = [name for name in before.keys() | now.keys() if before.get(name) != now.get(name)]
    left = own_folders(root)
    is_lost = [own_files.is_marked(folder) or any(folder.glob("*.mov")) for folder in left]
    changed += [f"left: {folder.name}" for folder, lost in zip(left, is_lost, strict=True) if lost]
    return changed, len(left)


def own_folders(root: Path) -> list[Path]:
    """Those that the run made, marked or not."""
    return [path for path in root.iterdir() if OWN_FOLDER.fullmatch(f"root/{path.name}")]


def mount(*arguments: object) -> bool:
    """Whether it could be mounted so."""
    command = ("mount", *map(str, arguments))
    return not subprocess.run(command, capture_output=True, check=False).returncode


def may_mount(folder: Path) -> bool:
    """Whether this user can mount a file system of memory."""
    if sys.platform != "linux" or os.geteuid() or not mount("-t", "tmpfs", "tmpfs", folder):
        return False
    return not subprocess.run(("umount", folder), check=False).returncode


MOUNTED = ("full", "read-only", "unmounted")


def main() -> int:
    """Interrupt so often, print the counts, tell of changes by the exit status."""
    count, seed = int(sys.argv[1]), int((*sys.argv, "1")[2])
    rng = random.Random(seed)
    at_work: Counter[str] = Counter()
    changed: list[str] = []
    with tempfile.TemporaryDirectory(prefix="mezzmark-interrupted-") as folder:
        kinds = ["kill", "kill", "error", "gone"]
        kinds += MOUNTED if may_mount(Path(folder)) else ()
        done: Counter[str] = Counter()
        span_s = dict.fromkeys(kinds, 0.01)
        unmarked = 0
        for number in range(count):
            kind = kinds[number % len(kinds)]
            base = Path(folder, str(number))
            struck, found, left = interrupt(kind, rng, base, span_s[kind])
            span_s[kind] *= 1.1 if struck else 0.8  # so that most strike, and at all steps
            done[kind] += 1
            at_work[kind] += struck
            unmarked += left
            changed += [f"{number} ({kind}): {name}" for name in found]
    for kind, times in done.items():
        print(f"{kind}: {times}, {at_work[kind]} while at work")
    print(f"left without a marker: {unmarked}")
    print(f"changed outside the marked folder: {len(changed)}", *changed[:20], sep="\n")
    return 1 if changed else 0


if __name__ == "__main__":
    sys.exit(main())
