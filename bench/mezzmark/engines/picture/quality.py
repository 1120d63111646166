"""Picture quality frame by frame: squared error, SSIM and XPSNR, as libavfilter computes them.

Frames stream through one filter graph. Both sides must be of one size and pixel format; who calls
brings frames of different formats together (`mezzmark.engines.picture.generations`).
"""

import base64
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import zip_longest
from math import inf, prod
from operator import mul
from typing import Any, Final

import av
import numpy as np
import numpy.typing as npt
from av.error import FFmpegError
from av.filter import Graph
from av.filter.context import FilterContext
from av.video.frame import VideoFrame

from mezzmark.engines.media import pixels
from mezzmark.engines.media.conversion import as_viewed
from mezzmark.model.colour import Floats
from mezzmark.model.errors import EncodingError, reason_of
from mezzmark.model.footage import MediaFacts
from mezzmark.model.tasks.fidelity import METRICS, Metric, QualitySeries, WorstFrame

COMPARABLE_FORMATS: Final = frozenset(
    f"{family}{depth}"
    for family in ("yuv420p", "yuv422p", "yuv444p", "gbrp")
    for depth in ("", "10le", "12le")
)
"""Formats that all three filters take as they are; for others FFmpeg would convert unasked."""

_TICK: Final = Fraction(1, 25)
"""The graph pairs frames by time; any common time base serves."""


class QualityMeter:
    """A filter graph that compares pairs of frames, in order: XPSNR looks at those before too."""

    def __init__(
        self, like: av.VideoFrame, *, metrics: tuple[Metric, ...], thread_count: int
    ) -> None:
        self._format = comparable_format(like.format.name)
        self._size = (like.width, like.height)
        self._filters = _possible(metrics, self._format, self._size)
        self._graph, self._inputs, self._sink = _graph(
            self._format, self._size, self._filters, thread_count
        )
        facts = pixels.pixel_format_facts(self._format)
        share = 1 / prod(facts.chroma_step)
        # Each plane's share of all samples, as libavfilter weights its average.
        self._weights = tuple(plane / (1 + 2 * share) for plane in (1, share, share))
        self._is_rgb = facts.is_rgb
        names = "squared_error", "ssim", "ssim_all", "xpsnr_db"
        self._found: dict[str, list[Any]] = {name: [] for name in names}
        self._count = 0

    def compare(
        self,
        reference: av.VideoFrame,
        distorted: av.VideoFrame,
        unrounded: tuple[Floats, ...] | None = None,
    ) -> float:
        """Take a pair and give its squared error over all samples (0 without PSNR), of the
        `unrounded` planes of `distorted` where given. EncodingError if it is of another kind."""
        for frame, entry in zip((distorted, reference), self._inputs, strict=True):
            entry.push(self._prepared(frame))
        values, found = dict(self._sink.pull().metadata), self._found
        self._count += 1
        if "psnr" in self._filters:
            planes = zip(pixels.planes_of(reference), unrounded or (), strict=False)
            exact = tuple(float(np.mean((one - other) ** 2)) for one, other in planes)
            found["squared_error"].append(exact or self._triple(values, "lavfi.psnr.mse."))
        if "ssim" in self._filters:
            found["ssim"].append(self._triple(values, "lavfi.ssim."))
            found["ssim_all"].append(float(values["lavfi.ssim.All"]))
        if "xpsnr" in self._filters:
            planes_db = self._triple(values, "lavfi.xpsnr.xpsnr.")
            found["xpsnr_db"].append(tuple(None if db == inf else db for db in planes_db))
        if "psnr" not in self._filters:
            return 0.0
        return float(sum(map(mul, self._weights, found["squared_error"][-1])))

    def series(self) -> QualitySeries:
        """What was found so far."""
        facts = pixels.pixel_format_facts(self._format)
        return QualitySeries(
            pixel_format=self._format,
            peak=2**facts.bit_depth - 1,
            plane_weights=self._weights,
            **{name: tuple(values) for name, values in self._found.items()},
        )

    def _prepared(self, frame: av.VideoFrame) -> av.VideoFrame:
        if (frame.width, frame.height) != self._size:
            raise _incomparable(f"sizes differ: {frame.width}×{frame.height} and {self._size}")
        if comparable_format(frame.format.name) != self._format:
            raise _incomparable(f"formats differ: {frame.format.name} and {self._format}")
        if frame.format.name != self._format:
            frame = pixels.frame_from_planes(pixels.planes_of(frame)[:3], self._format)
        elif "xpsnr" in self._filters and not _is_fit_for_xpsnr(frame):
            frame = pixels.frame_from_planes(pixels.planes_of(frame), self._format)
        frame.pts, frame.time_base = self._count, _TICK
        return frame

    def _triple(self, values: dict[str, str], prefix: str) -> tuple[float, ...]:
        """The values of the three planes, as the filters name them (SSIM in capitals)."""
        names = "GBR" if self._is_rgb else "YUV"
        return tuple(
            float(values[prefix + (name if "ssim" in prefix else name.lower())]) for name in names
        )


def comparable_format(pixel_format: str) -> str:
    """The format in which pictures of this one are compared, sample by sample; or EncodingError."""
    name = pixels.planar_twin(pixel_format)
    if name not in COMPARABLE_FORMATS:
        what = "its quality cannot be compared without converting it first"
        remedy = f"Use one of {', '.join(sorted(COMPARABLE_FORMATS))}."
        raise pixels.unfit_format(pixel_format, what, remedy)
    return name


