"""The fidelity task: generations, chart and tags of one encoding of one clip. Nothing is timed.

Colour description, chroma location, field order, sample aspect, timecode, rate and duration are
told to encoder and muxer with the chart; demuxer and decoder say what is left.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import numpy as np
from av.container import OutputContainer
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame

from mezzmark.engines.encode.encoded_file import write_frames
from mezzmark.engines.encode.encoders import open_encoder
from mezzmark.engines.encode.timing import evenly_timed
from mezzmark.engines.media import pixels, probe
from mezzmark.engines.media.conversion import as_viewed
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.shape import PROGRESSIVE, hdr_metadata_of, shown_facts
from mezzmark.engines.picture.chart import (
    ChartPicture,
    chart_frame,
    chart_tags,
    measure_chart,
    read_picture,
)
from mezzmark.engines.picture.generations import (
    GenerationPlan,
    decoded_frames,
    run_generations,
    written_facts,
)
from mezzmark.engines.picture.quality import cut_worst
from mezzmark.host.common import read_process_facts
from mezzmark.model import colour as colours
from mezzmark.model.chart import Chart
from mezzmark.model.encoding import Encoding, check_frame
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags, HdrMetadata, MediaFacts, constant_rate
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks import fidelity as task

CHART_FRAMES: Final = 3
"""Enough for a predicted picture; the last one that comes back is looked at."""

SMALLEST_CHART_PX: Final = (320, 180)
"""Below this the patches have too few pixels clear of their edges."""

TIMECODE: Final = "01:02:03:04"
SAMPLE_ASPECT: Final = Fraction(4, 3)
"""Anamorphic, so that a lost aspect cannot pass for a kept one."""

CHROMA_LOCATION: Final = "topleft"
"""Not the usual "left", so that a guess cannot pass for a kept tag."""

FIELD_ORDER_NAMES: Final = {
    0: "unknown",
    1: "progressive",
    2: "top first",
    3: "bottom first",
    4: "top coded first, bottom shown first",
    5: "bottom coded first, top shown first",
}
"""FFmpeg's numbers (AVFieldOrder)."""


def write_tags(container: OutputContainer, context: VideoCodecContext) -> None:
    """Tell container and encoder every tag that there is, but colour and rate."""
    container.metadata["timecode"] = TIMECODE
    context.thread_type = "SLICE"  # so few pictures gain nothing from being encoded side by side
    context.sample_aspect_ratio = SAMPLE_ASPECT
    context.field_order = PROGRESSIVE
    context.options = context.options | {"chroma_sample_location": CHROMA_LOCATION}


def read_tags(path: Path, encoding: Encoding) -> tuple[MediaFacts, dict[str, Any]]:
    """The file as the player reads it, and by fields of `TagSurvival` what demuxer and decoder find
    beside what was told. EncodingError where no frame comes back."""
    with probe.open_media(path) as (container, track):
        media = probe.describe_media(container, track, path)
        order = FIELD_ORDER_NAMES.get(int(track.codec_context.field_order), "unknown")
        timecode = probe.stated(container, "timecode") or None
        pictures = probe.stated_in_pictures(container, track)
        if (frame := probe.first_picture(container, track)) is None:
            what = "no frame came back"
            raise EncodingError(where="chart", what=what, remedy="Leave this encoding out.")
        # PyAV does not show it.
        found = re.search(r"\bcl:(?!unspecified|unknown)(\w+)", shown_facts(frame))
    aspect = media.sample_aspect
    return media, {
        "encoding": encoding.name,
        "container": encoding.container,
        "read": media.tags,
        "pictures": pictures,
        "chroma_location": _chroma_locations(encoding.pixel_format, found[1] if found else None),
        "field_order": (FIELD_ORDER_NAMES[PROGRESSIVE], order),
        "sample_aspect": (str(SAMPLE_ASPECT), str(aspect) if aspect else None),
        "timecode": (TIMECODE, timecode),
    }


