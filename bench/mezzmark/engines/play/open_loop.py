"""What dragging, playing and streams share: the player, and the witness of what it shows.

Nothing is hashed while pictures are due: of each one shown, every 32nd line of its planes is
copied, and a seeded choice is kept whole. Afterwards the copies are held against the index's
digests of those lines (of codecs that leave a device a tolerance, against a software decoder's
lines, as `FrameVerifier` does), and the choice is proved in full, its views too.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from av.video.frame import VideoFrame

from mezzmark.engines.media.conversion import read_pictures
from mezzmark.engines.media.pixels import Planes, planes_digest, planes_of, sparse_planes
from mezzmark.engines.play.player import Player
from mezzmark.engines.play.proof import (
    INEXACT_CODECS,
    OF_REFERENCE,
    FrameVerifier,
    ViewVerifier,
    prove_move,
)
from mezzmark.model.footage import FrameIndex
from mezzmark.model.tasks.drag import OpenLoopJob
from mezzmark.model.tasks.scrub import PROVED, Proof, ScrubJob

KEPT_PICTURES, KEPT_BYTES, SAMPLE_BYTES = 8, 256 * 2**20, 512 * 2**20
"""For the full proof, one at least, and of samples, beyond which they are hashed as shown."""

_Sample = Planes | str | None


class OpenLoopPlayer(Player):
    """The player whose clock is the hand's or the display's; it rolls on where it can."""

    def __init__(self, path: str | Path, index: FrameIndex, job: OpenLoopJob) -> None:
        own = job.model_dump(
            include={"thread_count", "player", "viewer_height_px", "link", "is_cold"}
        )
        super().__init__(path, index, ScrubJob(media=(), requests=(), policy="roll", **own))
        self._frame_of_pts = {pts: n for n, pts in enumerate(index.pts)}

    def bring(self, frame_index: int) -> VideoFrame | None:
        """The picture of this frame, decoded; None where it does not come."""
        return self.decode(frame_index)

    def step(self, frame_index: int) -> tuple[int, VideoFrame | None]:
        """One picture further towards this frame: which one it is, and the picture. Where the frame
        does not lie ahead in the group, what was being decoded is dropped for a new start."""
        if self._shown == frame_index:
            return frame_index, self._held
        self._target_pts = self._pts[frame_index]
        self._locate(frame_index)
        for picture in self._pictures:
            frame = self._frame_of_pts.get(picture.pts or 0, -1)
            if frame > frame_index:  # it began too late
                break
            # Pictures of the group before may refer to what was passed over.
            if frame >= 0 and self._group[frame] == self._group[frame_index]:
                self._shown, self._held = frame, picture
                return frame, picture
        self._shown = None
        return frame_index, self.bring(frame_index)

    def take_wait(self) -> list[int]:
        """How many ns it waited for storage since this was asked; nothing where nobody looked."""
        waited_ns = [self._file.wait_ns] if self._file else []
        if self._file:
            self._file.begin()
        return waited_ns

    def present(self, picture: VideoFrame) -> VideoFrame | None:
        """The viewer's picture of it."""
        return self._present(picture)


class Witness:
    """Keeps of each picture shown what proves it once nothing is due any more; `wait_ns` is how
    long each waited for storage, empty where nobody looked."""

    def __init__(self, job: OpenLoopJob, index: FrameIndex, player: OpenLoopPlayer) -> None:
        self._job, self._index, self._player = job, index, player
        self._is_inexact = job.player.device is not None and player.codec in INEXACT_CODECS
        self.wait_ns: list[int] = []
        self._rng = np.random.default_rng(job.seed)
        self._shown: list[tuple[int, _Sample]] = []
        self._bytes = 0
        self._kept: list[tuple[int, VideoFrame, VideoFrame]] = []

    def saw(self, frame_index: int, picture: VideoFrame | None, view: VideoFrame | None) -> None:
        """Take the sample of a picture that is said to be this frame."""
        self.wait_ns += self._player.take_wait()
        if picture is None or view is None:
            self._shown.append((frame_index, None))
            return
        planes = planes_of(picture)
        sample = sparse_planes(planes)
        self._bytes += sum(plane.nbytes for plane in sample)
        # A random choice of all so far (Vitter, ACM TOMS 11, 1985, 37-57, algorithm R).
        number = len(self._shown)
        room = max(1, min(KEPT_PICTURES, KEPT_BYTES // sum(plane.nbytes for plane in planes)))
        place = number if number < room else int(self._rng.integers(0, number + 1))
        if place < room:
            self._kept[place : place + 1] = [(number, picture, view)]
        is_full = self._bytes > SAMPLE_BYTES
        self._shown.append((frame_index, planes_digest(sample) if is_full else sample))

    def proofs(self) -> tuple[Proof, ...]:
        """What is known of each picture, in order; untimed."""
        job, index, path = self._job, self._index, self._job.media.media_path
        digests = index.sparse_digests
        if not digests:  # an older index: from another sequential decode
            pictures = read_pictures(path, index, thread_count=job.thread_count)
            digests = tuple(planes_digest(sparse_planes(planes_of(one))) for one in pictures)
        as_reference = job.model_copy(update=OF_REFERENCE)
        reference = OpenLoopPlayer(path, index, as_reference) if self._is_inexact else None
        views = ViewVerifier(job.media, index.frame_count, job.viewer_height_px)
        frames = FrameVerifier(index, reference)
        found: list[Proof] = ["missing"] * len(self._shown)
        for number in sorted(range(len(found)), key=lambda n: self._shown[n][0]):  # as decoded
            found[number] = self._by_sample(frames, digests, *self._shown[number])
        for number, picture, view in self._kept:
            _, proof, _ = prove_move(frames, views, picture, view, self._shown[number][0])
            if proof not in PROVED:
                found[number] = proof
        return tuple(found)

    def _by_sample(
        self, frames: FrameVerifier, digests: Sequence[str], frame: int, sample: _Sample
    ) -> Proof:
        if sample is None:
            return "missing"
        planes = () if isinstance(sample, str) else sample
        digest = sample if isinstance(sample, str) else planes_digest(sample)
        if digest == digests[frame] or (planes and frames.is_near(planes, frame, sparse_planes)):
            return "right" if digests.count(digests[frame]) == 1 else "alike"
        return "wrong" if planes or not self._is_inexact else "unreadable"
