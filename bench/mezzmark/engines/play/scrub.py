"""The scrub task plays the requests of a job and proves every picture after its timed moment; the
decode task decodes pictures in order and proves a sample of them afterwards."""

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import psutil
from av.video.frame import VideoFrame

from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.probe import unfit
from mezzmark.engines.play import proof as proving
from mezzmark.engines.play.player import Move, Player
from mezzmark.host.common import no_garbage_collection, read_process_facts
from mezzmark.host.file_pages import drop_pages, resident_fraction
from mezzmark.model.errors import EngineError
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.decode import DecodeJob, DecodeMeasurement
from mezzmark.model.tasks.scrub import PROVED, ScrubJob, ScrubMeasurement

PlayMove = Callable[[int, Callable[[], int]], Move]
"""Shows a frame, by its index, timed by a clock in ns."""


def delayed(play: PlayMove, *, fraction: float) -> PlayMove:
    """Moves that take `fraction` longer: the processor is kept busy, which counts as decoding."""

    def move(frame_index: int, clock_ns: Callable[[], int]) -> Move:
        played = play(frame_index, clock_ns)
        latency_ns = played.locate_ns + played.decode_ns + played.present_ns
        start_ns = clock_ns()
        while (spent_ns := clock_ns() - start_ns) < latency_ns * fraction:
            pass
        return replace(played, decode_ns=played.decode_ns + spent_ns)

    return move


def run_scrub(
    job: ScrubJob, clock_ns: Callable[[], int], open_player: type[Player] = Player
) -> Measured:
    """Open every clip of the job, play its requests in order, and prove each picture and view right
    after its timed moment, so that every move starts from caches filled with picture data, as in an
    editor. No warm-up: what opening costs is recorded apart (`open_ns`, one entry per clip), the
    first move as any other. FootageError and EngineError when a clip cannot be opened."""
    indexes = [read_frame_index(media.index_path) for media in job.media]
    players: list[Player] = []
    open_ns = []
    for media, index in zip(job.media, indexes, strict=True):
        start_ns = clock_ns()
        players.append(open_player(media.media_path, index, job))
        open_ns.append(clock_ns() - start_ns)
    verifiers = [
        (
            proving.picture_verifier(player, media, index, job),
            proving.ViewVerifier(media, index.frame_count, job.viewer_height_px, job.thread_count),
        )
        for player, media, index in zip(players, job.media, indexes, strict=True)
    ]
    moves: list[PlayMove] = [player.move for player in players]
    if fraction := job.injected_slowdown_fraction:
        moves = [delayed(move, fraction=fraction) for move in moves]
    with no_garbage_collection():
        samples, resident = _play(job, moves, verifiers, clock_ns)
    for player, (_, views) in zip(players, verifiers, strict=True):
        player.close()
        views.keep()
    measurement = ScrubMeasurement(
        clip_position=tuple(clip for clip, _ in job.requests),
        frame_index=tuple(frame_index for _, frame_index in job.requests),
        open_ns=tuple(open_ns),
        block=tuple(move * job.blocks // len(samples) for move in range(len(samples))),
        resident_fraction=tuple(share for share in resident if share is not None),
        **{name: tuple(sample[name] for sample in samples) for name in samples[0]},
    )
    flags = ("not_cold",) if any(share != 0 for share in resident) else ()
    return Measured(measurement=measurement, process=read_process_facts(), flags=flags)


def _bytes_read(process: psutil.Process) -> int | None:
    """Bytes that this process has read from files, cached or not; None if not counted (macOS)."""
    if not hasattr(process, "io_counters"):
        return None
    counters = process.io_counters()
    return int(getattr(counters, "read_chars", counters.read_bytes))


def _play(
    job: ScrubJob,
    moves: Sequence[PlayMove],
    verifiers: Sequence[tuple[proving.FrameVerifier, proving.ViewVerifier]],
    clock_ns: Callable[[], int],
) -> tuple[list[dict[str, Any]], list[float | None]]:
    """Each move by the names of the measurement's fields; and, of a cold job, the share of its file
    in the cache as it began, None if not known. Where bytes read are not counted those of packets
    stand in, which leaves out the container's own tables."""
    process = psutil.Process()
    # On Linux asking is itself the reading of a small file, of the same size every time.
    first = _bytes_read(process) or 0
    asking_bytes = (_bytes_read(process) or 0) - first
    samples: list[dict[str, Any]] = []
    resident: list[float | None] = []
    for clip, frame_index in job.requests:
        if job.is_cold:
            path = job.media[clip].media_path
            drop_pages(path)
            resident.append(resident_fraction(path))
        read_before = _bytes_read(process)
        start_ns = clock_ns()
        move = moves[clip](frame_index, clock_ns)
        wall_ns = clock_ns() - start_ns
        read_now = _bytes_read(process)
        proof, view_proof, shown_frame = proving.prove_move(
            *verifiers[clip], move.picture, move.view, frame_index
        )
        read_bytes = move.packet_bytes
        if read_before is not None and read_now is not None:
            read_bytes = max(0, read_now - read_before - asking_bytes)
        samples.append(
            {
                "locate_ns": move.locate_ns,
                "decode_ns": move.decode_ns,
                "present_ns": move.present_ns,
                "overhead_ns": wall_ns - move.locate_ns - move.decode_ns - move.present_ns,
                "decoded_frames": move.decoded_frames,
                "read_bytes": read_bytes,
                "shown_frame": shown_frame,
                "proof": proof,
                "view_proof": view_proof,
                **({} if move.wait_ns is None else {"wait_ns": move.wait_ns}),
            }
        )
    return samples, resident


def run_decode(
    job: DecodeJob, clock_ns: Callable[[], int], open_player: type[Player] = Player
) -> Measured:
    """Decode the frames after each start, and prove the sampled ones afterwards. The clock runs
    from the start's own picture to the last one: seek and filling the decoder stand outside.
    FootageError and EngineError when the file, a picture or its proof fails."""
    path, index = job.media.media_path, read_frame_index(job.media.index_path)
    if index.frame_count < 2:
        raise unfit(path, "it has one picture, and none that follows it", "Use a longer clip.")
    player = open_player(path, index, job)
    verifier = proving.picture_verifier(player, job.media, index, job)
    times_ns = []
    for start in job.starts:
        with no_garbage_collection():
            wall_ns, cpu_ns, kept = _roll(player, start, job, clock_ns)
        times_ns.append((wall_ns, cpu_ns))
        for frame, picture in kept.items():
            proof, _ = verifier.verify(picture, frame)
            if proof not in PROVED:
                where = f'player "{job.player.name}" for {path}'
                what = f"decoding in order, frame {frame} was {proof}"
                remedy = "Do not use this player for such files."
                raise EngineError(where=where, what=what, remedy=remedy)
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


def _roll(
    player: Player, start: int, job: DecodeJob, clock_ns: Callable[[], int]
) -> tuple[int, int, dict[int, VideoFrame | None]]:
    """Wall and CPU ns of the frames after `start`; those to prove, and any that did not come."""
    kept: dict[int, VideoFrame | None] = {}
    player.bring(start)
    start_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
    for frame in range(start + 1, start + job.frame_count + 1):
        picture = player.bring(frame)
        if picture is None or frame - start in job.proved:
            kept[frame] = picture
    wall_ns = clock_ns() - start_ns
    return wall_ns, time.process_time_ns() - start_cpu_ns, kept
