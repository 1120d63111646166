"""What the marks of the fidelity figures say, and where they lead, from planted errors."""

import base64
import math
import re
import zlib

import numpy as np
import pytest

from fixtures.fabricated_fidelity import EXPECTED, generation, reading, trial, worst_frame
from fixtures.figure_marks import marks, texts
from mezzmark.decide.picture.fidelity import EncodingFidelity, generation_psnr, judge_encodings
from mezzmark.report.prose.figures import with_rate
from mezzmark.report.prose.picture import generation_words
from mezzmark.report.sections.tasks import fidelity_pictures

T_OF_2_DEGREES = 4.302653
"""97.5 % point of Student's t, from its table."""

ERRORS = {"street at dusk": 1.0, "harbour": 2.0, "<i>market</i>": 4.0}


def decibels(squared_error: float) -> float:
    return 10 * math.log10(255**2 / squared_error)


def judged_twice(clip_count: int = 3) -> tuple[EncodingFidelity, ...]:
    """Two encodings over so many clips: `fine` is without loss at first, `coarse` has twice the
    error in its second generation, whose largest is in the clip that came last."""
    trials = []
    for clip, error in list(ERRORS.items())[:clip_count]:
        fine = [generation([0.0], exact=True), generation([error], number=2)]
        coarse = [generation([error] * 4), generation([2 * error] * 4, number=2)]
        shown = EXPECTED + np.where(np.arange(len(EXPECTED))[:, None] == 3, 40, 0)
        trials += [
            trial(clip, "fine", fine),
            trial(clip, "coarse", coarse, chart=reading(shown), worst_frame=worst_frame(2)),
        ]
    return judge_encodings(trials)


def test_each_generation_has_its_interval_over_clips() -> None:
    """Twice the error is 3.01 dB less with the same interval; of the first generation both are
    those of the quality table."""
    _, coarse = judged_twice()
    means = [decibels(error) for error in ERRORS.values()]
    half = T_OF_2_DEGREES * float(np.std(means, ddof=1)) / math.sqrt(3)
    for index in (0, 1):
        found = generation_psnr(coarse, index)
        middle = np.mean(means) - index * 10 * math.log10(2)
        assert (found.point, found.low, found.high) == pytest.approx(
            (middle, middle - half, middle + half)
        )
        assert (found.unit, found.round_count, found.sample_count) == ("dB", 1, 3)
    table = coarse.estimates["psnr"]
    first = generation_psnr(coarse, 0)
    assert (first.point, first.low, first.high) == (table.point, table.low, table.high)


def test_two_clips_give_no_interval_and_say_so() -> None:
    """Errors of 1 and 2 have a mean of 46.6 dB, bare."""
    _, coarse = judged_twice(clip_count=2)
    assert generation_words(coarse, 0) == (
        "coarse, PSNR after 1 generation: 46.6 dB; "
        "no interval from 2 clips: 1 clip more needed; 1 round, 2 clips"
    )


def test_a_generation_without_loss_has_no_figure() -> None:
    """Identical frames have no PSNR; asking for it is a mistake in the program."""
    fine, _ = judged_twice()
    with pytest.raises(ValueError, match="generation 1 of fine has no PSNR"):
        generation_psnr(fine, 0)


def test_quality_against_rate_tells_both() -> None:
    """4 frames of 1,000 bytes at 25 fps are 0.2 Mb/s."""
    _, coarse = judged_twice()
    words = with_rate(generation_words(coarse, 0), coarse.bitrate_bps / 1e6)
    assert re.fullmatch(
        r"coarse, PSNR after 1 generation: 45 dB \[38, 53\]; 95 % interval; 1 round, 3 clips; "
        r"bit rate 0\.200 Mbit/s",
        words,
    )


def test_every_mark_leads_to_its_encodings_row_and_says_its_figure() -> None:
    """Lines have a mark for each generation with a loss, the plane one for each lossy encoding,
    the chart and the worst frame one over the whole picture."""
    pictures = fidelity_pictures(
        judged_twice(),
        prefix="run2-",
        anchors={"fine": "run2-quality-0", "coarse": "run2-quality-1"},
    )
    expected = {
        "run2-generations": [
            ("run2-quality-0", "fine, PSNR after 2 generations: 45 dB"),
            ("run2-quality-1", "coarse, PSNR after 1 generation: 45 dB"),
            ("run2-quality-1", "coarse, PSNR after 2 generations: 42 dB"),
        ],
        "run2-quality-against-rate": [("run2-quality-1", "coarse, PSNR after 1 generation: 45 dB")],
        "run2-chart-1": [("run2-quality-1", "coarse, test chart: ")],
        "run2-worst-frame": [
            ("run2-quality-1", "coarse, worst frame of <i>market</i>: PSNR 42.1 dB; ")
        ],
    }
    assert [picture.file_stem for picture in pictures] == list(expected)
    for picture in pictures:
        found = marks(picture.page_svg)
        starts = expected[picture.file_stem]
        assert [anchor for anchor, _ in found] == [anchor for anchor, _ in starts]
        for (_, words), (_, start) in zip(found, starts, strict=True):
            assert words.startswith(start)
            assert "1 round" in words


