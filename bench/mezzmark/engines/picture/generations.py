"""Generations: decode → encode again and again, each compared with the clip itself.

Quality is measured in the clip's own pixel format and size: a decoded picture in another one is
first converted back by the conversion that made it (swscale, bicubic, accurate rounding), which
costs a little, as a workflow with that encoding would lose. Only another range is brought back by
the formula, unrounded for PSNR where chroma is alike: swscale's way back adds more error than a
good encoding has. Whether a picture came back bit-exact is asked of the very planes that entered
the encoder.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np
from av.video.frame import VideoFrame
from av.video.reformatter import VideoReformatter

from mezzmark.engines.encode.encoded_file import converter_for, write_clip
from mezzmark.engines.encode.encoders import unusable
from mezzmark.engines.encode.stored_pictures import FrameSpool
from mezzmark.engines.encode.timing import even_timing, evenly_timed
from mezzmark.engines.media import pixels
from mezzmark.engines.media.conversion import Converter, exact_levels, read_pictures
from mezzmark.engines.media.probe import open_media, probe_media
from mezzmark.engines.picture import quality
from mezzmark.model.colour import FULL_RANGE, LIMITED_RANGE
from mezzmark.model.encoding import planar_format
from mezzmark.model.footage import ColourTags, FrameIndex, MediaFacts
from mezzmark.model.tasks.fidelity import FidelityJob, FidelitySettings, GenerationQuality


def picture_offset_px(settings: FidelitySettings, generation: int) -> int:
    """How far right and down the picture lies in this generation: moved and moved back."""
    return settings.shift_px if generation % 2 == 0 else 0


def shifted(frame: VideoFrame, offset_px: int, tags: ColourTags | None = None) -> VideoFrame:
    """The picture moved right and down by so many whole pixels; what leaves comes back at the other
    side, so that it can be moved back."""
    if not offset_px:
        return frame
    planes = pixels.planes_of(frame)
    height_px, width_px = planes[0].shape
    moved: pixels.Planes = tuple(
        np.roll(plane, (offset_px * lines // height_px, offset_px * samples // width_px), (0, 1))
        for plane in planes
        for lines, samples in [plane.shape]
    )
    name = frame.format.name
    keeps_name = len(planes) == 4 or name.startswith("yuvj")
    return pixels.frame_from_planes(moved, name if keeps_name else pixels.planar_twin(name), tags)


def bit_depth_step(pixel_format: str) -> Callable[[VideoFrame], VideoFrame]:
    """A function that takes frames through fewer (or more) bits and back, without moving levels."""
    home = pixels.pixel_format_facts(pixel_format)
    if home.has_alpha or home.chroma == "other":
        remedy = "Set fidelity.bit_depth_step to false."
        raise pixels.unfit_format(pixel_format, "there is no 8/10-bit step for it", remedy)
    away = planar_format(home.chroma, 10 if home.bit_depth == 8 else 8)
    levels = "JPEG" if home.is_full_range else "MPEG"
    ranges: Any = {"src_color_range": levels, "dst_color_range": levels}
    reformatter = VideoReformatter()

    def pass_through(frame: VideoFrame) -> VideoFrame:
        for name in (away, pixel_format):
            frame = reformatter.reformat(frame, format=name, **ranges)
        return frame

    return pass_through


SAMPLED_LINES: Final = 32
"""One line in so many is enough to see that a lossy encoding has changed a picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GenerationPlan:
    """What all generations of one clip and encoding share."""

    job: FidelityJob
    source: MediaFacts
    index: FrameIndex
    frame_rate: Fraction

    @property
    def compared_format(self) -> str:
        """The clip's own pixel format, alpha left out, in which quality is measured."""
        if self.source.pixel_format.startswith("yuvj"):
            return self.source.pixel_format
        return quality.comparable_format(self.source.pixel_format)


@dataclass(frozen=True, slots=True, kw_only=True)
class Generation:
    """A generation's file and what was found; `worst` is None without PSNR or a difference."""

    path: Path
    found: GenerationQuality
    worst: quality.WorstPair | None


def run_generations(plan: GenerationPlan) -> Iterator[Generation]:
    """Make and compare every generation in turn; a file may be read until the next is asked for.
    EncodingError when the encoder refuses, or frames are lost."""
    previous: Path | None = None
    job, folder, threads = plan.job, Path(plan.job.scratch_dir), plan.job.thread_count
    frame_count = min(plan.index.frame_count, job.settings.frames)
    pictures = partial(read_pictures, plan.source.path, plan.index, thread_count=threads)
    timing = even_timing(plan.index, plan.frame_rate)
    with FrameSpool(lambda: islice(pictures(), frame_count), frame_count, folder) as clip:
        entered = _Entered(plan, clip)
        for generation in range(1, job.settings.generations + 1):
            path = folder / f"generation-{generation}.{job.encoding.container}"
            frames = _returning(plan, previous, generation) if previous else entered.frames()
            frames = evenly_timed(frames, plan.frame_rate)
            write_clip(frames, path, job.encoding, entered.converter, timing, thread_count=threads)
            if previous is not None:
                previous.unlink()  # made here, and no longer needed
            yield _compare(plan, path, generation, clip, entered)
            previous = path


def decoded_frames(path: Path, thread_count: int) -> Iterator[VideoFrame]:
    """Every frame of a file of ours, in order."""
    with open_media(path, thread_count=thread_count) as (container, track):
        yield from container.decode(track)


