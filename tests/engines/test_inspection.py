"""Inspection: what it says of clips whose making is known."""

from pathlib import Path

import av
import pytest

from fixtures.clip_zoo import RATE, ZOO, ZooClip, avc, hevc, make_zoo_clip
from mezzmark.engines.media.inspection import inspect_media
from mezzmark.model.footage import ColourTags
from mezzmark.model.inspection import name_tags

GROUPS = {
    "avc-mp4": "closed",
    "avc-mp4-no-b": "closed",
    "avc-mp4-open-gop": "open",
    "avc-mp4-intra-refresh": "open",
    "avc-ts": "closed",
    "hevc-mp4-open-gop": "open",
    "hevc-mkv-closed-gop": "closed",
    "mpeg2-mxf-long-gop": "open",
    "avc-mov-intra-10-bit": "intra",
    "rdd36-mxf": "intra",
    "ffv1-mkv": "intra",
}


@pytest.mark.parametrize("kind", GROUPS)
def test_group_kind_is_that_of_the_encoder(kind: str, tmp_path: Path) -> None:
    """Open, closed and intra are told apart as the encoder was set; groups hold 12 frames."""
    found = inspect_media(make_zoo_clip(ZOO[kind], tmp_path))
    assert found.group_kind == GROUPS[kind]
    assert found.keyframe_interval_frames is not None
    interval = 1 if found.group_kind == "intra" else 12
    assert found.keyframe_interval_frames.median == interval
    assert found.keyframe_spacing_s is not None
    assert found.keyframe_spacing_s.median == pytest.approx(interval * 1001 / 24000, abs=1e-3)


def test_b_frame_share_is_that_of_the_group_structure(tmp_path: Path) -> None:
    """A closed group of 12 is I bbP bbP bbP bP: 7 of 12 pictures are B."""
    found = inspect_media(make_zoo_clip(ZOO["avc-mp4"], tmp_path))
    assert found.b_frame_fraction == pytest.approx(7 / 12)
    none = inspect_media(make_zoo_clip(ZOO["avc-mp4-no-b"], tmp_path))
    assert none.b_frame_fraction == 0


@pytest.mark.parametrize(
    ("kind", "rate_kind"),
    [
        ("avc-mp4", "constant"),
        ("avc-mkv", "constant"),
        ("avc-ts", "constant"),
        ("avc-mp4-uneven", "variable"),
        ("avc-mkv-uneven-audio", "variable"),
    ],
)
def test_rate_kind_sees_through_the_ticks_of_containers(
    kind: str, rate_kind: str, tmp_path: Path
) -> None:
    """Times rounded to a container's ticks stay constant rate; uneven ones do not, and are
    warned of."""
    found = inspect_media(make_zoo_clip(ZOO[kind], tmp_path))
    assert found.rate_kind == rate_kind
    assert ("variable_rate" in found.warnings) == (rate_kind == "variable")
    if rate_kind == "constant":
        assert found.measured_rate == RATE


def test_bit_rate_over_time_adds_up_to_the_file(tmp_path: Path) -> None:
    """Seconds of bit rate, weighted by their lengths (the last is half a second and a bit), are
    the video packets' bits; the mean is bits over the frames' duration."""
    frames = 36
    path = make_zoo_clip(ZOO["rdd36-mov"], tmp_path, frame_count=frames)
    found = inspect_media(path)
    with av.open(str(path)) as container:
        bits = sum(packet.size for packet in container.demux(video=0)) * 8
    duration_s = frames * 1001 / 24000
    rates = found.bitrate_by_second_bps
    assert len(rates) == 2
    assert rates[0] + rates[1] * (duration_s - 1) == pytest.approx(bits)
    assert found.bitrate_bps == pytest.approx(bits / duration_s)


def test_excerpt_is_read_and_said(tmp_path: Path) -> None:
    """One second of a two-second clip: 24 frames, marked as an excerpt and warned of."""
    found = inspect_media(make_zoo_clip(ZOO["rdd36-mov"], tmp_path), max_duration_s=1.0)
    assert (found.examined_frame_count, found.is_excerpt) == (24, True)
    assert found.examined_duration_s == pytest.approx(24 * 1001 / 24000)
    assert found.warnings == ("excerpt",)


def test_file_that_cannot_be_measured_is_still_described(tmp_path: Path) -> None:
    """AVC with B frames in MXF: the facts are there, and the refusal says why and what to do."""
    clip = avc("mxf")
    found = inspect_media(make_zoo_clip(clip, tmp_path))
    assert found.media.codec == "AVC"
    assert "disagree" in found.refusal
    assert found.b_frame_fraction is None
    assert found.refusal_remedy


def test_each_trait_is_warned_of_where_it_is_and_only_there(tmp_path: Path) -> None:
    """Long groups, missing range and missing container index are named; an intra file with tags
    has nothing to be warned of."""
    long = inspect_media(make_zoo_clip(ZOO["avc-ts"], tmp_path))
    assert long.warnings == ("long_groups", "one_slice", "range_missing", "no_seek_index")
    assert inspect_media(make_zoo_clip(ZOO["rdd36-mov"], tmp_path)).warnings == ()


def test_untagged_hd_is_warned_of(tmp_path: Path) -> None:
    """From 720 lines on a missing matrix matters, since programs guess differently."""
    path = tmp_path / "hd.mkv"
    with av.open(str(path), "w") as container:
        track = container.add_stream("mpeg2video", rate=25)
        track.width, track.height, track.pix_fmt = 1280, 720, "yuv420p"
        container.mux(track.encode(av.VideoFrame(1280, 720, "yuv420p")))
        container.mux(track.encode(None))
    found = inspect_media(path)
    assert found.media.tags == ColourTags(colour_range=found.media.tags.colour_range)
    assert "tags_missing" in found.warnings


@pytest.mark.parametrize(
    ("clip", "slices"),
    [
        (avc("mp4", "slices=3"), 3),
        (avc("ts", "slices=4"), 4),
        (hevc("mkv", "slices=2"), 2),
        (ZOO["avc-mkv"], 1),
        (ZOO["mpeg2-mxf-long-gop"], 12),
        (ZOO["rdd36-mov"], None),
    ],
)
def test_slices_are_counted_as_the_encoder_was_told(
    clip: ZooClip, slices: int | None, tmp_path: Path
) -> None:
    """With lengths and with start codes; MPEG-2 has one or more a row of 16 lines, 12 rows here."""
    found = inspect_media(make_zoo_clip(clip, tmp_path, frame_count=14)).slice_count
    assert (found and found.median) == slices


def test_audio_tracks_are_listed(tmp_path: Path) -> None:
    """Codec and sampling rate as the test made them."""
    (track,) = inspect_media(make_zoo_clip(ZOO["avc-mp4-audio"], tmp_path)).audio_tracks
    assert (track.codec, track.sample_rate_hz) == ("aac", 48000)


def test_tags_have_the_names_of_the_standard() -> None:
    """ITU-T H.273 (07/2021): primaries 9 is BT.2020 (table 2), transfer 16 is ST 2084 (table 3),
    matrix 9 is BT.2020 non-constant luminance (table 4); others are given by number."""
    names = name_tags(ColourTags(colour_range=1, primaries=9, transfer=16, matrix=9))
    assert names.colour_range == "limited"
    assert names.primaries == "BT.2020"
    assert names.transfer == "SMPTE ST 2084 (PQ)"
    assert names.matrix == "BT.2020 non-constant luminance"
    assert name_tags(ColourTags(matrix=200)).matrix == "code 200 (reserved)"