def _chroma_locations(pixel_format: str, read: str | None) -> tuple[str | None, str | None]:
    """The location told and the one read, as far as the format has one: none at full chroma, and
    only left or centre where every line has chroma (there "topleft" is the same as "left")."""
    chroma = pixels.pixel_format_facts(pixel_format).chroma
    if chroma == "4:2:0":
        return CHROMA_LOCATION, read
    if chroma in ("4:2:2", "4:1:1"):
        across = {"topleft": "left", "bottomleft": "left", "top": "center", "bottom": "center"}
        return across[CHROMA_LOCATION], across.get(read, read) if read else None
    return None, None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartProbe:
    """The chart as a viewer sees it that believes the container first and, where that differs, the
    pictures first; and its tags."""

    measurement: task.ChartMeasurement
    tags: task.TagSurvival
    by_pictures: task.ChartMeasurement | None = None


def probe_chart(
    encoding: Encoding, chart: Chart, folder: Path, *, frame_rate: Fraction, thread_count: int
) -> ChartProbe:
    """Send a chart through an encoding; its file is left in `folder`. Raises EncodingError."""
    tags = chart_tags(chart, encoding.pixel_format)
    frame = chart_frame(chart, encoding.pixel_format)
    path = folder / f"chart.{encoding.container}"
    # One picture, shown again: an encoder takes its own reference to each frame it is given.
    encoder = open_encoder(
        path,
        encoding,
        size=(chart.width_px, chart.height_px),
        frame_rate=frame_rate,
        tags=tags,
        thread_count=thread_count,
        prepare=write_tags,
    )
    write_frames(evenly_timed([frame] * CHART_FRAMES, frame_rate), encoder)
    media, told = read_tags(path, encoding)
    *_, returned = decoded_frames(path, thread_count)
    meant = chart_tags(chart.model_copy(update={"stated": None}), encoding.pixel_format)
    entered = see_chart(frame, media, chart, meant)

    def seen(believed: ColourTags) -> task.ChartMeasurement:
        picture = see_chart(read_as(returned, believed), media, chart, believed)
        return measure_chart(picture, entered, chart)

    measurement = measure_chart(see_chart(returned, media, chart), entered, chart)
    other, by_pictures = colours.filled(told["pictures"], media.tags), None
    if _meaning(other, chart) != _meaning(media.tags, chart):
        by_pictures = seen(other)
    others = _other_guesses(encoding, media.tags, tags)
    guesses = {name: seen(guess).visible_delta_e for name, guess in others}
    if by_pictures:
        guesses["delta_e_by_pictures"] = by_pictures.visible_delta_e
    survival = task.TagSurvival(
        **told,
        **guesses,
        height_px=chart.height_px,
        written=tags,
        frame_rate=(str(frame_rate), str(media.frame_rate) if media.frame_rate else None),
        duration_s=(float(CHART_FRAMES / frame_rate), media.duration_s),
        delta_e_shown=measurement.visible_delta_e,
    )
    return ChartProbe(measurement=measurement, tags=survival, by_pictures=by_pictures)


def _meaning(tags: ColourTags, chart: Chart) -> colours.Meaning:
    return colours.meaning(tags, height_px=chart.height_px)


def see_chart(
    frame: VideoFrame, media: MediaFacts, chart: Chart, believed: ColourTags | None = None
) -> ChartPicture:
    """A frame seen by who believes these tags, or the file's: 8 bits, or float for HDR."""
    media = media.model_copy(update={"tags": believed}) if believed else media
    view = None if chart.is_hdr else as_viewed(frame, media).astype(np.float64)
    return read_picture(frame, chart, _meaning(media.tags, chart), view)


def read_as(frame: VideoFrame, tags: ColourTags) -> VideoFrame:
    """The same samples for a reader that believes these tags."""
    name = frame.format.name
    if not name.startswith("yuvj"):
        return frame
    return pixels.frame_from_planes(pixels.planes_of(frame), pixels.planar_twin(name), tags)


def _other_guesses(
    encoding: Encoding, read: ColourTags, tags: ColourTags
) -> Iterator[tuple[str, ColourTags]]:
    """What readers believe that fill lost tags in another way."""
    if pixels.pixel_format_facts(encoding.pixel_format).is_rgb:
        return
    if read.matrix == colours.UNSPECIFIED != tags.matrix:
        yield "delta_e_as_601", tags.model_copy(update={"matrix": colours.MATRIX_CODES["BT.601"]})
    if read.colour_range == 0 and tags.colour_range != colours.FULL_RANGE:
        yield "delta_e_as_full", tags.model_copy(update={"colour_range": colours.FULL_RANGE})


