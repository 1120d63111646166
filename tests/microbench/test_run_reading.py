"""What reading a run costs; timed only where benchmarks are asked for."""

from pathlib import Path

import pytest

from mezzmark.model.cell import Cell, Setting
from mezzmark.model.records import Trial
from mezzmark.model.tasks.scrub import ScrubMeasurement
from mezzmark.store.record_text import parse_trial
from mezzmark.store.run_store import TRIALS_NAME

CELLS, ROUNDS, MOVES = 20, 5, 500


def trial(round_index: int, position: int) -> Trial:
    """A trial of 500 moves with numbers of the size that real ones have."""

    def numbers(low: int, step: int) -> tuple[int, ...]:
        return tuple(low + (k * 7919 + position) % 97 * step for k in range(MOVES))

    return Trial(
        round_index=round_index,
        position=position,
        cell=Cell(task="scrub", clip="a", encoding=f"e{position}", setting=Setting(pattern="jump")),
        seed=1,
        started_utc="2026-01-01T00:00:00+00:00",
        wall_ns=60 * 10**9,
        outcome="finished",
        measurement=ScrubMeasurement(
            clip_position=(0,) * MOVES,
            frame_index=numbers(0, 1),
            locate_ns=numbers(100_000, 9_000),
            decode_ns=numbers(1_000_000, 900_000),
            present_ns=numbers(1_000_000, 90_000),
            overhead_ns=numbers(1_000, 90),
            decoded_frames=numbers(1, 1),
            read_bytes=numbers(100_000, 9_000),
            shown_frame=numbers(0, 1),
            proof=("right",) * MOVES,
            open_ns=(12_345_678,),
        ),
    )


@pytest.mark.benchmark(group="store")
def test_reading_fifty_thousand_moves(benchmark, tmp_path: Path) -> None:
    """A twentieth of the largest run aimed at (1,000,000 moves in 2 s) comes back whole."""
    path = tmp_path / TRIALS_NAME
    trials = [trial(index, place) for index in range(ROUNDS) for place in range(CELLS)]
    path.write_text("".join(t.model_dump_json() + "\n" for t in trials))

    def read() -> list[Trial | None]:
        with path.open("rb") as file:
            return [parse_trial(line, where="benchmark") for line in file]

    assert benchmark(read) == trials
