"""Colours on the footage's own terms: charts that state what a clip states, through real files."""

from fractions import Fraction
from pathlib import Path
from time import perf_counter_ns

import numpy as np
import pytest

from fixtures.encoded_pictures import write_pictures
from fixtures.scrubbed import indexed
from mezzmark.decide.picture.diagnosis import Diagnosis, diagnose
from mezzmark.engines.media.conversion import Converter, exact_levels, picture_tags
from mezzmark.engines.media.pixels import frame_from_planes, planes_of
from mezzmark.engines.media.probe import probe_media
from mezzmark.engines.picture.fidelity import ChartProbe, clip_chart, probe_chart, run_fidelity
from mezzmark.engines.picture.generations import decoded_frames
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.footage import ColourTags
from mezzmark.model.tasks.fidelity import FidelityJob, FidelitySettings

RATE = Fraction(25)
SD, HD = (640, 360), (1280, 720)
MATRIX_601 = ColourTags(matrix=6)
ALL_601 = ColourTags(colour_range=1, primaries=5, transfer=6, matrix=5)
PQ = ColourTags(colour_range=1, primaries=9, transfer=16, matrix=9)


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory):
    """Facts of a small clip."""
    path = tmp_path_factory.mktemp("clip") / "clip.mkv"
    picture = frame_from_planes((np.zeros((64, 64), np.uint8),) * 3, "yuv444p")
    encoding = find_encoding("ffv1").model_copy(update={"pixel_format": "yuv444p"})
    write_pictures([picture], encoding, path, ColourTags(), frame_rate=RATE)
    return probe_media(path)


@pytest.fixture
def send(clip, tmp_path: Path):
    """Sends the chart of a clip of these tags through an encoding."""

    def send_chart(name: str, tags: ColourTags, size: tuple[int, int], **changes) -> ChartProbe:
        like = clip.model_copy(update={"tags": tags, "height_px": size[1]})
        encoding = find_encoding(name).model_copy(update=changes)
        chart = clip_chart(like, size)
        return probe_chart(encoding, chart, tmp_path, frame_rate=RATE, thread_count=1)

    return send_chart


def seen(probe: ChartProbe) -> tuple[str, Diagnosis | None]:
    """The cause named to viewers that believe the container; the diagnosis of the others."""
    other = probe.by_pictures and diagnose(probe.by_pictures)
    return diagnose(probe.measurement).cause, other


@pytest.mark.parametrize("tags", [MATRIX_601, ALL_601])
def test_sd_in_601_through_vc3_is_named(send, tags: ColourTags) -> None:
    """VC-3 pictures always state BT.709: with the matrix stated in the container, alone or with all
    other tags, who believes the container sees no shift, and who believes the pictures does."""
    probe = send("vc3-sq", tags, SD)
    cause, other = seen(probe)
    assert cause == "no shift"
    assert probe.tags.read.matrix == tags.matrix
    assert other is not None
    assert (other.cause, other.further) == ("matrix 601 as 709", ())
    assert probe.tags.delta_e_by_pictures == pytest.approx(other.delta_e)
    assert other.delta_e > 4


def test_unstated_sd_through_vc3_shifts_for_everybody(send) -> None:
    """Where the clip states nothing, nor does the container, and the pictures' BT.709 is believed
    in place of the BT.601 that viewers guess of the clip."""
    assert seen(send("vc3-sq", ColourTags(), SD)) == ("matrix 601 as 709", None)


@pytest.mark.parametrize("name", ["rdd36-lt", "rdd36-lt-fast", "avc-intra-fast", "uncompressed-10"])
@pytest.mark.parametrize("tags", [MATRIX_601, ALL_601, ColourTags()])
def test_sd_through_others_does_not_shift(send, name: str, tags: ColourTags) -> None:
    """Stated, partly stated or not, tags come back with their meaning and both viewers agree."""
    assert seen(send(name, tags, SD)) == ("no shift", None)


def test_a_small_picture_of_an_unstated_hd_clip_shifts(clip, tmp_path: Path) -> None:
    """The clip's 1080 lines are taken for BT.709, and the 360 of its reduced copy for BT.601."""
    chart = clip_chart(clip.model_copy(update={"height_px": 1080}), SD)
    encoding = find_encoding("rdd36-lt")
    assert seen(probe_chart(encoding, chart, tmp_path, frame_rate=RATE, thread_count=1)) == (
        "matrix 709 as 601",
        None,
    )


