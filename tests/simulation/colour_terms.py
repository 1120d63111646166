"""Prints the confusion matrix of colours on the footage's own terms: `python
tests/simulation/colour_terms.py [SD] [HD] [UHD]`.

Charts of every matrix, statement, size class, light and range go through RDD 36 (limited range) and
Motion JPEG (full) in Matroska, which keeps each tag by itself. A fault is planted in the file: the
container, or in RDD 36 the coded pictures, are told a wrong tag. A row is a fault, its columns what
was said of it to the viewer that believes the side that is wrong. With the word `natural`, natural
clips go through the fidelity task instead, made to state this and that.
"""

import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from fractions import Fraction
from functools import cache
from itertools import islice, product
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter_ns
from unittest.mock import patch

import av

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.chart_trips import Confusion
from fixtures.natural_clips import NATURAL_CLIPS, natural_clip
from fixtures.scrubbed import indexed
from mezzmark.decide.picture.diagnosis import diagnose, diagnose_both
from mezzmark.engines.encode.encoders import open_encoder
from mezzmark.engines.media.pixels import apply_tags
from mezzmark.engines.media.probe import probe_media
from mezzmark.engines.picture import fidelity
from mezzmark.engines.picture.chart import chart_frame
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.chart import Chart
from mezzmark.model.colour import MATRIX_CODES, PRIMARIES_CODES, TRANSFER_CODES
from mezzmark.model.footage import ColourTags
from mezzmark.model.tasks.fidelity import FidelitySettings
from mezzmark.report.prose.picture import diagnosis_words
from simulation.diagnosis_confusion import matrix_rows

SIZES = {"SD": (720, 576), "HD": (1280, 720), "UHD": (3840, 2160)}
LARGEST = (1920, 1080)
COLOURS = {"BT.601": "BT.601 625 lines", "BT.709": "BT.709", "BT.2020": "BT.2020"}
LIMITED, FULL = find_encoding("rdd36-lt"), find_encoding("mjpeg-good")
AS_IT_SHOULD = "as it should be"
LIKE = probe_media(natural_clip(NATURAL_CLIPS[0]))
"""Facts of any clip, whose tags and height are replaced."""


def statements() -> Iterator[tuple[str, ColourTags]]:
    """What footage may say of itself: everything, all but the primaries, or nothing."""
    for (matrix, primaries), transfer in product(COLOURS.items(), TRANSFER_CODES):
        partly = ColourTags(matrix=MATRIX_CODES[matrix], transfer=TRANSFER_CODES[transfer])
        stated = {"primaries": PRIMARIES_CODES[primaries], "colour_range": 1}
        yield "stated", partly.model_copy(update=stated)
        yield "partly", partly.model_copy(update={"transfer": 2} if transfer == "BT.1886" else {})
    yield "unstated", ColourTags()


def chart_of(tags: ColourTags, size: str) -> Chart:
    """The chart that the task sends for a clip of these tags and size."""
    width_px, height_px = SIZES[size]
    clip = LIKE.model_copy(update={"tags": tags, "height_px": height_px, "width_px": width_px})
    return fidelity.clip_chart(clip, min(SIZES[size], LARGEST))


@cache
def _frame(chart: Chart, pixel_format: str):
    return chart_frame(chart, pixel_format)


def faults(chart: Chart, *, is_full: bool) -> Iterator[tuple[str, dict[str, int]]]:
    """Wrong tags, by the cause that should be named."""
    yield "full as limited" if is_full else "limited as full", {"colour_range": 1 if is_full else 2}
    for matrix, code in MATRIX_CODES.items():
        if matrix != chart.matrix:
            yield f"matrix {chart.matrix[3:]} as {matrix[3:]}", {"matrix": code}
    for transfer, code in TRANSFER_CODES.items():
        if transfer != chart.transfer:
            yield f"{chart.transfer} as {transfer}", {"transfer": code}
    for primaries in ("BT.709", "BT.2020"):
        if primaries != chart.primaries:
            key = f"{chart.primaries[3:]} as {primaries[3:]}"
            yield key, {"primaries": PRIMARIES_CODES[primaries]}


def trip(chart: Chart, *, is_full: bool, container: dict, pictures: dict) -> tuple[str, str]:
    """What is said to viewers that believe the container, and to those that believe pictures."""
    encoding = (FULL if is_full else LIMITED).model_copy(update={"container": "mkv"})
    frame = _frame(chart, encoding.pixel_format)
    right = fidelity.chart_tags(chart, encoding.pixel_format)

    def told(path: Path, encoding, *, tags: ColourTags, **rest):
        tags = tags.model_copy(update=container)
        return open_encoder(path, encoding, tags=tags, **rest)

    apply_tags(frame, right.model_copy(update=pictures))
    with ExitStack() as planted:
        folder = Path(planted.enter_context(TemporaryDirectory()))
        for name, stand_in in (("open_encoder", told), ("chart_frame", lambda *_: frame)):
            planted.enter_context(patch.object(fidelity, name, stand_in))
        if is_full and "colour_range" in container:
            # Its decoder says full by the pixel format, whatever the file says.
            _plant_in_reader(planted, right.model_copy(update=container))
        found = fidelity.probe_chart(
            encoding, chart, folder, frame_rate=Fraction(25), thread_count=2
        )
    seen = diagnose(found.measurement)
    other = diagnose(found.by_pictures) if found.by_pictures else seen
    return tuple(
        "8 bits for HDR"
        if one.lacks_bits and one.cause == "no shift"
        else " + ".join((one.cause, *one.further))
        for one in (seen, other)
    )


