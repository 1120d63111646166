"""What the file object costs beside a plain file.

`pytest tests/microbench` compares the bytes. As a program this file prints two ratios of times:

    python tests/microbench/test_link_cost.py [ROUNDS]

Every jump over a link waits, and what the object does meanwhile costs nothing; what counts is by
how much a move takes longer than its wait by arithmetic and a move by path together (1 Gbit/s and
0.5 ms; the move by path comes after a pause as long, for the caches' sake). Over an endless link
nothing is hidden: that is all the object does, of which a move over any link pays a part.
"""

import sys
import tempfile
from pathlib import Path
from statistics import median

import pytest

from mezzmark.engines.media.frame_index import build_frame_index
from mezzmark.engines.media.storage_file import Line, StorageFile
from mezzmark.engines.play import player as player_module
from mezzmark.engines.play.player import Player
from mezzmark.host.common import read_clock_ns, sleep_ns
from mezzmark.model.footage import FrameIndex
from mezzmark.model.link import Link, LinkSettings
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.scrub import ScrubJob
from microbench.test_player_overhead import FASTEST, REQUESTS, USUAL, make_clip
from simulation.link_against_share import Clock

ENDLESS = Link(name="", rate_bps=1e15, round_trip_ns=0, window_bytes=131_072)
USUAL_LINK = LinkSettings(rate="1 Gbit/s").link
QUIET_NS = 30_000_000
"""After so long nothing is under way any more."""

JOB = ScrubJob(
    media=(),
    requests=(),
    policy="reseek",
    thread_count=1,
    player=PLAYERS["slice"],
    viewer_height_px=540,
)


def test_the_bytes_are_those_of_the_file(tmp_path: Path) -> None:
    """Reads of every size at every place give what the file holds, and its end where it ends."""
    path = tmp_path / "file.bin"
    content = bytes(range(251)) * 4096
    path.write_bytes(content)
    file = StorageFile(path, Line(ENDLESS))
    for at, size in ((0, 10), (131_000, 300_000), (5, -1), (len(content) - 3, 100), (10**7, 8)):
        file.seek(at)
        assert file.read(size) == content[at : None if size < 0 else at + size]
    assert (file.seek(0, 2), file.tell(), file.size) == (len(content),) * 3
    with pytest.raises(FileNotFoundError):
        StorageFile(tmp_path / "none")


class Noting(StorageFile):
    """Notes what is read."""

    def begin(self) -> None:
        super().begin()
        self.noted: list[tuple[int, int]] = []

    def read(self, size: int = -1) -> bytes:
        self.noted.append((self.tell(), size))
        return super().read(size)


def arithmetic_ns(noted: list[tuple[int, int]], path: Path, link: Link) -> int:
    """How long these reads wait for a quiet link, on a clock that runs while somebody sleeps."""
    clock = Clock()
    file = StorageFile(path, Line(link), clock_ns=clock, sleep_ns=clock.sleep_ns)
    for at, size in noted:
        file.seek(at)
        file.read(size)
    file.close()
    return file.wait_ns


def compare(path: Path, index: FrameIndex, turn: int) -> tuple[float, float]:
    """One round of jumps, by their medians: over the usual link beside what they should take, and
    over the endless one beside moves by path."""
    links = (None, USUAL_LINK, ENDLESS)
    plain, usual, endless = (
        Player(path, index, JOB.model_copy(update={"link": link})) for link in links
    )
    took_ns: dict[str, list[int]] = {name: [] for name in ("plain", "wanted", "usual", "endless")}

    def move(name: str, player: Player, frame: int, waited_ns: int = 0) -> None:
        found = player.move(frame, read_clock_ns)
        took_ns[name].append(waited_ns + found.locate_ns + found.decode_ns + found.present_ns)

    for frame in REQUESTS:
        for name, player in (("plain", plain), ("endless", endless))[:: 1 - 2 * turn]:
            move(name, player, frame)
        sleep_ns(QUIET_NS)
        move("usual", usual, frame)
        waited_ns = arithmetic_ns(usual._file.noted, path, USUAL_LINK)
        sleep_ns(waited_ns)
        move("wanted", plain, frame, waited_ns)
    for player in (plain, usual, endless):
        player.close()
    middle = {name: median(times) for name, times in took_ns.items()}
    return middle["usual"] / middle["wanted"], middle["endless"] / middle["plain"]


def main(rounds: int) -> None:
    """Both ratios of both clips: the median of rounds, and their least and most but one."""
    player_module.StorageFile = Noting  # type: ignore[misc]
    for kind in (FASTEST, USUAL):
        with tempfile.TemporaryDirectory() as folder:
            path = make_clip(Path(folder), *kind)
            index = build_frame_index(path)
            found = [compare(path, index, number % 2) for number in range(rounds)]
        for name, ratios in zip(("usual", "endless"), zip(*found, strict=True), strict=True):
            ordered = sorted(ratios)
            spread = f"[{ordered[1]:.4f}, {ordered[-2]:.4f}]"
            print(f"{kind[0]}, {name} link: {median(ratios):.4f} {spread}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 15)
