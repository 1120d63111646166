"""Which frame a decoded picture is, and whether a view at which the clock stops is of it; untimed.

A picture is held against an independent decode. A view must equal, sample by sample, what another
converter makes of the picture, and its colours must be about those of the standards' equations,
since a fault of the conversion is in both. (A range taken wrongly is seen, a matrix only in strong
colours.)
"""

import math
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import xxhash
from av.video.frame import VideoFrame

from mezzmark.engines.media import frame_index as indexing
from mezzmark.engines.media.conversion import presenter
from mezzmark.engines.media.pixels import Planes, pixel_format_facts, planes_digest, planes_of
from mezzmark.engines.media.probe import describe_media, open_media
from mezzmark.engines.media.shape import quarter_turns
from mezzmark.engines.play.player import Player
from mezzmark.model.colour import FULL_RANGE, HD_HEIGHT_PX
from mezzmark.model.errors import MezzmarkError
from mezzmark.model.footage import FrameIndex, MediaFacts
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.decode import DecodeJob
from mezzmark.model.tasks.scrub import PROVED, Proof, ScrubJob
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.own_files import replace_whole

WEIGHTS: Final = {
    1: (0.2126, 0.0722),
    4: (0.30, 0.11),
    5: (0.299, 0.114),
    6: (0.299, 0.114),
    7: (0.212, 0.087),
    9: (0.2627, 0.0593),
    10: (0.2627, 0.0593),
}
"""Kr and Kb by matrix code (ITU-T H.273, table 4)."""

PATCH_ROWS, PATCH_COLUMNS, PATCH_SHARE = 4, 5, 0.1
"""Colours are compared as means over patches, each so large a share of width and height."""

LINES_READ = 24
"""About so many lines of a patch are added up, evenly spaced; where it has fewer, all."""

VIEW_TOLERANCE_RMS: Final = 12.0
"""8-bit codes over all patches, whose edges fall between samples: at most 9 seen, for blocks of
random colours shown 64 lines high, over 16 pixel formats; black for middle grey is off by 128."""

INEXACT_CODECS: Final = ("Motion JPEG", "MPEG-2")
"""They leave the inverse transform a tolerance (ISO/IEC 10918-2; 13818-2, annex A); AVC,
HEVC, AV1 and VP9 define every sample."""

PICTURE_TOLERANCE_RMS: Final = 2.0
"""Code values; our own choice."""

Part = Callable[[Planes], Planes]

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
    """The index of the smaller pictures, by a sequential decode; kept beside the other one."""
    kept = Path(media.index_path).with_suffix(f".lowres-{lowres}.json")
    if not kept.exists():
        until_s = float((index.pts[-1] - index.pts[0] + 1) * index.time_base)
        smaller = indexing.build_frame_index(
            media.media_path, is_stamped=False, max_duration_s=until_s, lowres=lowres
        )
        digests = dict(zip(smaller.pts, smaller.digests, strict=True))
        found = tuple(digests.get(pts, "") for pts in index.pts)
        shown = index.model_copy(update={"digests": found, "is_stamped": False})
        indexing.write_frame_index(shown, kept)
    return indexing.read_frame_index(kept)


class FrameVerifier:
    """Says which frame of a clip a decoded picture is, by digest and stamp against the index; where
    there is a `reference`, also by its distance from the pictures that this decodes."""

    def __init__(self, index: FrameIndex, reference: Player | None = None) -> None:
        self._reference = reference
        self._expected = lru_cache(maxsize=4)(self._decode_expected)
        self._index = index
        self._frames_of_digest = Counter(index.digests)
        backwards = reversed(list(enumerate(index.digests)))
        self._frame_of_digest = {digest: n for n, digest in backwards}
        self._frame_of_stamp = {
            stamp: n for n, stamp in enumerate(index.stamps) if stamp != indexing.NO_STAMP
        }

    def verify(self, picture: VideoFrame | None, frame_index: int) -> tuple[Proof, int]:
        """The proof, and the frame that was shown (−1: none). Right is a picture equal in every
        sample to the independent decode's, unless a readable stamp says otherwise."""
        if picture is None:
            return "missing", -1
        planes = planes_of(picture)
        digest = planes_digest(planes)
        wanted = self._index.digests[frame_index]
        stamp = indexing.stamp_of(picture, planes) if self._index.is_stamped else indexing.NO_STAMP
        is_other_stamp = indexing.NO_STAMP != stamp != self._index.stamps[frame_index]
        is_right = digest == wanted or self.is_near(planes, frame_index)
        if is_right and not is_other_stamp:
            is_only_one = self._frames_of_digest[wanted] == 1
            return ("right" if is_only_one or stamp != indexing.NO_STAMP else "alike"), frame_index
        if not wanted and stamp == indexing.NO_STAMP:
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
        return mine <= PICTURE_TOLERANCE_RMS and all(2 * mine < off[n] for n in near)

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


