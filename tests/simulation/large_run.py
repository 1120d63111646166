"""Writes a run with a million playhead moves or more, to see what reading and reporting cost.

    python tests/simulation/large_run.py OUT --moves 1000000 --shape few

`few`: 16 cells of 10 rounds share the moves. `many`: 24 moves a trial, as the shipped scenarios
have, in as many rounds of 320 cells or more as it takes.
Every number in it is drawn, none is measured.
"""

import argparse
import json
import math
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.fabricated_run import FRAME_COUNT, Fabrication, fabricate_manifest, many_encodings
from mezzmark.store.run_store import MANIFEST_NAME, TRIALS_NAME

SHAPES = {
    "few": {"encodings": 8, "clips": 1, "rounds": 10},
    "many": {"encodings": 40, "clips": 4, "moves": 24},
}
PATTERNS = ("jump", "near")
MOST_ROUNDS = 500


def write_large_run(run_dir: Path, *, moves: int, shape: str, seed: int = 1) -> Path:
    """A run folder of at least `moves` playhead moves; returns the folder."""
    made = SHAPES[shape]
    encodings = many_encodings(made["encodings"])
    # A scenario has at most 1,000 rounds, so that more moves of 24 a trial take more clips.
    per_clip = len(encodings) * len(PATTERNS) * made.get("moves", moves) * MOST_ROUNDS
    clip_count = max(made["clips"], math.ceil(moves / per_clip))
    clips = tuple(f"clip {index + 1}" for index in range(clip_count))
    cell_count = len(encodings) * len(clips) * len(PATTERNS)
    moves_each = made.get("moves") or math.ceil(moves / cell_count / made["rounds"])
    rounds = made.get("rounds") or math.ceil(moves / cell_count / moves_each)
    plan = Fabrication(
        encodings=encodings,
        clips=clips,
        patterns=PATTERNS,
        rounds=rounds,
        requests=moves_each,
        name=f"large-{shape}",
        seed=seed,
    )
    run_dir.mkdir(parents=True)
    manifest = fabricate_manifest(plan)
    (run_dir / MANIFEST_NAME).write_text(manifest.model_dump_json(indent=2) + "\n")
    rng = np.random.default_rng(seed)
    cells = [(e, clip, pattern) for e in encodings for clip in clips for pattern in PATTERNS]
    with (run_dir / TRIALS_NAME).open("w", encoding="utf-8", newline="\n") as file:
        for round_index in range(rounds):
            effect = float(rng.lognormal(0, 0.02))
            for position, at in enumerate(rng.permutation(len(cells))):
                encoding, clip, pattern = cells[at]
                median_ms = encoding.jump_ms * effect * float(rng.lognormal(0, 0.03))
                trial = {
                    "schema_version": 1,
                    "round_index": round_index,
                    "position": position,
                    "cell": {
                        "task": "scrub",
                        "clip": clip,
                        "encoding": encoding.name,
                        "thread_count": 4,
                        "pattern": pattern,
                        "policy": "roll",
                        "threading": "slice",
                        "viewer_height_px": 540,
                    },
                    "seed": seed,
                    "started_utc": "2026-03-01T10:00:00Z",
                    "wall_ns": 10**12,
                    "outcome": "finished",
                    "reason": "",
                    "measurement": _moves(median_ms, moves_each, rng),
                    "process": {"cpu_ns": 9 * 10**8, "peak_rss_bytes": 210_000_000},
                    "host_before": {"load_average_1m": 0.4},
                    "host_during": {"load_average_1m": 1.1, "steal_fraction": 0.0},
                }
                file.write(json.dumps(trial, separators=(",", ":")) + "\n")
    return run_dir


def _moves(median_ms: float, count: int, rng: np.random.Generator) -> dict[str, object]:
    latency_ns = median_ms * 1e6 * rng.lognormal(0, 0.35, count)
    frames = rng.integers(0, FRAME_COUNT, count).tolist()
    share = rng.uniform(0.02, 0.06, count)

    def whole(values: np.ndarray) -> list[int]:
        return np.rint(values).astype(np.int64).tolist()

    return {
        "task": "scrub",
        "clip_position": [0] * count,
        "frame_index": frames,
        "locate_ns": whole(latency_ns * share),
        "decode_ns": whole(latency_ns * (0.8 - share)),
        "present_ns": whole(latency_ns * 0.2),
        "overhead_ns": rng.integers(2000, 9000, count).tolist(),
        "decoded_frames": rng.integers(1, 25, count).tolist(),
        "read_bytes": rng.integers(10**5, 10**7, count).tolist(),
        "shown_frame": frames,
        "proof": ["right"] * count,
        "open_ns": [int(rng.integers(2 * 10**6, 4 * 10**6))],
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--moves", type=int, default=1_000_000)
    parser.add_argument("--shape", choices=SHAPES, default="few")
    chosen = parser.parse_args()
    print(write_large_run(chosen.out, moves=chosen.moves, shape=chosen.shape))
