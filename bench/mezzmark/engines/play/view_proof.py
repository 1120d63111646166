"""Whether the RGB view at which the clock stops is that of the decoded picture; untimed.

Two looks: the view must equal, sample by sample, what another converter makes of the picture, which
tells it from the view of a neighbour; and its colours must be about those that the standards'
equations give for the picture's own samples, since a fault of the conversion is in both. (A range
taken wrongly is seen, a matrix taken wrongly only in strong colours.)
"""

from contextlib import suppress
from fractions import Fraction
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import xxhash
from av.video.frame import VideoFrame

from mezzmark.engines.media.conversion import presenter
from mezzmark.engines.media.pixels import pixel_format_facts, planes_of
from mezzmark.engines.media.probe import describe_media, exact_fraction, open_media
from mezzmark.engines.media.shape import quarter_turns
from mezzmark.model.colour import FULL_RANGE, HD_HEIGHT_PX
from mezzmark.model.errors import MezzmarkError
from mezzmark.model.footage import MediaFacts
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.own_files import replace_whole

WEIGHTS: Final = {
    **{1: (0.2126, 0.0722), 4: (0.30, 0.11), 5: (0.299, 0.114), 6: (0.299, 0.114)},
    **{7: (0.212, 0.087), 9: (0.2627, 0.0593), 10: (0.2627, 0.0593)},
}
"""Kr and Kb by matrix code (ITU-T H.273, table 4)."""

PATCH_ROWS, PATCH_COLUMNS, PATCH_SHARE = 4, 5, 0.1
"""Colours are compared as means over patches, each so large a share of width and height."""

LINES_READ = 24
"""About so many lines of a patch are added up, evenly spaced; where it has fewer, all."""

TOLERANCE_RMS: Final = 12.0
"""8-bit codes over all patches, whose edges fall between samples: at most 9 seen, for blocks of
random colours shown 64 lines high, over 16 pixel formats; black for middle grey is off by 128."""


class ViewVerifier:
    """Says whether a view is that of a picture of this file, `height_px` high; `thread_count` makes
    no difference to a conversion but its time.

    Views found right are known by their digests, which `keep` leaves beside the index: a view that
    equals the one of the same frame is as right, and no other conversion is made.
    """

    def __init__(
        self, media: MediaReference, frame_count: int, height_px: int, thread_count: int = 1
    ) -> None:
        with open_media(media.media_path) as (container, track):
            self._facts = describe_media(container, track, media.media_path)
            aspect = exact_fraction(track.sample_aspect_ratio) or Fraction(1)
        self._expected = presenter(
            self._facts, pixel_aspect=aspect, height_px=height_px, thread_count=thread_count
        )
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
        is_right = float(np.sqrt(np.mean(off**2))) <= TOLERANCE_RMS
        if is_right and frame_index >= 0:
            self._digests[frame_index], self._has_new = digest, True
        return is_right

    def keep(self) -> None:
        """Let later trials know; a folder that cannot be written to costs them time only."""
        with suppress(OSError, MezzmarkError):
            if self._has_new:
                replace_whole(self._kept, self._digests.tobytes())


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