def _plant_in_reader(planted: ExitStack, believed: ColourTags) -> None:
    decoded, read = fidelity.decoded_frames, fidelity.read_tags

    def misread(*given):
        media, told = read(*given)
        return media.model_copy(update={"tags": believed, "pixel_format": "yuv422p"}), told

    frames = lambda *way: (fidelity.read_as(frame, believed) for frame in decoded(*way))  # noqa: E731
    planted.enter_context(patch.object(fidelity, "decoded_frames", frames))
    planted.enter_context(patch.object(fidelity, "read_tags", misread))


def confuse(sizes: list[str]) -> tuple[Confusion, Confusion]:
    """(planted, named) by the viewer concerned; and untouched trips by what they are of."""
    found, untouched = Counter(), Counter()
    for size, (how, tags), is_full in product(sizes, statements(), (False, True)):
        chart = chart_of(tags, size)
        form = "full" if is_full else "limited"
        by_container, by_pictures = trip(chart, is_full=is_full, container={}, pictures={})
        whole = f"untouched, {size}, {how}, {chart.transfer}, {form}"
        expected = "8 bits for HDR" if is_full and chart.is_hdr else "no shift"
        if is_full and how == "unstated" and size != "SD":
            expected = "matrix 709 as 601"  # which Motion JPEG states where nobody else does
        untouched[whole, AS_IT_SHOULD if by_container == expected else by_container] += 1
        if not is_full:
            untouched[
                whole + ", pictures", AS_IT_SHOULD if by_pictures == expected else by_pictures
            ] += 1
        for key, wrong in faults(chart, is_full=is_full):
            found[key, trip(chart, is_full=is_full, container=wrong, pictures={})[0]] += 1
            if not is_full and "colour_range" not in wrong:
                said = trip(chart, is_full=False, container={}, pictures=wrong)[1]
                found[f"{key}, in pictures", said.replace(key, f"{key}, in pictures")] += 1
        _frame.cache_clear()
    return found, untouched


def natural_outcomes() -> Iterator[tuple[str, str, str, str]]:
    """Clip, what it is made to state, encoding, and what the fidelity task says of its colours."""
    stated = {"all of 601": ColourTags(colour_range=1, primaries=6, transfer=6, matrix=6)}
    stated |= {"the matrix of 601": ColourTags(matrix=6), "nothing": ColourTags()}
    stated["all of 709"] = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
    for clip, (how, tags), name in product(
        NATURAL_CLIPS[2:], stated.items(), ("rdd36-lt", "vc3-sq")
    ):
        with TemporaryDirectory() as folder:
            path = Path(folder) / "clip.mkv"
            _retag(natural_clip(clip), path, tags)
            job = fidelity.FidelityJob(
                source=indexed(path, max_duration_s=0.2),
                encoding=find_encoding(name),
                settings=FidelitySettings(generations=1, frames=2, metrics=("psnr",)),
                thread_count=2,
                scratch_dir=folder,
            )
            found = diagnose_both(fidelity.run_fidelity(job, perf_counter_ns).measurement)
            yield clip, how, name, diagnosis_words(found[0]) if found else "too small for a chart"


def _retag(source: Path, target: Path, tags: ColourTags) -> None:
    """The first packets of a clip in a container that states this; AVC pictures keep silent."""
    with av.open(str(source)) as read, av.open(str(target), "w") as container:
        track = read.streams.video[0]
        copied = container.add_stream_from_template(track)
        apply_tags(copied.codec_context, tags)
        for packet in islice(read.demux(track), 12):
            if packet.size:
                packet.stream = copied
                container.mux(packet)


def main() -> None:
    """Print what was said of every planted fault, of untouched trips and of natural clips."""
    if sys.argv[1:] == ["natural"]:
        for row in natural_outcomes():
            print(" | ".join(row), flush=True)
        return
    sizes = sys.argv[1:] or list(SIZES)
    found, untouched = confuse(sizes)
    print("\n".join(matrix_rows(found)))
    good = sum(count for (_, said), count in untouched.items() if said == AS_IT_SHOULD)
    print(f"\n{good} of {sum(untouched.values())} untouched trips as they should be")
    for (which, said), count in untouched.items():
        if said != AS_IT_SHOULD:
            print(f"{which}: {said} ({count})")


if __name__ == "__main__":
    main()
