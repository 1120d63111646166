"""Prints how far a round's median spreads by the draw of its targets, on a real decoder:
`python tests/simulation/target_spread.py [DRAWS]` (4,000 by default; some minutes).

A clip of 6 s and one of 60 s, AVC with a key frame every 48 frames. The player jumps to every frame
once, in random order, timed in CPU time of one thread, so that little of what else runs on the
machine is in it; rounds of targets drawn each by itself and as a Latin hypercube are then read from
these times. Spread is the standard deviation of the log of a round's median.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from mezzmark.engines.footage.originals import prepare_original
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.play.player import Player
from mezzmark.model.footage import ClipSpec, OriginalSpec, Recipe
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import PrepareOriginalJob
from mezzmark.model.tasks.patterns import groups_of, spread_targets
from mezzmark.model.tasks.scrub import ScrubJob

SEED = 11


def open_clip(duration_s: float, folder: Path) -> tuple[Player, tuple[int, ...]]:
    """A player on a synthetic clip, and the clip's groups of pictures."""
    clip = ClipSpec(
        name=f"{duration_s:g} s",
        recipe=Recipe(width_px=320, height_px=180, frame_rate=24, duration_s=duration_s),
        original=OriginalSpec(keyframe_interval=48, bitrate_bps=4_000_000),
    )
    job = PrepareOriginalJob(clip=clip, seed=SEED, cache_dir=str(folder))
    media = prepare_original(job, lambda _message, _share: None).media
    index = read_frame_index(media.index_path)
    keys = [n for n, is_key in enumerate(index.is_keyframe) if is_key]
    scrub = ScrubJob(
        media=(media,),
        requests=(),
        policy="reseek",
        thread_count=1,
        player=PLAYERS["slice"],
        viewer_height_px=180,
    )
    return Player(media.media_path, index, scrub), tuple(groups_of(len(index.pts), keys))


def jump_times_ms(player: Player, frame_count: int, rng: np.random.Generator) -> np.ndarray:
    """CPU time of a jump to each frame."""
    times_ms = np.empty(frame_count)
    for frame in rng.permutation(frame_count):
        start_ns = time.process_time_ns()
        player.move(int(frame), time.perf_counter_ns)
        times_ms[frame] = (time.process_time_ns() - start_ns) / 1e6
    return times_ms


def main(draws: int) -> None:
    """One row a clip and number of moves."""
    heads = ("clip", "moves", "median", "drawn each by itself", "Latin hypercube")
    print("| " + " | ".join(heads) + " |\n" + "|---" * len(heads) + "|")
    rng = np.random.default_rng(SEED)
    with tempfile.TemporaryDirectory(prefix="mezzmark-") as folder:
        for duration_s in (6, 60):
            player, groups = open_clip(duration_s, Path(folder))
            times_ms = jump_times_ms(player, groups[-1], rng)
            player.close()
            for moves in (12, 24):
                alone = rng.integers(0, groups[-1], (draws, moves))
                together = np.array([spread_targets(groups, moves, rng) for _ in range(draws)])
                spreads = [
                    f"{np.log(np.median(times_ms[drawn], axis=1)).std():.3f}"
                    for drawn in (alone, together)
                ]
                median = f"{np.median(times_ms):.1f} ms"
                print(
                    "|", f"{duration_s} s", "|", moves, "|", median, "|", " | ".join(spreads), "|"
                )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
