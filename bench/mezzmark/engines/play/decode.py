"""The decode task: pictures of a file in order, timed; a sample of them is proved afterwards."""

import time
from collections.abc import Callable

from av.video.frame import VideoFrame

from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.probe import unfit
from mezzmark.engines.play.player import Player
from mezzmark.engines.play.scrub import picture_verifier
from mezzmark.host.common import no_garbage_collection, read_process_facts
from mezzmark.model.errors import EngineError
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.decode import DecodeJob, DecodeMeasurement
from mezzmark.model.tasks.scrub import PROVED


def run_decode(
    job: DecodeJob, clock_ns: Callable[[], int], open_player: type[Player] = Player
) -> Measured:
    """Decode the frames after each start, and prove the sampled ones after the clock has stopped.

    The clock starts when the start's own picture is out and stops when the last one is: seek and
    the filling of the decoder's pipeline stand outside. Raises FootageError and EngineError when
    the file cannot be opened, a picture does not come, or a sampled one is not proved.
    """
    path, index = job.media.media_path, read_frame_index(job.media.index_path)
    if index.frame_count < 2:
        raise unfit(path, "it has one picture, and none that follows it", "Use a longer clip.")
    player = open_player(path, index, job)
    verifier = picture_verifier(player, job.media, index, job)
    times_ns = []
    for start in job.starts:
        with no_garbage_collection():
            wall_ns, cpu_ns, kept = _run(player, start, job, clock_ns)
        times_ns.append((wall_ns, cpu_ns))
        for frame, picture in kept.items():
            proof, _ = verifier.verify(picture, frame)
            if proof not in PROVED:
                raise EngineError(
                    where=f'player "{job.player.name}" for {path}',
                    what=f"decoding in order, frame {frame} was {proof}",
                    remedy="Do not use this player for such files.",
                )
    player.close()
    walls_ns, cpus_ns = zip(*times_ns, strict=True)
    measurement = DecodeMeasurement(
        start=job.starts,
        wall_ns=walls_ns,
        cpu_ns=cpus_ns,
        frame_count=job.frame_count,
        proved_count=len(job.starts) * len(job.proved),
        width_px=index.width_px,
        height_px=index.height_px,
    )
    return Measured(measurement=measurement, process=read_process_facts())


def _run(
    player: Player, start: int, job: DecodeJob, clock_ns: Callable[[], int]
) -> tuple[int, int, dict[int, VideoFrame | None]]:
    """Wall and CPU ns of the frames after `start`; those to prove, and any that did not come."""
    kept: dict[int, VideoFrame | None] = {}
    player.decode(start)
    start_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
    for frame in range(start + 1, start + job.frame_count + 1):
        picture = player.decode(frame)
        if picture is None or frame - start in job.proved:
            kept[frame] = picture
    wall_ns = clock_ns() - start_ns
    return wall_ns, time.process_time_ns() - start_cpu_ns, kept
