"""Runs whose per-round costs are given, for comparisons: no distribution, no chance."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from fabricated_run import FRAME_COUNT, RATE, Fabrication, fabricate_manifest

from mezzmark.facts.cells import Cell
from mezzmark.facts.records import (
    EncodeMeasurement,
    HostMoment,
    KernelMeasurement,
    Measurement,
    ProcessFacts,
    ScrubMeasurement,
    Trial,
)
from mezzmark.facts.run import Manifest

CLIP = "street at dusk"
ENCODE = Cell(task="encode", clip=CLIP, encoding="VC-3 SQ", thread_count=1)
ENCODE_WIDE = Cell(task="encode", clip=CLIP, encoding="VC-3 SQ", thread_count=4)
SCRUB = Cell(
    task="scrub",
    clip=CLIP,
    encoding="VC-3 SQ",
    pattern="jump",
    policy="roll",
    threading="slice",
    thread_count=4,
    viewer_height_px=540,
)
KERNEL = Cell(task="kernel", clip="no clip", encoding="reference kernel")

QUIET = np.array([-0.004, 0.003, 0.001, -0.002, 0.005, -0.001, 0.002, -0.003])
"""Logs of eight rounds of a quiet machine: sd 0.3 %."""

ROUND_NS = 2e9


@dataclass(frozen=True)
class Run:
    """What `compare_runs` needs of a run."""

    manifest: Manifest
    trials: tuple[Trial, ...]


def build_run(
    costs: Mapping[Cell, Sequence[float]],
    *,
    kernel: Sequence[float] | None = None,
    run_id: str = "run",
    seed: int = 1,
    start_minute: int = 0,
    minutes_per_round: int = 1,
    wrong: Mapping[Cell, int] | None = None,
    moments: Mapping[tuple[int, int], HostMoment] | None = None,
    manifest: Manifest | None = None,
) -> Run:
    """A run of one trial per cell and round; `costs` and `kernel` are logs of relative cost."""
    trials = []
    cells = dict(costs)
    if kernel is not None:
        cells[KERNEL] = kernel
    rounds = max(len(logs) for logs in cells.values())
    for index in range(rounds):
        minute = start_minute + index * minutes_per_round
        for position, (cell, logs) in enumerate(cells.items()):
            if index >= len(logs):
                continue
            wall_ns = round(ROUND_NS * float(np.exp(logs[index])))
            trials.append(
                Trial(
                    round_index=index,
                    position=position,
                    cell=cell,
                    seed=1000 * seed + index,
                    started_utc=f"2026-03-01T{10 + minute // 60:02d}:{minute % 60:02d}:00Z",
                    wall_ns=wall_ns,
                    outcome="finished",
                    measurement=_measure(cell, wall_ns, (wrong or {}).get(cell, 0)),
                    process=ProcessFacts(cpu_ns=1_000_000_000, involuntary_switches=5),
                    host_during=(moments or {}).get((index, position), HostMoment()),
                )
            )
    made = manifest or fabricate_manifest(Fabrication())
    return Run(made.model_copy(update={"run_id": run_id}), tuple(trials))


def _measure(cell: Cell, wall_ns: int, wrong: int) -> Measurement:
    if cell.task == "kernel":
        return KernelMeasurement(wall_ns=(wall_ns,) * 3)
    if cell.task == "scrub":
        moves = 4
        zeros = (0,) * moves
        return ScrubMeasurement(
            clip_position=zeros,
            frame_index=zeros,
            locate_ns=zeros,
            decode_ns=(wall_ns,) * moves,
            present_ns=zeros,
            overhead_ns=zeros,
            decoded_frames=(1,) * moves,
            read_bytes=(1,) * moves,
            shown_frame=zeros,
            proof=("wrong",) * wrong + ("right",) * (moves - wrong),
            open_ns=(1,),
        )
    return EncodeMeasurement(
        frame_count=FRAME_COUNT,
        decoded_frame_count=FRAME_COUNT,
        stamps_in_order=True,
        wall_ns=wall_ns,
        cpu_ns=wall_ns,
        file_bytes=1000,
        packet_bytes=900,
        stream_digest="0" * 16,
        frame_rate=str(RATE),
        width_px=1920,
        height_px=1080,
    )