LARGEST_CHART_PX: Final = (1920, 1080)
"""Colours and tags of larger pictures fare alike: players guess by 720 lines, not by more."""


def run_fidelity(job: task.FidelityJob, clock_ns: Callable[[], int]) -> Measured:
    """Everything the fidelity task finds out; nothing is timed, memory does not grow with the clip.
    EncodingError when the encoding cannot hold the clip or loses frames."""
    index = read_frame_index(job.source.index_path)
    rate, source = constant_rate(index), probe.probe_media(job.source.media_path)
    plan = GenerationPlan(job=job, source=source, index=index, frame_rate=rate)
    check_frame(job.encoding, index.width_px, index.height_px, plan.frame_rate)
    size = {"width_px": index.width_px, "height_px": index.height_px}
    found: list[task.GenerationQuality] = []
    worst: task.WorstFrame | None = None
    decoded_format = ""
    hdr_metadata: tuple[HdrMetadata | None, ...] = (_hdr_metadata(job.source.media_path), None)
    for generation in run_generations(plan):
        if not found:
            decoded_format = probe.probe_media(generation.path).pixel_format
            if generation.worst:
                after = written_facts(plan, generation.path).model_copy(update=size)
                worst = cut_worst(generation.worst, plan.source, after)
            hdr_metadata = (hdr_metadata[0], _hdr_metadata(generation.path))
        found.append(generation.found)
    charted, refusal = _chart(job, plan)
    tags = charted and charted.tags.model_copy(update={"hdr_metadata": hdr_metadata})
    measurement = task.FidelityMeasurement(
        frame_count=found[0].frame_count,
        frame_rate=str(plan.frame_rate),
        encoded_pixel_format=job.encoding.pixel_format,
        decoded_pixel_format=decoded_format,
        compared_pixel_format=plan.compared_format,
        is_lossless_claimed=job.encoding.is_lossless,
        generations=tuple(found),
        chart=charted.measurement if charted else None,
        tags=tags,
        worst_frame=worst,
        chart_refusal=refusal,
        chart_by_pictures=charted.by_pictures if charted else None,
    )
    return Measured(measurement=measurement, process=read_process_facts())


def _hdr_metadata(path: str | Path) -> HdrMetadata | None:
    with probe.open_media(path) as (container, track):
        frame = probe.first_picture(container, track)
        return hdr_metadata_of(frame) if frame else None


def clip_chart(clip: MediaFacts, size: tuple[int, int]) -> Chart:
    """The chart that states of itself what the clip states, and means it so."""
    meant, stated = colours.meaning(clip.tags, height_px=clip.height_px), clip.tags
    if stated.matrix not in (colours.UNSPECIFIED, *colours.KNOWN_MATRICES):
        stated = stated.model_copy(update={"matrix": colours.MATRIX_CODES[meant.matrix]})
    return Chart(
        width_px=size[0],
        height_px=size[1],
        matrix=meant.matrix,
        primaries=meant.primaries,
        transfer=meant.transfer,
        stated=stated,
    )


def _chart(job: task.FidelityJob, plan: GenerationPlan) -> tuple[ChartProbe | None, str | None]:
    """The chart on the clip's own terms, at the encoding's size, at most `LARGEST_CHART_PX`; or why
    there is none: pictures too small for one, or the encoder refused it."""
    width_px, height_px = job.encoding.picture_size(plan.index.width_px, plan.index.height_px)
    if width_px < SMALLEST_CHART_PX[0] or height_px < SMALLEST_CHART_PX[1]:
        smallest = "×".join(map(str, SMALLEST_CHART_PX))
        return None, f"a picture of {width_px}×{height_px} is too small for it, {smallest} is not"
    if width_px > LARGEST_CHART_PX[0] or height_px > LARGEST_CHART_PX[1]:
        width_px, height_px = LARGEST_CHART_PX
    try:
        charted = probe_chart(
            job.encoding,
            clip_chart(plan.source, (width_px, height_px)),
            Path(job.scratch_dir),
            frame_rate=plan.frame_rate,
            thread_count=job.thread_count,
        )
    except EncodingError as error:
        return None, error.what
    return charted, None