def plain_png(width: int, height: int, *, is_grey: bool = False) -> str:
    """A black picture, written after the standard (ISO/IEC 15948), in base64."""

    def chunk(name: bytes, data: bytes) -> bytes:
        body = name + data
        return len(data).to_bytes(4) + body + zlib.crc32(body).to_bytes(4)

    head = width.to_bytes(4) + height.to_bytes(4) + bytes((8, 0 if is_grey else 2, 0, 0, 0))
    lines = (b"\0" + bytes(width * (1 if is_grey else 3))) * height
    parts = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(lines)) + chunk(b"IEND", b"")
    return base64.b64encode(b"\x89PNG\r\n\x1a\n" + parts).decode("ascii")


@pytest.mark.parametrize(
    ("before", "after", "is_drawn"),
    [
        (plain_png(64, 64), plain_png(64, 64), True),
        (plain_png(64, 64), plain_png(64, 32), False),
        *((told, told, False) for told in ("", "abc", "é", plain_png(64, 64)[:40])),
        (*[plain_png(64, 64, is_grey=True)] * 2, False),
        (*[plain_png(9000, 1)] * 2, False),
    ],
    ids=["fine", "sizes", "nothing", "letters", "accent", "torn", "grey", "large"],
)
def test_a_worst_frame_that_is_no_picture_is_left_out(
    before: str, after: str, is_drawn: bool
) -> None:
    """Text that is no PNG, and pictures of two sizes, of one colour or larger than any crop, cost
    the figure and nothing else."""
    worst = worst_frame(0).model_copy(update={"before_png": before, "after_png": after})
    judged = judge_encodings([trial("a", "e", [generation([1.0])], worst_frame=worst)])
    found = fidelity_pictures(judged, prefix="", anchors={"e": "row"})
    assert ("worst-frame" in {picture.file_stem for picture in found}) is is_drawn


def test_pictures_say_what_was_judged() -> None:
    """The chart's mark tells its ΔE and how many patches; the frame's among how many frames."""
    pictures = fidelity_pictures(judged_twice(), prefix="", anchors={"fine": "a", "coarse": "b"})
    ((_, chart),) = marks(pictures[2].page_svg)
    assert "; ΔE 3.0 at the 90th percentile, largest 3.0 (" in chart
    assert f"; {len(EXPECTED)} patches; 1 round, the same comes every time" in chart
    ((_, frame),) = marks(pictures[3].page_svg)
    assert "the lowest of 12 frames of 3 clips; 1 round, the same comes every time" in frame


def test_captions_say_where_the_intervals_are() -> None:
    """Lines of generations have no bars and the caption says so; the plane's caption names its
    bars; with two clips both say what is missing."""
    for clip_count, lines, plane in (
        (3, "Without bars, which would hide each other: the marks hold the 95 %", "Bars: 95 %"),
        (2, "No intervals: they take 3 clips.", "No intervals: they take 3 clips."),
    ):
        generations, quality, *_ = fidelity_pictures(
            judged_twice(clip_count), prefix="", anchors={"fine": "a", "coarse": "b"}
        )
        assert lines in generations.caption
        assert plane in quality.caption


def test_many_encodings_are_numbered_with_a_key() -> None:
    """Thirteen points carry numbers and a key has their names, marks among them; three are named
    in place, without a key."""
    trials = [
        trial(clip, f"encoding {number}", [generation([error * (1 + number)] * 4)])
        for number in range(13)
        for clip, error in ERRORS.items()
    ]
    judged = judge_encodings(trials)
    for count in (3, 13):
        some = judged[:count]
        (quality,) = fidelity_pictures(
            some,
            prefix="",
            anchors={entry.encoding: entry.encoding.replace(" ", "-") for entry in some},
        )[:1]
        shown = texts(quality.page_svg)
        in_place = sum(text.startswith("encoding ") for text in shown)
        in_key = sum(bool(re.match(r"\d+  encoding ", text)) for text in shown)
        assert (in_place, in_key) == ((3, 0) if count == 3 else (0, 13))
        assert len(marks(quality.page_svg)) == count