class ViewVerifier:
    """Says whether a view is that of a picture of this file, `height_px` high. Views found right
    are known by their digests, which `keep` leaves beside the index: one that equals that of the
    same frame is as right, and no other conversion is made."""

    def __init__(
        self, media: MediaReference, frame_count: int, height_px: int, thread_count: int = 1
    ) -> None:
        with open_media(media.media_path) as (container, track):
            self._facts = describe_media(container, track, media.media_path)
        self._expected = presenter(self._facts, height_px=height_px, thread_count=thread_count)
        self._kept = Path(media.index_path).with_suffix(f".views-{height_px}")
        self._digests = np.zeros(frame_count, np.uint64)  # 0: no view of this frame is known
        with suppress(OSError, ValueError):
            known = np.frombuffer(self._kept.read_bytes(), np.uint64)
            self._digests = known.reshape(frame_count).copy()
        self._has_new = False

    def is_view_of(self, view: VideoFrame, picture: VideoFrame, frame_index: int) -> bool:
        """Equal to another conversion of the picture, and of the right colours; the picture was
        proved to be frame `frame_index` of the file, or is none of it (−1)."""
        shown = view.to_ndarray()
        digest = xxhash.xxh3_64_intdigest(np.ascontiguousarray(shown).data)
        if frame_index >= 0 and digest == self._digests[frame_index]:
            return True
        expected = self._expected(picture)
        if expected is None or not np.array_equal(shown, expected.to_ndarray()):
            return False
        stored = np.rot90(shown, -quarter_turns(picture))
        off = _means(stored) - _colours(picture, self._facts)
        is_right = float(np.sqrt(np.mean(off**2))) <= VIEW_TOLERANCE_RMS
        if is_right and frame_index >= 0:
            self._digests[frame_index], self._has_new = digest, True
        return is_right

    def keep(self) -> None:
        """Let later trials know; a folder that cannot be written to costs them time only."""
        with suppress(OSError, MezzmarkError):
            if self._has_new:
                replace_whole(self._kept, self._digests.tobytes())


def prove_move(
    frames: FrameVerifier,
    views: ViewVerifier,
    picture: VideoFrame | None,
    view: VideoFrame | None,
    frame_index: int,
) -> tuple[Proof, Proof, int]:
    """The proofs of picture and view (no better than its picture), and the frame shown, or −1."""
    proof, shown_frame = frames.verify(picture, frame_index)
    if picture is None or view is None:
        return proof, "missing", shown_frame
    is_its_view = views.is_view_of(view, picture, shown_frame if proof in PROVED else -1)
    return proof, proof if is_its_view else "wrong", shown_frame


def _colours(picture: VideoFrame, facts: MediaFacts) -> npt.NDArray[np.float64]:
    """R'G'B' of each patch in 8-bit codes, by the equations of ITU-T H.273, 8.3."""
    pixels = pixel_format_facts(picture.format.name)
    scale = 2.0 ** (pixels.bit_depth - 8)
    planes = [_means(plane) / scale for plane in planes_of(picture)[:3]]
    if pixels.is_rgb:
        green, blue, red = planes
        unit = 255 * scale / (2**pixels.bit_depth - 1)
        return np.stack([red * unit, green * unit, blue * unit], axis=-1, dtype=np.float64)
    is_grey = pixels.chroma == "4:0:0"  # which every conversion of FFmpeg takes for full range
    is_full = pixels.is_full_range or is_grey or facts.tags.colour_range == FULL_RANGE
    luma, cb, cr = (planes[0], *[np.full_like(planes[0], 128)] * 2) if is_grey else planes
    luma = luma if is_full else (luma - 16) * 255 / 219
    cb, cr = ((chroma - 128) * (1 if is_full else 255 / 224) for chroma in (cb, cr))
    guess = WEIGHTS[1 if facts.height_px >= HD_HEIGHT_PX else 6]
    kr, kb = WEIGHTS.get(facts.tags.matrix, guess)
    red, blue = luma + 2 * (1 - kr) * cr, luma + 2 * (1 - kb) * cb
    green = (luma - kr * red - kb * blue) / (1 - kr - kb)
    colours: npt.NDArray[np.float64] = np.stack([red, green, blue], axis=-1).clip(0, 255)
    return colours


def _means(plane: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
    """The mean of each patch: (rows, columns), and the samples of a pixel where it has several."""
    height, width = plane.shape[:2]
    lines, samples = max(2, round(height * PATCH_SHARE)), max(2, round(width * PATCH_SHARE))
    tops = np.linspace(0, height - lines, PATCH_ROWS).round().astype(int)
    lefts = np.linspace(0, width - samples, PATCH_COLUMNS).round().astype(int)
    step = max(1, lines // LINES_READ) | 1  # odd, so that both fields are read
    # Lines first: numpy is slow over the three samples of a pixel.
    sums = [
        [
            plane[top : top + lines : step, left : left + samples].sum(axis=0).sum(axis=0)
            for left in lefts
        ]
        for top in tops
    ]
    means: npt.NDArray[np.float64] = np.array(sums, dtype=np.float64)
    means /= samples * len(range(0, lines, step))
    return means
