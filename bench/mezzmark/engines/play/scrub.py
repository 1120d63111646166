"""The scrub task: play the requests of a job, and prove every picture after its timed moment."""

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import psutil
from av.video.frame import VideoFrame

from mezzmark.engines.media.frame_index import (
    NO_STAMP,
    build_frame_index,
    read_frame_index,
    stamp_of,
    write_frame_index,
)
from mezzmark.engines.media.pixels import Planes, planes_digest, planes_of
from mezzmark.engines.play.player import Move, Player
from mezzmark.engines.play.view_proof import ViewVerifier
from mezzmark.host.common import no_garbage_collection, read_process_facts
from mezzmark.host.file_pages import drop_pages, resident_fraction
from mezzmark.model.footage import FrameIndex
from mezzmark.model.jobs import Measured
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.decode import DecodeJob
from mezzmark.model.tasks.scrub import PROVED, Proof, ScrubJob, ScrubMeasurement
from mezzmark.model.tasks.spec import MediaReference

INEXACT_CODECS: Final = ("Motion JPEG", "MPEG-2")
"""They leave the inverse transform a tolerance (ISO/IEC 10918-2; ISO/IEC 13818-2, annex A); AVC,
HEVC, AV1 and VP9 define every sample."""

TOLERANCE_RMS: Final = 2.0
"""Code values; our own choice."""

Part = Callable[[Planes], Planes]

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
    """Open every clip of the job, play its requests in order, and prove each picture and view.

    Nothing is dropped as warm-up: what opening costs is recorded apart (`open_ns`, one entry per
    clip), and the first move is a sample like any other. Each picture is proved right after its
    timed moment, so that one picture is held at a time however long the job is; the proof reads
    the whole picture, hence every move starts from caches filled with picture data, as in an
    editor that drew the last frame. Raises FootageError and EngineError when a clip cannot be
    opened.
    """
    indexes = [read_frame_index(media.index_path) for media in job.media]
    players: list[Player] = []
    open_ns = []
    for media, index in zip(job.media, indexes, strict=True):
        start_ns = clock_ns()
        players.append(open_player(media.media_path, index, job))
        open_ns.append(clock_ns() - start_ns)
    verifiers = [
        MoveVerifier(
            picture_verifier(player, media, index, job),
            ViewVerifier(media, index.frame_count, job.viewer_height_px, job.thread_count),
        )
        for player, media, index in zip(players, job.media, indexes, strict=True)
    ]
    moves: list[PlayMove] = [player.move for player in players]
    if fraction := job.injected_slowdown_fraction:
        moves = [delayed(move, fraction=fraction) for move in moves]
    with no_garbage_collection():
        samples, resident = _play(job, moves, verifiers, clock_ns)
    for player, verifier in zip(players, verifiers, strict=True):
        player.close()
        verifier.views.keep()
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


OF_REFERENCE: Final = {"player": PLAYERS["slice"], "link": None, "is_cold": False}
"""What a job changes for the player that proves another: software, held up by nothing."""


def picture_verifier(
    player: Player, media: MediaReference, index: FrameIndex, job: ScrubJob | DecodeJob
) -> "FrameVerifier":
    """What proves this player's pictures of this file."""
    path = media.media_path
    if job.player.lowres:
        return FrameVerifier(_reduced_index(media, index, job.player.lowres))
    is_inexact = job.player.device is not None and player.codec in INEXACT_CODECS
    as_reference = job.model_copy(update=OF_REFERENCE)
    return FrameVerifier(index, Player(path, index, as_reference) if is_inexact else None)


def _reduced_index(media: MediaReference, index: FrameIndex, lowres: int) -> FrameIndex:
    """The index of the smaller pictures, by a sequential decode at that size; kept beside the
    other one."""
    kept = Path(media.index_path).with_suffix(f".lowres-{lowres}.json")
    if not kept.exists():
        until_s = float((index.pts[-1] - index.pts[0] + 1) * index.time_base)
        smaller = build_frame_index(
            media.media_path, is_stamped=False, max_duration_s=until_s, lowres=lowres
        )
        digests = dict(zip(smaller.pts, smaller.digests, strict=True))
        found = tuple(digests.get(pts, "") for pts in index.pts)
        write_frame_index(index.model_copy(update={"digests": found, "is_stamped": False}), kept)
    return read_frame_index(kept)


