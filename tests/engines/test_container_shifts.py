"""Real shifts that containers and guesses make, found on files written here."""

from fractions import Fraction
from pathlib import Path

import pytest

from mezzmark.decide.picture.diagnosis import diagnose
from mezzmark.engines.picture.chart import chart_frame, chart_tags, measure_chart
from mezzmark.engines.picture.fidelity import probe_chart, read_as, see_chart
from mezzmark.engines.picture.generations import decoded_frames
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.chart import Chart
from mezzmark.model.footage import ColourTags

RATE = Fraction(24)
SMALL = Chart(width_px=640, height_px=360)


def test_container_that_drops_the_matrix_shifts_colours(tmp_path: Path) -> None:
    """The lossless 8-bit encoding is bit-exact in AVI, but AVI has no place for colour tags: the
    player takes a 360-line picture for BT.601 and the colours move. In MOV nothing moves."""
    encoding = find_encoding("lossless-fast")
    kept = probe_chart(encoding, SMALL, tmp_path, frame_rate=RATE, thread_count=1)
    lost = probe_chart(
        encoding.model_copy(update={"container": "avi"}),
        SMALL,
        tmp_path,
        frame_rate=RATE,
        thread_count=1,
    )
    assert diagnose(kept.measurement).cause == "no shift"
    found = diagnose(lost.measurement)
    assert found.cause == "matrix 709 as 601"
    assert 3 < found.delta_e < 6
    assert lost.tags.read.matrix == 2
    assert found.further == ("709 as 601 525 lines",)
    assert lost.tags.delta_e_as_601 == pytest.approx(4.3, abs=0.1)  # by the matrix alone
    assert lost.tags.delta_e_shown == pytest.approx(found.delta_e)


@pytest.mark.parametrize(
    ("width_px", "height_px"), [(1280, 720), pytest.param(3840, 2160, marks=pytest.mark.slow)]
)
def test_untagged_uhd_read_as_601(width_px: int, height_px: int, tmp_path: Path) -> None:
    """An untagged file of 720 or 2160 lines is shown rightly by a player that takes large pictures
    for BT.709, and wrongly by one that takes all untagged ones for BT.601, as swscale does."""
    chart = Chart(width_px=width_px, height_px=height_px)
    encoding = find_encoding("lossless-fast").model_copy(update={"container": "avi"})
    probe = probe_chart(encoding, chart, tmp_path, frame_rate=RATE, thread_count=2)
    assert probe.tags.read == ColourTags(colour_range=0, primaries=2, transfer=2, matrix=2)
    assert diagnose(probe.measurement).cause == "no shift"
    assert probe.tags.delta_e_shown < 0.1
    assert probe.tags.delta_e_as_601 is not None
    assert probe.tags.delta_e_as_601 > 3


def test_lost_range_read_as_full(tmp_path: Path) -> None:
    """VC-5 in MOV comes back without its range. A reader that takes it for full range lifts
    blacks; the diagnosis says so, in words for a non-engineer."""
    encoding = find_encoding("vc5-fine")
    probe = probe_chart(encoding, SMALL, tmp_path, frame_rate=RATE, thread_count=1)
    assert probe.tags.written.colour_range == 1
    assert probe.tags.read.colour_range == 0
    tags = chart_tags(SMALL, encoding.pixel_format)
    wrong = tags.model_copy(update={"colour_range": 2})
    from mezzmark.engines.media.probe import probe_media

    path = tmp_path / "chart.mov"
    media = probe_media(path)
    frame = read_as(next(decoded_frames(path, 1)), wrong)
    entered = see_chart(
        chart_frame(SMALL, encoding.pixel_format), media.model_copy(update={"tags": tags}), SMALL
    )
    returned = see_chart(frame, media.model_copy(update={"tags": wrong}), SMALL)
    found = diagnose(measure_chart(returned, entered, SMALL))
    assert found.cause == "limited as full"
    assert probe.tags.delta_e_as_full == pytest.approx(found.delta_e)
    assert found.delta_e > 3


def test_tags_that_containers_keep(tmp_path: Path) -> None:
    """MOV keeps timecode and sample aspect, and Matroska, which writes it in capital letters, the
    timecode; all four colour tags come back from MOV."""
    mov = probe_chart(
        find_encoding("rdd36-lt"), SMALL, tmp_path, frame_rate=RATE, thread_count=1
    ).tags
    mkv = probe_chart(
        find_encoding("rdd36-lt").model_copy(update={"container": "mkv"}),
        SMALL,
        tmp_path,
        frame_rate=RATE,
        thread_count=1,
    ).tags
    assert mov.timecode == ("01:02:03:04", "01:02:03:04")
    assert mov.sample_aspect == ("4/3", "4/3")
    assert mov.written == mov.read
    assert mkv.timecode[1] == "01:02:03:04"
    assert mkv.chroma_location == ("left", "left")
    assert mov.chroma_location[1] is None
    assert mov.frame_rate == ("24", "24")
    assert mov.duration_s[1] == pytest.approx(3 / 24)
