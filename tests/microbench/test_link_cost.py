"""What the file object costs beside a plain file: a link so fast that all the rest is our own.

`pytest tests/microbench` compares the bytes. As a program this file prints paired ratios of the
CPU time of moves through the object to that of moves by path, with the spread over rounds:

    python tests/microbench/test_link_cost.py [ROUNDS]
"""

import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import pytest

from mezzmark.engines.media.frame_index import build_frame_index
from mezzmark.engines.media.storage_file import Line, StorageFile
from mezzmark.engines.play.player import Player
from mezzmark.host.common import read_clock_ns
from mezzmark.model.link import Link
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.scrub import ScrubJob
from microbench.test_player_overhead import FASTEST, REQUESTS, USUAL, make_clip

ENDLESS = Link(name="", rate_bps=1e15, round_trip_ns=0, window_bytes=131_072)


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


def main(rounds: int) -> None:
    """Paired by round, in changing order."""
    for kind in (FASTEST, USUAL):
        with tempfile.TemporaryDirectory() as folder:
            path = make_clip(Path(folder), *kind)
            index = build_frame_index(path)
            job = ScrubJob(
                media=(),
                requests=(),
                policy="reseek",
                thread_count=1,
                player=PLAYERS["slice"],
                viewer_height_px=540,
            )
            jobs = {"path": job, "object": job.model_copy(update={"link": ENDLESS})}
            ratios = []
            for number in range(rounds):
                took = {}
                for name in sorted(jobs, reverse=bool(number % 2)):
                    player = Player(path, index, jobs[name])
                    start_ns = time.process_time_ns()
                    for frame in REQUESTS:
                        player.move(frame, read_clock_ns)
                    took[name] = time.process_time_ns() - start_ns
                    player.close()
                ratios.append(took["object"] / took["path"])
            ratios.sort()
            print(f"{kind[0]}: {median(ratios):.4f} [{ratios[1]:.4f}, {ratios[-2]:.4f}]")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 15)
