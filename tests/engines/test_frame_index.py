"""The index: excerpts, refusals with their reason, and its file."""

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import pytest

from fixtures.clip_zoo import FRAME_COUNT, RATE, ZOO, ZooClip, avc, make_zoo_clip, stamped_frames
from mezzmark.engines.media import frame_index
from mezzmark.engines.media.frame_index import (
    build_frame_index,
    read_frame_index,
    write_frame_index,
)
from mezzmark.engines.media.probe import (
    describe_media,
    exact_fraction,
    open_media,
    probe_media,
)
from mezzmark.model.errors import FootageError

TRAIL_N, UNSPECIFIED = 0, 48
"""NAL unit types of ITU-T H.265, table 7-1: a picture that no other of its layer refers to, and
the first type that is unspecified, which decoders ignore. They stand in bits 1 to 6 of the byte
after the four of the unit's length (7.3.1.2)."""

REORDERED = {"mxf": avc("mxf", "bframes=2"), "avi": avc("avi", "bframes=2")}


@pytest.mark.parametrize("ending", REORDERED)
def test_packet_times_that_disagree_with_pictures_are_refused(ending: str, tmp_path: Path) -> None:
    """MXF and AVI store AVC with B frames under decoding times; no exact seek is possible, and the
    error says so."""
    path = make_zoo_clip(REORDERED[ending], tmp_path)
    with pytest.raises(FootageError, match="times of its packets and of its pictures disagree"):
        build_frame_index(path)


def test_bare_stream_without_times_is_refused(tmp_path: Path) -> None:
    """An elementary stream has no presentation times, or no way to seek."""
    path = make_zoo_clip(avc("h264"), tmp_path)
    with pytest.raises(FootageError) as caught:
        build_frame_index(path)
    assert "MOV" in caught.value.remedy


def test_container_that_refuses_seeks_is_refused(tmp_path: Path) -> None:
    """FFmpeg decodes VC-2 from MKV but refuses every seek there; the error says that."""
    clip = ZooClip(encoder="vc2", ending="mkv", options={"b": "20M"}, pixel_format="yuv422p")
    with pytest.raises(FootageError, match="seeking in it fails"):
        build_frame_index(make_zoo_clip(clip, tmp_path, frame_count=4))


def test_picture_that_vanishes_without_a_trace_is_missed(tmp_path: Path) -> None:
    """A packet whose picture the decoder passes over in silence (a NAL unit type that ITU-T H.265
    leaves unspecified) makes the file damaged, with the count."""
    path = make_zoo_clip(ZOO["hevc-mkv-closed-gop"], tmp_path)
    holed, hole_count = tmp_path / "holed.mkv", 0
    with av.open(str(path)) as source, av.open(str(holed), "w") as target:
        track = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.size:
                data = bytearray(bytes(packet))
                if data[4] >> 1 == TRAIL_N and not hole_count:
                    data[4], hole_count = UNSPECIFIED << 1, 1
                copied = av.Packet(bytes(data))
                copied.pts, copied.dts, copied.time_base = packet.pts, packet.dts, packet.time_base
                copied.is_keyframe = packet.is_keyframe
                copied.stream = track
                target.mux(copied)
    with pytest.raises(FootageError, match=f"1 of {FRAME_COUNT} pictures in the file"):
        build_frame_index(holed)


@pytest.mark.parametrize(
    ("seconds", "frames"), [(0.5, 12), (1.001, 24), (1.002, 25), (0.001, 1), (99.0, 48)]
)
def test_excerpt_holds_the_frames_that_start_within_it(
    seconds: float, frames: int, tmp_path: Path
) -> None:
    """At 24000/1001 frames a second, frame n starts at 1001·n/24000 s: 12 frames in half a
    second, 24 in 1.001 s to the tick, the first always, and all when the clip is shorter."""
    index = build_frame_index(make_zoo_clip(ZOO["avc-mp4"], tmp_path), max_duration_s=seconds)
    assert index.frame_count == frames
    assert index.stamps == tuple(range(frames))


def test_key_frames_and_sizes_belong_to_their_pictures(tmp_path: Path) -> None:
    """Key frames stand where the encoder was told to put them, and each picture has the size of
    the packet of its own time, though packets come in another order."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    index = build_frame_index(path)
    assert [n for n, is_key in enumerate(index.is_keyframe) if is_key] == [0, 12, 24, 36]
    with av.open(str(path)) as container:
        packets = [(packet.pts, packet.size) for packet in container.demux(video=0) if packet.size]
    assert packets != sorted(packets)
    assert list(zip(index.pts, index.packet_bytes, strict=True)) == sorted(packets)


@pytest.mark.parametrize("kind", ["rdd36-mxf", "raw-nut", "avc-mkv"])
def test_rate_is_found_where_the_file_states_none(kind: str, tmp_path: Path) -> None:
    """Files without frame count or rate still get the rate at which they were made."""
    index = build_frame_index(make_zoo_clip(ZOO[kind], tmp_path))
    assert index.frame_rate == RATE


def test_stamps_are_found_out_and_can_be_left_alone(tmp_path: Path) -> None:
    """Unknown origin: nine in ten stamps in order make a stamped clip; told not to look, the
    index holds none; pictures without stamps are not taken for stamped."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    assert build_frame_index(path).is_stamped
    unread = build_frame_index(path, is_stamped=False)
    assert (unread.is_stamped, set(unread.stamps)) == (False, {-1})
    plain = tmp_path / "plain.mkv"
    with av.open(str(plain), "w") as container:
        track = container.add_stream("ffv1", rate=RATE)
        track.width, track.height, track.pix_fmt = 64, 48, "yuv420p"
        for frame in stamped_frames(4, "yuv420p"):
            shrunk = frame.reformat(width=64, height=48)
            shrunk.pts = frame.pts
            container.mux(track.encode(shrunk))
        container.mux(track.encode(None))
    assert not build_frame_index(plain).is_stamped


