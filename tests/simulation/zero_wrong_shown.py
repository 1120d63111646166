"""Pictures shown while dragging and playing awkward clips: how many, how many wrong, and how late
the player woke.

`python tests/simulation/zero_wrong_shown.py [PICTURES [PLAYER …]]` (PYTHONPATH=tests) goes through
the clips until so many were shown by each player (`slice` and `frame` unless named; `cuda` on a
machine with a card), then lets players with stale pictures and stale views do the same for a tenth
of it, and prints the counts. Drags whose player woke late are counted, not left out.
"""

import sys
import tempfile
import time
from collections import Counter
from itertools import product
from pathlib import Path

import numpy as np

from mezzmark.engines.play.drag import OpenLoopPlayer, run_drag
from mezzmark.engines.play.playback import run_play
from mezzmark.model.errors import EngineError
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.drag import DragJob
from mezzmark.model.tasks.hand import draw_strokes
from mezzmark.model.tasks.play import PlayJob
from simulation.zero_wrong_moves import clips


class StalePicture(OpenLoopPlayer):
    """Shows the picture before and calls it new."""

    before = None

    def bring(self, frame_index):
        before, self.before = self.before, super().bring(frame_index)
        return before or self.before


class StaleView(OpenLoopPlayer):
    """Decodes rightly and shows the view before."""

    before = None

    def present(self, picture):
        before, self.before = self.before, super().present(picture)
        return before or self.before


def show(media, frame_count: int, player: str, seed: int, kind=OpenLoopPlayer):
    """The measurements of one drag by each of two services, and of one playback at each speed."""
    asked = {
        "media": media,
        "player": PLAYERS[player],
        "thread_count": PLAYERS[player].threads or 2,
        "viewer_height_px": 90,
        "refresh_hz": 60,
        "seed": seed,
    }
    how = {"refresh_hz": 60, "duration_s": 1.0, "median_frames": 40.0, "sweep_fps": 60.0}
    rng = np.random.default_rng(seed)
    strokes = draw_strokes("sweep", frame_count=frame_count, rng=rng, **how)
    for service in ("latest", "follow"):
        job = DragJob(**asked, service=service, strokes=strokes, is_steady=True)
        yield run_drag(job, time.perf_counter_ns, kind)
    if kind is OpenLoopPlayer:
        job = PlayJob(**asked, speeds=("1x", "2x", "-1x"), starts=1, duration_s=1)
        yield run_play(job, time.perf_counter_ns)


def count(known, player: str, wanted: int, kind=OpenLoopPlayer) -> tuple[Counter, list[int], int]:
    """Proofs of at least so many pictures, all waits, and drags whose player woke late."""
    proofs, late, flagged = Counter(), [], 0
    for seed, (name, media, frames) in product(range(1000), known):
        try:
            for measured in show(media, frames, player, seed, kind):
                found = Counter(measured.measurement.proof)
                if found["wrong"] and kind is OpenLoopPlayer:
                    print(f"wrong: {name} by {player}, seed {seed}: {dict(found)}", flush=True)
                proofs += found
                late += measured.measurement.wake_late_ns
                flagged += bool(measured.flags)
        except EngineError as error:
            proofs[f"refused: {name}"] += 1
            if seed:
                print(error.what)
        if sum(proofs.values()) >= wanted:
            break
    return proofs, late, flagged


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000
    with tempfile.TemporaryDirectory() as folder:
        known = list(clips(Path(folder)))
        for player in sys.argv[2:] or ["slice", "frame"]:
            proofs, late, flagged = count(known, player, wanted)
            ms = np.percentile(late, [50, 99, 100]) / 1e6 if late else []
            print(f"{player}: {dict(proofs)}; {flagged} drags woke late; waits: {ms} ms")
        for kind in (StalePicture, StaleView):
            proofs, _, _ = count(known, "slice", wanted // 10, kind)
            print(f"{kind.__name__}: {dict(proofs)}")