class FrameVerifier:
    """Says which frame of a clip a decoded picture is, by digest and stamp against the index; where
    there is a `reference`, also by its distance from the pictures that this decodes."""

    def __init__(self, index: FrameIndex, reference: Player | None = None) -> None:
        self._reference = reference
        self._expected = lru_cache(maxsize=4)(self._decode_expected)
        self._index = index
        self._frames_of_digest = Counter(index.digests)
        self._frame_of_digest = {
            digest: n for n, digest in reversed(list(enumerate(index.digests)))
        }
        self._frame_of_stamp = {
            stamp: n for n, stamp in enumerate(index.stamps) if stamp != NO_STAMP
        }

    def verify(self, picture: VideoFrame | None, frame_index: int) -> tuple[Proof, int]:
        """The proof, and the frame that was shown (−1 where it is none of the clip's).

        Right is a picture equal in every sample to the one that the independent decode found at
        this place; a readable stamp of another frame overrules that.
        """
        if picture is None:
            return "missing", -1
        planes = planes_of(picture)
        digest = planes_digest(planes)
        wanted = self._index.digests[frame_index]
        stamp = stamp_of(picture, planes) if self._index.is_stamped else NO_STAMP
        is_other_stamp = NO_STAMP != stamp != self._index.stamps[frame_index]
        is_right = digest == wanted or self.is_near(planes, frame_index)
        if is_right and not is_other_stamp:
            is_only_one = self._frames_of_digest[wanted] == 1
            return ("right" if is_only_one or stamp != NO_STAMP else "alike"), frame_index
        if not wanted and stamp == NO_STAMP:
            return "unreadable", -1
        shown = self._frame_of_digest.get(digest, self._frame_of_stamp.get(stamp, -1))
        return "wrong", shown

    def is_near(self, planes: Planes, frame_index: int, part: Part = lambda whole: whole) -> bool:
        """Within the tolerance of the wanted picture, and less than half as far from it as from its
        neighbours that look otherwise; `planes` are this `part` of a picture's."""
        digests = dict(enumerate(self._index.digests))
        same = (None, digests[frame_index])
        near = [n for n in (frame_index - 1, frame_index + 1) if digests.get(n) not in same]
        off = {n: self._distance(planes, n, part) for n in sorted((frame_index, *near))}
        mine = off[frame_index]
        return mine <= TOLERANCE_RMS and all(2 * mine < off[n] for n in near)

    def _decode_expected(self, frame_index: int) -> Planes:
        """The reference's picture; empty without one that the index proves."""
        picture = self._reference and self._reference.move(frame_index, lambda: 0).picture
        planes = planes_of(picture) if picture else ()
        return planes if planes_digest(planes) == self._index.digests[frame_index] else ()

    def _distance(self, planes: Planes, frame_index: int, part: Part) -> float:
        """Code values rms over all planes from the reference's picture; infinite without one."""
        expected = part(self._expected(frame_index))
        if [plane.shape for plane in planes] != [plane.shape for plane in expected]:
            return math.inf
        pairs = zip(planes, expected, strict=True)
        squares = sum(float(np.square(a.astype(np.float64) - b).sum()) for a, b in pairs)
        return math.sqrt(squares / sum(plane.size for plane in planes))


@dataclass(frozen=True, slots=True)
class MoveVerifier:
    """What proves a move of one clip: its picture, and the view of that picture."""

    pictures: FrameVerifier
    views: ViewVerifier

    def verify(self, move: Move, frame_index: int) -> tuple[Proof, Proof, int]:
        """The proofs of picture and view, and the frame that was shown. A view is proved as far as
        the picture it was made of."""
        proof, shown_frame = self.pictures.verify(move.picture, frame_index)
        if move.picture is None or move.view is None:
            return proof, "missing", shown_frame
        known_frame = shown_frame if proof in PROVED else -1
        is_its_view = self.views.is_view_of(move.view, move.picture, known_frame)
        return proof, proof if is_its_view else "wrong", shown_frame


class ReadMeter:
    """Bytes this process has read from files, whether they came from the disk or its cache.

    Linux and Windows count them; elsewhere `since` gives None, and the task records the bytes of
    the packets it took instead, which leaves out the container's own tables.
    """

    def __init__(self) -> None:
        self._process = psutil.Process()
        self._asking_bytes = 0
        first = self.read()
        # On Linux asking is itself the reading of a small file, of the same size every time.
        self._asking_bytes = self.since(first) or 0

    def read(self) -> int | None:
        """The counter now, or None where the system has none."""
        if not hasattr(self._process, "io_counters"):
            return None
        counters = self._process.io_counters()
        total: int = getattr(counters, "read_chars", counters.read_bytes)
        return total

    def since(self, before: int | None) -> int | None:
        """Bytes read since `before`, without the asking; None where the system does not count."""
        now = self.read()
        if now is None or before is None:
            return None
        return max(0, now - before - self._asking_bytes)


def _play(
    job: ScrubJob,
    moves: Sequence[PlayMove],
    verifiers: Sequence[MoveVerifier],
    clock_ns: Callable[[], int],
) -> tuple[list[dict[str, Any]], list[float | None]]:
    """What was recorded of each move, by the names of the measurement's fields; and, of a cold job,
    the share of its file that lay in the cache when it began, None where that is not known."""
    meter = ReadMeter()
    samples: list[dict[str, Any]] = []
    resident: list[float | None] = []
    for clip, frame_index in job.requests:
        if job.is_cold:
            path = job.media[clip].media_path
            drop_pages(path)
            resident.append(resident_fraction(path))
        read_before = meter.read()
        start_ns = clock_ns()
        move = moves[clip](frame_index, clock_ns)
        wall_ns = clock_ns() - start_ns
        read_bytes = meter.since(read_before)
        proof, view_proof, shown_frame = verifiers[clip].verify(move, frame_index)
        samples.append(
            {
                "locate_ns": move.locate_ns,
                "decode_ns": move.decode_ns,
                "present_ns": move.present_ns,
                "overhead_ns": wall_ns - move.locate_ns - move.decode_ns - move.present_ns,
                "decoded_frames": move.decoded_frames,
                "read_bytes": move.packet_bytes if read_bytes is None else read_bytes,
                "shown_frame": shown_frame,
                "proof": proof,
                "view_proof": view_proof,
                **({} if move.wait_ns is None else {"wait_ns": move.wait_ns}),
            }
        )
    return samples, resident