@pytest.mark.parametrize("kind", sorted(ZOO))
def test_an_index_made_in_parts_is_that_of_one_decode(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the groups of pictures are like, with several threads a part: parts that cannot be
    put together are not used."""
    monkeypatch.setattr(frame_index, "read_usable_core_count", lambda: 9)
    path = make_zoo_clip(ZOO[kind], tmp_path)
    assert build_frame_index(path, has_closed_groups=True) == build_frame_index(path)


@pytest.mark.parametrize("kind", ["rdd36-mov", "avc-mp4"])
def test_parts_must_agree_where_they_meet(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Intra files and closed groups are read in parts; a picture that two of them decode otherwise
    sends the file back to one decoder."""
    monkeypatch.setattr(frame_index, "read_usable_core_count", lambda: 3)
    facts = probe_media(make_zoo_clip(ZOO[kind], tmp_path))
    whole = frame_index._read_in_parts(facts, True)
    assert whole is not None
    assert whole.stamps == list(range(FRAME_COUNT))
    read_part = frame_index._read_part

    def read_other(*place: Any) -> Any:
        part = read_part(*place)
        part.digests[0] = "of another picture"
        return part

    monkeypatch.setattr(frame_index, "_read_part", read_other)
    assert frame_index._read_in_parts(facts, True) is None


def test_index_survives_its_file_and_is_written_whole(tmp_path: Path) -> None:
    """Read back it is equal; writing again replaces it and leaves nothing beside it."""
    index = build_frame_index(make_zoo_clip(ZOO["rdd36-mov"], tmp_path))
    folder = tmp_path / "derived"
    folder.mkdir()
    write_frame_index(index, folder / "index.json")
    write_frame_index(index, folder / "index.json")
    assert read_frame_index(folder / "index.json") == index
    assert [entry.name for entry in folder.iterdir()] == ["index.json"]


def test_progress_is_told_and_never_beyond_the_whole(tmp_path: Path) -> None:
    """Every sixteen frames a message and a share between 0 and 1, rising."""
    told: list[float] = []
    build_frame_index(
        make_zoo_clip(ZOO["avc-mp4"], tmp_path), advance=lambda _, share: told.append(share)
    )
    assert len(told) == FRAME_COUNT // 16
    assert told == sorted(told)
    assert 0 < told[0] < told[-1] <= 1


def test_footage_is_only_read(tmp_path: Path) -> None:
    """Indexing works on a file and folder without write permission and changes neither."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    path.chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        build_frame_index(path)
    finally:
        tmp_path.chmod(0o755)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_media_facts_are_those_the_encoder_was_given(tmp_path: Path) -> None:
    """Codec by its standard, container, chroma and depth, count, rate and audio as made."""
    facts = probe_media(make_zoo_clip(ZOO["avc-mp4-audio"], tmp_path))
    assert (facts.codec, facts.container, facts.chroma, facts.bit_depth) == (
        "AVC",
        "mp4",
        "4:2:0",
        8,
    )
    assert (facts.width_px, facts.height_px, facts.frame_rate) == (320, 180, RATE)
    assert (facts.stated_frame_count, facts.audio_track_count) == (FRAME_COUNT, 1)
    assert facts.has_b_frames
    tall = probe_media(make_zoo_clip(ZOO["rdd36-mov"], tmp_path))
    assert (tall.codec, tall.container, tall.chroma, tall.bit_depth) == (
        "RDD 36",
        "mov",
        "4:2:2",
        10,
    )


class _Rational:
    def __init__(self, numerator: int, denominator: int) -> None:
        self.numerator, self.denominator = numerator, denominator


def test_unknown_rationals_of_both_library_generations_become_none() -> None:
    """None (one generation) and 0/1 or 0/0 (the next) mean unknown, as what is below zero does."""
    assert exact_fraction(None) is None
    assert exact_fraction(_Rational(0, 1)) is None
    assert exact_fraction(_Rational(0, 0)) is None
    assert exact_fraction(_Rational(-25, 1)) is None
    assert exact_fraction(_Rational(24000, 1001)) == Fraction(24000, 1001)


class _Damaged:
    """A container or a stream that states something else."""

    def __init__(self, whole: Any, **stated: Any) -> None:
        self.whole, self.stated = whole, stated

    def __getattr__(self, name: str) -> Any:
        return self.stated[name] if name in self.stated else getattr(self.whole, name)


def test_a_stated_length_or_count_below_zero_is_unknown(tmp_path: Path) -> None:
    """A damaged header is told as one that says nothing; the container's length stands in."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    with open_media(path) as (container, track):
        damaged: Any = _Damaged(track, duration=-5, frames=-3)
        facts = describe_media(container, damaged, path)
        assert facts.stated_frame_count is None
        assert facts.duration_s == container.duration / 1_000_000  # AV_TIME_BASE
        nowhere: Any = _Damaged(container, duration=-7)
        assert describe_media(nowhere, damaged, path).duration_s is None