def _possible(
    metrics: tuple[Metric, ...], pixel_format: str, size: tuple[int, int]
) -> tuple[str, ...]:
    """The filters that these metrics take: XPSNR is left out where it would come out wrong."""
    filters = tuple(dict.fromkeys(METRICS[metric].filter_name for metric in metrics))
    if "xpsnr" not in filters or _is_fit_for_xpsnr(av.VideoFrame(*size, pixel_format)):
        return filters
    rest = tuple(name for name in filters if name != "xpsnr")
    if not rest:
        what = f"FFmpeg's XPSNR is wrong for {pixel_format} pictures {size[0]} samples wide"
        raise _incomparable(what, "Ask for psnr or ssim as well, or for another width.")
    return rest


def _is_fit_for_xpsnr(frame: av.VideoFrame) -> bool:
    """Whether FFmpeg's XPSNR reads this frame rightly. Above 8 bits it takes the lines of one
    side for unpadded (seen in its source and in values of -20 dB); at 8 bits it repacks them."""
    sample_bytes = 1 if pixels.pixel_format_facts(frame.format.name).bit_depth == 8 else 2
    return sample_bytes == 1 or all(
        plane.line_size == plane.width * sample_bytes for plane in frame.planes
    )


def _graph(
    pixel_format: str, size: tuple[int, int], filters: tuple[str, ...], thread_count: int
) -> tuple[Graph, tuple[FilterContext, FilterContext], FilterContext]:
    """distorted → filter → filter → … → sink, each filter also fed by a copy of the reference."""
    graph = Graph()
    graph.threads = thread_count
    width_px, height_px = size
    kind = av.VideoFormat(pixel_format, width_px, height_px)
    entries = tuple(
        graph.add_buffer(width=width_px, height=height_px, format=kind, time_base=_TICK)
        for _ in range(2)
    )
    sink = graph.add("buffersink")
    try:
        copies = graph.add("split", str(len(filters)))
        entries[1].link_to(copies)
        head: FilterContext = entries[0]
        for place, name in enumerate(filters):
            node = graph.add(name)
            head.link_to(node, 0, 0)
            copies.link_to(node, place, 1)
            head = node
        head.link_to(sink)
        graph.configure()
    except (FFmpegError, ValueError) as error:
        metrics, remedy = ", ".join(filters), "Leave the metric out of fidelity.metrics"
        what = f"{metrics} of {pixel_format} is beyond this FFmpeg build ({reason_of(error)})"
        raise _incomparable(what, f"{remedy}, or use another FFmpeg build.") from error
    return graph, (entries[0], entries[1]), sink


def _incomparable(
    what: str, remedy: str = "The encoding lost or changed frames; leave it out."
) -> EncodingError:
    return EncodingError(where="picture quality", what=what, remedy=remedy)


def frames_in_pairs(
    first: Iterable[av.VideoFrame], second: Iterable[av.VideoFrame]
) -> Iterator[tuple[av.VideoFrame, av.VideoFrame]]:
    """Both streams side by side; EncodingError when one ends before the other."""
    for left, right in zip_longest(first, second):
        if left is None or right is None:
            raise _incomparable("the two sides have not the same number of frames")
        yield left, right


CROP_PX: Final = (160, 90)
"""Small enough to keep in a record, large enough to see what happened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstPair:
    """The frame with the largest squared error so far, as the clip has it and as it came back."""

    frame_index: int
    squared_error: float
    before: VideoFrame
    after: VideoFrame


def cut_worst(worst: WorstPair, before: MediaFacts, after: MediaFacts) -> WorstFrame:
    """Both views of the tile with the largest squared error, on a grid of half tiles."""
    left, right = as_viewed(worst.before, before), as_viewed(worst.after, after)
    across, down = min(CROP_PX[0], left.shape[1]), min(CROP_PX[1], left.shape[0])
    wide, high = max(1, across // 2), max(1, down // 2)
    half_columns, half_rows = left.shape[1] // wide, left.shape[0] // high
    halves = np.empty((half_rows, half_columns))
    for row in range(half_rows):
        strip = (slice(row * high, (row + 1) * high), slice(0, half_columns * wide))
        difference = left[strip].astype(np.int32) - right[strip]
        columns = np.einsum("yxc,yxc->x", difference, difference)
        halves[row] = columns.reshape(half_columns, wide).sum(axis=1)
    sums = halves[:-1, :-1] + halves[1:, :-1] + halves[:-1, 1:] + halves[1:, 1:]
    top, start = np.unravel_index(int(np.argmax(sums)), sums.shape)
    left_px, top_px = int(start) * wide, int(top) * high
    window = (slice(top_px, top_px + down), slice(left_px, left_px + across))
    return WorstFrame(
        frame_index=worst.frame_index,
        left_px=left_px,
        top_px=top_px,
        before_png=png_base64(left[window]),
        after_png=png_base64(right[window]),
    )


def png_base64(rgb: npt.NDArray[np.uint8]) -> str:
    """An RGB picture (lines, samples, 3; codes 0 to 255) as a PNG file in base64."""
    codes = np.ascontiguousarray(rgb)
    encoder = av.CodecContext.create("png", "w")
    encoder.width, encoder.height = codes.shape[1], codes.shape[0]
    encoder.pix_fmt = "rgb24"
    encoder.time_base = Fraction(1, 25)
    frame = VideoFrame.from_ndarray(codes, format="rgb24")
    packets = [*encoder.encode(frame), *encoder.encode(None)]
    return base64.b64encode(b"".join(bytes(packet) for packet in packets)).decode("ascii")