@pytest.mark.parametrize("name", ["rdd36-lt", "rdd36-lt-fast"])
def test_pictures_state_the_clip_s_colours(send, name: str) -> None:
    """Of 625 lines both RDD 36 encoders state matrix and transfer by code points that each of them
    knows; the fast one would turn those of BT.601 into reserved ones. A converted picture has the
    same."""
    expected = ColourTags(colour_range=1, primaries=5, transfer=1, matrix=6)
    assert send(name, ALL_601, SD).tags.pictures == expected
    assert picture_tags(ALL_601) == expected


def test_hd_through_motion_jpeg_shifts_where_pictures_are_believed(send) -> None:
    """Motion JPEG pictures are of BT.601 by definition."""
    cause, other = seen(send("mjpeg-good", ColourTags(colour_range=1, matrix=1), HD))
    assert cause == "no shift"
    assert other is not None
    assert other.cause == "matrix 709 as 601"


@pytest.mark.parametrize(
    ("name", "container", "lacks_bits", "causes"),
    [
        ("rdd36-lt", "mov", False, ["no shift"]),
        ("mjpeg-good", "mov", True, ["no shift"]),
        ("lossless-fast", "avi", True, ["PQ as BT.1886", "matrix 2020 as 709", "2020 as 709"]),
    ],
)
def test_hdr_is_judged_as_hdr(
    send, name: str, container: str, lacks_bits: bool, causes: list[str]
) -> None:
    """PQ comes back as it was from RDD 36; 8 bits are told to be too few; a container that loses
    all tags has every mistake named that follows. Differences are ΔE_ITP alone."""
    probe = send(name, PQ, HD, container=container)
    found = diagnose(probe.measurement)
    assert [found.cause, *found.further] == causes
    assert (found.lacks_bits, found.is_hdr) == (lacks_bits, True)
    assert {patch.delta_e_2000 for patch in probe.measurement.patches} == {None}


def test_levels_come_back_by_the_formula(clip) -> None:
    """Full range of 8 bits to limited of 10, and back: each plane is within half a code of BT.709-6
    4.6 after rounding, equal before, where FFmpeg's conversion is a code low on average."""
    rng = np.random.default_rng(4)
    planes = tuple(rng.integers(0, 256, (64, 64)).astype(np.uint8) for _ in range(3))
    full = frame_from_planes(planes, "yuvj444p", ColourTags(colour_range=2, matrix=1))
    rounded, exact = exact_levels(full, ColourTags(colour_range=2), "yuv444p10le")
    by_hand = [planes[0] / 255 * 876 + 64, *((p - 128.0) / 255 * 896 + 512 for p in planes[1:])]
    for found, expected in zip(exact, by_hand, strict=True):
        assert found == pytest.approx(expected)
    assert planes_of(rounded)[0] == pytest.approx(by_hand[0], abs=0.5)
    facts = clip.model_copy(update={"tags": ColourTags(colour_range=2, matrix=1)})
    by_swscale = Converter(facts, "yuv444p10le", thread_count=1).convert(full)
    assert (planes_of(by_swscale)[0] - by_hand[0]).mean() < -0.5
    limited = frame_from_planes(planes, "yuv444p")
    assert exact_levels(limited, ColourTags(colour_range=1), "yuv444p10le") is None


def test_psnr_of_a_full_range_encoding_is_that_of_a_float_computation(tmp_path: Path) -> None:
    """Motion JPEG of a 10-bit clip: each plane's squared error against the file's own decoded
    codes, brought to limited range without rounding."""
    rng = np.random.default_rng(8)
    smooth = [np.cumsum(rng.normal(0, 2, (128, width)), axis=1) for width in (128, 64, 64)]
    planes = tuple((part + 500).clip(64, 940).astype(np.uint16) for part in smooth)
    tags = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
    clip = tmp_path / "clip.mkv"
    pictures = [frame_from_planes(planes, "yuv422p10le", tags) for _ in range(2)]
    write_pictures(pictures, find_encoding("ffv1"), clip, tags, frame_rate=RATE)
    job = FidelityJob(
        source=indexed(clip, is_stamped=False),
        encoding=find_encoding("mjpeg-fine"),
        settings=FidelitySettings(generations=1, frames=2, metrics=("psnr",)),
        thread_count=1,
        scratch_dir=str(tmp_path),
    )
    measured = run_fidelity(job, perf_counter_ns).measurement
    returned = planes_of(next(decoded_frames(tmp_path / "generation-1.mov", 1)))
    by_hand = [returned[0] / 255 * 876 + 64, *((p - 128.0) / 255 * 896 + 512 for p in returned[1:])]
    errors = [np.mean((was - now) ** 2) for was, now in zip(planes, by_hand, strict=True)]
    assert measured.generations[0].quality.squared_error[0] == pytest.approx(errors)
