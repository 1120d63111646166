"""Playhead moves over awkward clips by every software player: how many, how many wrong.

`python tests/simulation/zero_wrong_moves.py [MOVES]` (PYTHONPATH=tests) plays so many moves a clip,
player and policy, then as many with views and pictures planted wrong, and prints the counts."""

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

from fixtures.clip_zoo import ZOO, make_zoo_clip
from fixtures.scrubbed import indexed
from fixtures.suspect_clips import STRUCTURES
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.play.player import Move, Player
from mezzmark.engines.play.scrub import run_scrub
from mezzmark.model.players import FULL_SIZE
from mezzmark.model.tasks.scrub import ScrubJob, shown_proof
from mezzmark.model.tasks.spec import MediaReference

SOFTWARE = [player for player in FULL_SIZE.values() if player.device is None]


class WrongPicture(Player):
    """Shows the neighbour of the frame asked for."""

    def move(self, frame_index, clock_ns) -> Move:
        return super().move(frame_index + (1 if frame_index == 0 else -1), clock_ns)


class WrongView(Player):
    """Shows a view of the neighbour of the picture it decoded."""

    def move(self, frame_index, clock_ns) -> Move:
        view = super().move(frame_index + (1 if frame_index == 0 else -1), clock_ns).view
        return replace(super().move(frame_index, clock_ns), view=view)


class BlackView(Player):
    """Shows black."""

    def move(self, frame_index, clock_ns) -> Move:
        move = super().move(frame_index, clock_ns)
        black = np.zeros_like(move.view.to_ndarray())
        return replace(move, view=type(move.view).from_ndarray(black, format="rgb24"))


def clips(folder: Path) -> Iterator[tuple[str, MediaReference, int]]:
    """Each clip of the zoo and of the awkward structures, indexed, with its number of frames."""
    for name, clip in (ZOO | STRUCTURES).items():
        place = folder / name
        place.mkdir()
        media = indexed(make_zoo_clip(clip, place))
        yield name, media, read_frame_index(media.index_path).frame_count


def main(moves: int) -> None:
    """Play all, print what was proved."""
    rng = np.random.default_rng(14)
    proofs: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, media, frame_count in clips(Path(folder)):
            for player, policy in product(SOFTWARE, ("roll", "reseek")):
                job = ScrubJob(
                    media=(media,),
                    requests=tuple((0, int(n)) for n in rng.integers(frame_count, size=moves)),
                    policy=policy,
                    thread_count=player.threads or 1 + int(rng.integers(2)),
                    player=player,
                    viewer_height_px=90,
                )
                for kind in (Player, WrongPicture, WrongView, BlackView):
                    if kind is not Player and (player.name, policy) != ("slice", "reseek"):
                        continue
                    measured = run_scrub(job, time.perf_counter_ns, kind).measurement
                    seen = Counter(shown_proof(measured))
                    key = player.name if kind is Player else kind.__name__
                    proofs[key] = proofs.get(key, Counter()) + seen
                    if (set(seen) == {"right"}) != (kind is Player):
                        print(f"  {name} {player.name} {policy} {kind.__name__}: {dict(seen)}")
    for key, seen in proofs.items():
        print(key, dict(seen))
    played = sum((proofs[player.name] for player in SOFTWARE), Counter())
    print(f"{played.total():,} moves by {len(SOFTWARE)} players: {dict(played)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
