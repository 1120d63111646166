"""Sequential decoding: a file's pictures in order, as ingest, delivery and playback take them."""

from collections.abc import Iterator
from typing import Final, Literal

import numpy as np
from pydantic import Field

from mezzmark.model.cell import Cell, PlannedTrial
from mezzmark.model.fact import Fact, Positive, Whole, same_length
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.tasks import spec
from mezzmark.model.tasks.scrub import FullSizePlayer, Policy, vary_settings

IN_FLIGHT: Final = 8
"""So many pictures and one a thread are left after a run where the clip has them: at its end a
decoder gives pictures that were decoded before."""

SAMPLES: Final = 3
"""Pictures of a run that are proved at most: they are held in memory while the clock runs."""


class DecodeSettings(Fact):
    """Pictures in order, and no view of them; cells differ from the first values in one axis."""

    runs: int = Field(default=2, ge=1, le=100, description="places of the clip a trial starts at")
    frames: int = Field(default=48, ge=1, le=10_000, description="frames timed from each")
    threads: tuple[spec.CountChoice, ...] = Field(default=("all",), min_length=1)
    players: tuple[FullSizePlayer, ...] = Field(default=("slice", "frame"), min_length=1)


class DecodeJob(Fact):
    """Bring each of `starts` out of the decoder, then decode the `frame_count` frames that follow,
    timed; the `proved` of them (1 is the first) are held against the index afterwards."""

    task: Literal["decode"] = "decode"
    media: spec.MediaReference
    starts: tuple[int, ...]
    frame_count: int
    proved: tuple[int, ...]
    thread_count: int
    player: Player
    policy: Policy = "roll"
    viewer_height_px: int = 64  # no picture comes that far
    link: None = None
    is_cold: Literal[False] = False


class DecodeMeasurement(Fact):
    """One trial; tuples have one entry a run. All sampled pictures were right, or it had failed."""

    task: Literal["decode"] = "decode"
    start: tuple[Whole, ...] = Field(min_length=1)
    wall_ns: tuple[Positive, ...]
    cpu_ns: tuple[Whole, ...]
    frame_count: Positive
    proved_count: Whole
    width_px: Positive
    height_px: Positive

    _one_entry_per_run = same_length("start", "wall_ns", "cpu_ns")


def _plan(settings: DecodeSettings, stock: spec.Stock) -> Iterator[Cell]:
    axes = {"threads": stock.counts(settings.threads), "player": settings.players}
    return spec.cells_of("decode", stock.present(), vary_settings(axes))


def _job(
    planned: PlannedTrial, settings: DecodeSettings, footage: spec.PreparedFootage
) -> DecodeJob:
    """Starts lie one in each equal part of the clip, the same for all encodings."""
    cell, rng = planned.cell, np.random.default_rng(planned.seed)
    room = footage.frame_counts[cell.clip] - IN_FLIGHT - cell.setting["threads"] - 1
    frame_count = max(1, min(settings.frames, room))
    places = (np.arange(settings.runs) + rng.random(settings.runs)) / settings.runs
    proved = rng.permutation(frame_count)[:SAMPLES] + 1
    return DecodeJob(
        media=footage.media[cell.clip, cell.encoding],
        starts=tuple((places * max(1, room - frame_count + 1)).astype(int).tolist()),
        frame_count=frame_count,
        proved=tuple(sorted(proved.tolist())),
        thread_count=cell.setting["threads"],
        player=PLAYERS[cell.setting["player"]],
    )


_WORK: Final = spec.timed_work(lambda m: m.frame_count * len(m.start), lambda m: sum(m.wall_ns))

DECODE: Final = spec.TaskSpec(
    name="decode",
    label="decoding in order",
    verb="decode",
    axes=("threads", "player"),
    settings_model=DecodeSettings,
    job_model=DecodeJob,
    measurement_model=DecodeMeasurement,
    engine_entry="mezzmark.engines.play.scrub:run_decode",
    plan=_plan,
    job=_job,
    work=_WORK,
    figures=(
        spec.speed_figure(_WORK, "decode speed"),
        spec.Figure(
            "cores_busy", "cores", lambda s: sum(s.measured.cpu_ns) / sum(s.measured.wall_ns)
        ),
        spec.memory_figure("memory while decoding"),
    ),
    headline="throughput_fps",
    reads_encoded_file=True,
    is_best_setting=True,
    busy_ns=lambda measured: sum(measured.wall_ns),
)
