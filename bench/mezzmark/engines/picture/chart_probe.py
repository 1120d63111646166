"""A chart through an encoding: encode, container, decode, viewer; and what its tags did to it."""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

import numpy as np
from av.video.frame import VideoFrame

from mezzmark.engines.media.pixels import pixel_format_facts, planes_of
from mezzmark.engines.media.probe import FULL_RANGE, UNSPECIFIED
from mezzmark.engines.picture.chart import chart_frame, chart_tags
from mezzmark.engines.picture.chart_measure import (
    ChartPicture,
    average_picture,
    measure_chart,
)
from mezzmark.engines.picture.faults import read_as
from mezzmark.engines.picture.generations import decoded_frames
from mezzmark.engines.picture.tag_survival import (
    FIELD_ORDERS,
    PROGRESSIVE,
    SAMPLE_ASPECT,
    TIMECODE,
    TagsRead,
    chroma_locations,
    read_tags,
    write_tagged,
)
from mezzmark.engines.play.viewer import presenter
from mezzmark.model.chart import Chart
from mezzmark.model.colour import MATRIX_CODES, Floats
from mezzmark.model.encoding import Encoding
from mezzmark.model.footage import ColourTags, MediaFacts
from mezzmark.model.tasks.fidelity import ChartMeasurement, TagSurvival


def chart_viewer(facts: MediaFacts) -> Callable[[VideoFrame], Floats]:
    """A function from a decoded frame to the viewer's picture: (lines, samples, 3), codes 0 to
    255. Give facts with other tags to see what a reader of those tags would show."""
    present = presenter(facts, pixel_aspect=Fraction(1), height_px=facts.height_px, thread_count=1)

    def view(frame: VideoFrame) -> Floats:
        shown = present(frame)
        if shown is None:
            raise ValueError("a frame always gives a view")
        return np.asarray(shown.to_ndarray(), dtype=np.float64)

    return view


CHART_FRAMES: Final = 3
"""Enough for a predicted picture; the last one that comes back is looked at."""

SMALLEST_CHART_PX: Final = (320, 180)
"""Below this the patches have too few pixels clear of their edges."""

ALPHA_TOLERANCE: Final = 0.01
"""Mean error of alpha, as a share of opaque, up to which it counts as kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartProbe:
    """What became of the chart, of its tags and of its alpha (None where none was sent)."""

    measurement: ChartMeasurement
    tags: TagSurvival
    alpha_is_kept: bool | None


def probe_chart(
    encoding: Encoding,
    chart: Chart,
    folder: Path,
    *,
    frame_rate: Fraction,
    thread_count: int,
) -> ChartProbe:
    """Send a chart through an encoding; its file is left in `folder`. Raises EncodingError."""
    facts = pixel_format_facts(encoding.pixel_format)
    tags = chart_tags(chart, is_full_range=facts.is_rgb or facts.is_full_range)
    # One picture, shown again: an encoder takes its own reference to each frame it is given.
    frames = [chart_frame(chart, encoding.pixel_format)] * CHART_FRAMES
    path = folder / f"chart.{encoding.container}"
    write_tagged(
        frames, encoding, path, frame_rate=frame_rate, tags=tags, thread_count=thread_count
    )
    read = read_tags(path)
    returned = list(decoded_frames(path, thread_count))[-1:]
    entered = see_chart(frames[:1], _read_by(read.media, tags), chart)
    measurement = measure_chart(see_chart(returned, read.media, chart), entered, chart)
    return ChartProbe(
        measurement=measurement,
        tags=_survival(encoding, tags, read, frame_rate, measurement)
        if facts.is_rgb
        else _survival(encoding, tags, read, frame_rate, measurement).model_copy(
            update=_other_readers(returned, read, tags, entered, chart)
        ),
        alpha_is_kept=_alpha_is_kept(frames[0], returned[0]) if facts.has_alpha else None,
    )


def see_chart(frames: list[VideoFrame], media: MediaFacts, chart: Chart) -> ChartPicture:
    """Frames as the player shows them when it reads these tags."""
    view = chart_viewer(media)
    return average_picture(((frame, view(frame)) for frame in frames), chart)


def _read_by(media: MediaFacts, tags: ColourTags) -> MediaFacts:
    return media.model_copy(update={"tags": tags})


def _survival(
    encoding: Encoding,
    tags: ColourTags,
    read: TagsRead,
    frame_rate: Fraction,
    measurement: ChartMeasurement,
) -> TagSurvival:
    told, found = chroma_locations(encoding.pixel_format, read.chroma_location)
    return TagSurvival(
        encoding=encoding.name,
        container=encoding.container,
        height_px=measurement.chart.height_px,
        written=tags,
        read=read.media.tags,
        chroma_location=(told, found),
        field_order=(FIELD_ORDERS[PROGRESSIVE], read.field_order),
        sample_aspect=(str(SAMPLE_ASPECT), read.sample_aspect),
        timecode=(TIMECODE, read.timecode),
        frame_rate=(
            str(frame_rate),
            str(read.media.frame_rate) if read.media.frame_rate else None,
        ),
        duration_s=(float(CHART_FRAMES / frame_rate), read.media.duration_s),
        delta_e_shown=measurement.visible_delta_e,
    )


def _other_readers(
    returned: list[VideoFrame],
    read: TagsRead,
    tags: ColourTags,
    entered: ChartPicture,
    chart: Chart,
) -> dict[str, float]:
    """What readers would show that fill lost tags in another way."""
    guesses: dict[str, ColourTags] = {}
    if read.media.tags.matrix == UNSPECIFIED != tags.matrix:
        guesses["delta_e_as_601"] = tags.model_copy(update={"matrix": MATRIX_CODES["BT.601"]})
    if read.media.tags.colour_range == 0 and tags.colour_range != FULL_RANGE:
        guesses["delta_e_as_full"] = tags.model_copy(update={"colour_range": FULL_RANGE})
    found = {}
    for name, guess in guesses.items():
        frames = [read_as(frame, guess)[0] for frame in returned]
        picture = see_chart(frames, _read_by(read.media, guess), chart)
        found[name] = measure_chart(picture, entered, chart).visible_delta_e
    return found


def _alpha_is_kept(entered: VideoFrame, returned: VideoFrame) -> bool:
    before, after = planes_of(entered), planes_of(returned)
    if len(after) < 4:
        return False
    depths = [pixel_format_facts(f.format.name).bit_depth for f in (entered, returned)]
    left = before[3] / float(2 ** depths[0] - 1)
    right = after[3] / float(2 ** depths[1] - 1)
    return bool(np.mean(np.abs(left - right)) <= ALPHA_TOLERANCE)