def written_facts(plan: GenerationPlan, path: Path) -> MediaFacts:
    """A generation's file, with tags as written: their fate is no question of quality."""
    is_full = pixels.pixel_format_facts(plan.job.encoding.pixel_format).is_full_range
    colour_range = FULL_RANGE if is_full else LIMITED_RANGE
    facts = probe_media(path)
    tags = plan.source.tags.model_copy(update={"colour_range": colour_range})
    return facts.model_copy(update={"tags": tags})


class _Entered:
    """The clip's frames as they enter the first encoder, and whether others are the same."""

    def __init__(self, plan: GenerationPlan, clip: FrameSpool) -> None:
        self._clip = clip
        size = plan.index.width_px, plan.index.height_px
        self.converter = converter_for(plan.source, plan.job.encoding, size, plan.job.thread_count)
        self._digests: list[str] = []

    def frames(self) -> Iterator[VideoFrame]:
        """Every frame once, in order."""
        for picture in self._clip:
            frame = self.converter.convert(picture)
            self._digests.append(_sample_digest(frame))
            yield frame

    def is_same(self, number: int, original: VideoFrame, returned: VideoFrame) -> bool:
        """Whether frame `number` of the clip, made from `original`, came back with every sample. A
        few lines that differ settle it; only where they agree is the frame made again."""
        if _sample_digest(returned) != self._digests[number]:
            return False
        return same_planes(self.converter.convert(original), returned)


def _sample_digest(frame: VideoFrame) -> str:
    return pixels.planes_digest(tuple(plane[::SAMPLED_LINES] for plane in pixels.planes_of(frame)))


def _returning(plan: GenerationPlan, previous: Path, generation: int) -> Iterator[VideoFrame]:
    facts = written_facts(plan, previous)
    pixel_format, settings = plan.job.encoding.pixel_format, plan.job.settings
    threads = plan.job.thread_count
    to_encoder = Converter(facts, pixel_format, thread_count=threads)
    step = bit_depth_step(pixel_format) if settings.bit_depth_step else None
    now_px, before_px = (picture_offset_px(settings, generation - n) for n in (0, 1))
    for picture in decoded_frames(previous, threads):
        frame = to_encoder.convert(shifted(picture, now_px - before_px, facts.tags))
        yield step(frame) if step else frame


def _compare(
    plan: GenerationPlan, path: Path, generation: int, clip: FrameSpool, entered: _Entered
) -> Generation:
    """One pass over clip and file side by side."""
    offset_px = picture_offset_px(plan.job.settings, generation)
    facts = written_facts(plan, path)
    size, threads = (plan.index.width_px, plan.index.height_px), plan.job.thread_count
    reference = Converter(plan.source, plan.compared_format, thread_count=threads)
    metrics = plan.job.settings.metrics
    back = Converter(facts, plan.compared_format, thread_count=threads, size=size)
    # What has the clip's range already, in another chroma.
    like_clip = facts.model_copy(update={"tags": reference.tags})
    levelled = Converter(like_clip, plan.compared_format, thread_count=threads)
    meter: quality.QualityMeter | None = None
    worst: quality.WorstPair | None = None
    count = differing = 0
    alpha: list[float] = []
    for original, decoded in quality.frames_in_pairs(clip, decoded_frames(path, threads)):
        returned = shifted(decoded, -offset_px, facts.tags)
        differing += not entered.is_same(count, original, returned)
        alpha += _alpha_error(original, returned)
        before = reference.convert(original)
        meter = meter or quality.QualityMeter(before, metrics=metrics, thread_count=threads)
        is_scaled = plan.job.encoding.is_scaled
        levels = None if is_scaled else exact_levels(returned, facts.tags, plan.compared_format)
        after = levelled.convert(levels[0]) if levels else back.convert(returned)
        exact = levels[1] if levels and after is levels[0] else None
        error = meter.compare(before, after, exact)
        if error > (worst.squared_error if worst else 0.0):
            worst = quality.WorstPair(
                frame_index=count, squared_error=error, before=original, after=returned
            )
        count += 1
    if meter is None:
        raise unusable(plan.job.encoding, "no frame came back", "Leave the encoding out.")
    found = GenerationQuality(
        generation=generation,
        file_bytes=facts.file_bytes,
        frame_count=count,
        is_bit_exact=differing == 0,
        differing_frame_count=differing,
        quality=meter.series(),
        alpha_squared_error=tuple(alpha),
    )
    return Generation(path=path, found=found, worst=worst)


def _alpha_error(before: VideoFrame, after: VideoFrame) -> list[float]:
    """The mean squared error of alpha, opaque being 1; nothing where one of them has none."""
    facts = [pixels.pixel_format_facts(frame.format.name) for frame in (before, after)]
    if not all(one.has_alpha for one in facts) or before.height != after.height:
        return []
    left, right = (
        pixels.planes_of(frame)[-1] / (2**one.bit_depth - 1)
        for frame, one in zip((before, after), facts, strict=True)
    )
    return [float(np.mean((left - right) ** 2))]


def same_planes(first: VideoFrame, second: VideoFrame) -> bool:
    """Whether two frames hold the same code values in planes of the same depth and size."""
    depths = {pixels.pixel_format_facts(frame.format.name).bit_depth for frame in (first, second)}
    left, right = pixels.planes_of(first), pixels.planes_of(second)
    is_alike = len(depths) == 1 and len(left) == len(right)
    return is_alike and all(map(np.array_equal, left, right))
