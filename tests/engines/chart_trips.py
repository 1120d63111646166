"""Charts sent through encodings for the tests of the diagnosis, and faults planted on the way."""

from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from time import perf_counter_ns

from av.video.frame import VideoFrame

from mezzmark.decide.diagnosis import Diagnosis, diagnose
from mezzmark.engines.chart import chart_frame, chart_tags
from mezzmark.engines.chart_measure import ChartPicture, measure_chart
from mezzmark.engines.chart_probe import see_chart
from mezzmark.engines.encode import encode_frames
from mezzmark.engines.faults import Fault, sample_faults, tag_faults
from mezzmark.engines.generations import decoded_frames
from mezzmark.engines.media import probe_media
from mezzmark.engines.pixels import pixel_format_facts
from mezzmark.facts.catalogue import ENTRIES, catalogue_entry, find_encoding
from mezzmark.facts.chart import Chart
from mezzmark.facts.encoding import Encoding
from mezzmark.facts.footage import ColourTags, MediaFacts

RATE = Fraction(24000, 1001)
FRAMES = 3
"""As many as the task sends. With two, and B frames allowed, the HEVC encoder leaves packets
without times in about one of twelve tries (seen: 4 of 50 with two frames, 0 of 210 with three)."""
CATALOGUE = tuple(entry.name for entry in ENTRIES)

Confusion = Counter[tuple[str, str]]
"""(planted, diagnosed) → how often; "none" is an untouched round trip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """A chart that went through an encoding and came back."""

    chart: Chart
    encoding: Encoding
    tags: ColourTags
    media: MediaFacts
    entered: ChartPicture
    returned: tuple[VideoFrame, ...]

    @property
    def bit_depth(self) -> int:
        """Of the decoded pictures."""
        return pixel_format_facts(self.returned[0].format.name).bit_depth


def chart_for(name: str, matrix: str = "BT.709") -> Chart:
    """A small chart that the encoding can hold."""
    sizes = catalogue_entry(name).frame_sizes
    width_px, height_px = sizes[-1] if sizes else (640, 360)
    return Chart(width_px=width_px, height_px=height_px, matrix=matrix)


def send(name: str, folder: Path, *, matrix: str = "BT.709", before: Fault | None = None) -> Trip:
    """Encode a chart, with a fault before the encoder if one is given, and decode it."""
    encoding = find_encoding(name)
    chart = chart_for(name, matrix)
    facts = pixel_format_facts(encoding.pixel_format)
    tags = chart_tags(chart, is_full_range=facts.is_full_range or facts.is_rgb)
    frames = [chart_frame(chart, encoding.pixel_format) for _ in range(FRAMES)]
    path = folder / f"chart-{len(list(folder.iterdir()))}.{encoding.container}"
    encode_frames(
        [before.change(frame, tags)[0] if before else frame for frame in frames],
        encoding,
        path,
        frame_rate=RATE,
        thread_count=1,
        tags=tags,
        clock_ns=perf_counter_ns,
    )
    media = probe_media(path)
    return Trip(
        chart=chart,
        encoding=encoding,
        tags=tags,
        media=media,
        entered=see_chart(
            [chart_frame(chart, encoding.pixel_format)],
            media.model_copy(update={"tags": tags}),
            chart,
        ),
        returned=tuple(decoded_frames(path, 1)),
    )


def judge(trip: Trip, fault: Fault | None = None) -> Diagnosis:
    """The diagnosis of a trip, with a fault after the decoder if one is given."""
    frame, tags = trip.returned[0], trip.media.tags
    if fault is not None:
        frame, tags = fault.change(frame, tags)
    media = trip.media.model_copy(update={"tags": tags})
    picture = see_chart([frame], media, trip.chart)
    return diagnose(measure_chart(picture, trip.entered, trip.chart))


def faults_for(trip: Trip) -> tuple[Fault, ...]:
    """Every fault that the trip's pictures can carry."""
    is_full = pixel_format_facts(trip.encoding.pixel_format).is_full_range
    return (
        *tag_faults(matrix=trip.chart.matrix, is_full_range=is_full),
        *sample_faults(matrix=trip.chart.matrix, bit_depth=trip.bit_depth),
    )


def confuse(trip: Trip) -> Confusion:
    """Plant every fault after the decoder, and none, and count what is said of each."""
    found: Confusion = Counter()
    found["none", judge(trip).cause] += 1
    for fault in faults_for(trip):
        found[fault.key, judge(trip, fault).cause] += 1
    return found


def share_named_right(found: Confusion) -> float:
    """Share of the planted faults that got their own name."""
    planted = {pair: count for pair, count in found.items() if pair[0] != "none"}
    right = sum(count for (key, said), count in planted.items() if key == said)
    return right / sum(planted.values())


def false_alarms(found: Confusion) -> int:
    """Untouched trips of which anything but "no shift" was said."""
    return sum(
        count for (key, said), count in found.items() if key == "none" and said != "no shift"
    )
