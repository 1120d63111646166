"""Prepared encodings: all pictures, their times, their range, and the cache."""

import shutil
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.encoded_pictures import (
    BT709_LIMITED,
    FRAME_COUNT,
    RATE,
    SMALL,
    decode_all,
    draw_pictures,
    stamp_in,
    stored_facts,
)
from fixtures.scrubbed import indexed, scrubbed
from mezzmark.engines.encode import encoded_file
from mezzmark.engines.encode.encoded_file import prepare_encoding, write_frames
from mezzmark.engines.encode.encoders import open_encoder
from mezzmark.engines.encode.timing import evenly_timed
from mezzmark.engines.media.frame_index import build_frame_index, read_frame_index
from mezzmark.engines.media.pixels import frame_from_planes, planes_of
from mezzmark.engines.media.probe import probe_media
from mezzmark.engines.media.shape import carry_shape, mark_fields
from mezzmark.model.catalogue.core import find_encoding, resolve_custom
from mezzmark.model.encoding import CustomEncoding, Encoding
from mezzmark.model.errors import EncodingError, FootageError, NotMadeError
from mezzmark.model.footage import FieldOrder, FrameIndex
from mezzmark.model.jobs import PreparedMedia
from mezzmark.model.preparations import PrepareEncodingJob
from mezzmark.model.tasks.spec import MediaReference

MILLISECOND = Fraction(1, 1000)
EVEN_MS = tuple(40 * n for n in range(FRAME_COUNT))
UNEVEN_MS = tuple(40 * n + 17 * (n % 3) for n in range(FRAME_COUNT))


def make_source(folder: Path, times_ms: tuple[int, ...]) -> tuple[MediaReference, FrameIndex]:
    """The drawn pictures as long-GOP AVC in Matroska, shown at these times."""
    path = folder / "source.mkv"
    frames, _ = draw_pictures("yuv420p")
    with av.open(str(path), "w", format="matroska") as container:
        track = container.add_stream("libx264", rate=RATE)
        track.width, track.height = SMALL
        track.pix_fmt = "yuv420p"
        track.codec_context.time_base = MILLISECOND
        track.codec_context.options = {"crf": "12", "bf": "2", "g": "12"}
        track.codec_context.max_b_frames = 2
        for frame, time_ms in zip(frames, times_ms, strict=True):
            frame.pts, frame.time_base = time_ms, MILLISECOND
            container.mux(track.encode(frame))
        container.mux(track.encode())
    return index_source(folder, build_frame_index(path, is_stamped=True))


def index_source(folder: Path, index: FrameIndex) -> tuple[MediaReference, FrameIndex]:
    """Write the index down and refer to it."""
    return indexed(index.path, folder, index), index


def prepare(
    source: MediaReference, encoding: Encoding, folder: Path
) -> tuple[PreparedMedia, list[str]]:
    """Prepare in this process; the prepared file and the messages on the way."""
    messages: list[str] = []
    job = PrepareEncodingJob(
        source=source, encoding=encoding, thread_count=1, cache_dir=str(folder / "cache")
    )
    return prepare_encoding(job, lambda message, _: messages.append(message)), messages


def in_container(name: str, container: str) -> Encoding:
    """A catalogue encoding in another container."""
    return resolve_custom(
        CustomEncoding.model_validate({"name": "x", "codec": name, "container": container})
    )


@pytest.mark.parametrize("name", ["vc3-sq", "rdd36-lt-fast", "avc-long", "ffv1", "mpeg2-intra"])
def test_every_picture_is_there_once_and_in_order(name: str, tmp_path: Path) -> None:
    """The prepared file holds all pictures by stamp, at the clip's rate; its index says the same;
    the source is untouched; a second call finds it in the cache."""
    source, _ = make_source(tmp_path, EVEN_MS)
    before = Path(source.media_path).read_bytes()
    made, _ = prepare(source, find_encoding(name), tmp_path)
    frames = decode_all(Path(made.media.media_path))
    assert [stamp_in(frame) for frame in frames] == list(range(FRAME_COUNT))
    assert [round(1000 * frame.time) for frame in frames] == list(EVEN_MS)
    index = read_frame_index(made.media.index_path)
    assert index.stamps == tuple(range(FRAME_COUNT))
    assert (made.frame_count, made.file_bytes) == (
        FRAME_COUNT,
        Path(made.media.media_path).stat().st_size,
    )
    assert made.duration_s == pytest.approx(FRAME_COUNT / 25)
    assert not made.was_cached
    assert Path(source.media_path).read_bytes() == before
    again, messages = prepare(source, find_encoding(name), tmp_path)
    assert again.was_cached
    assert (again.media, again.fingerprint) == (made.media, made.fingerprint)
    assert not messages


def sent_job(source: MediaReference, folder: Path, path: Path) -> PrepareEncodingJob:
    """The file at `path` came from desk-a, to be kept in the folder's cache."""
    cache = folder / "cache"
    cache.mkdir()
    sent = str(shutil.copy(path, cache / "sent"))
    told = {"thread_count": 1, "cache_dir": str(cache), "made_path": sent, "made_by": "desk-a"}
    return PrepareEncodingJob(source=source, encoding=find_encoding("ffv1"), **told)


def test_a_file_made_elsewhere_is_kept_as_ones_own(tmp_path: Path) -> None:
    """Not there while it is only sought; then the same file and index as those made here, found
    again with the name of who made it."""
    source, _ = make_source(tmp_path, EVEN_MS)
    here, _ = prepare(source, find_encoding("ffv1"), tmp_path / "made here")
    job = sent_job(source, tmp_path, Path(here.media.media_path))
    sought = job.model_copy(update={"is_sought": True, "made_path": "", "made_by": ""})
    with pytest.raises(NotMadeError):
        prepare_encoding(sought, lambda *_: None)
    made = prepare_encoding(job, lambda *_: None)
    assert made == here.model_copy(update={"media": made.media, "made_by": "desk-a"})
    index = read_frame_index(made.media.index_path)
    assert index == read_frame_index(here.media.index_path).model_copy(update={"path": index.path})
    assert prepare_encoding(sought, lambda *_: None) == made.model_copy(update={"was_cached": True})


def test_a_file_of_other_pictures_made_elsewhere_is_refused(tmp_path: Path) -> None:
    """One that lacks the last picture: EncodingError, and nothing is kept."""
    source, index = make_source(tmp_path, EVEN_MS)
    path, fewer = tmp_path / "fewer.mkv", encoded_file.first_frames(index, FRAME_COUNT - 1)
    given = {"encoding": find_encoding("ffv1"), "thread_count": 1, "height_px": None}
    encoded_file.encode_clip(source.media_path, fewer, path, **given)
    job = sent_job(source, tmp_path, path)
    with pytest.raises(EncodingError, match=f"{FRAME_COUNT - 1} came back"):
        prepare_encoding(job, lambda *_: None)
    assert not list((tmp_path / "cache").iterdir())


def make_interlaced(folder: Path, order: FieldOrder, pixel_format: str) -> MediaReference:
    """Pictures of two fields whose lines differ in luma and chroma, told to encoder and MOV."""
    encoding = find_encoding("uncompressed-10") if "422" in pixel_format else INTERLACED_420
    frames = []
    for _ in range(3):
        planes = planes_of(av.VideoFrame(*SMALL, pixel_format))
        striped = [np.full_like(plane, 100) for plane in planes]
        for plane in striped:
            plane[1::2] = 150  # the bottom field
        frame = frame_from_planes(tuple(striped), pixel_format, BT709_LIMITED)
        frames.append(mark_fields(frame, order))
    source = stored_facts(encoding, SMALL, field_order=order, sample_aspect=Fraction(64, 45))
    path = folder / f"fields.{encoding.container}"
    encoder = open_encoder(
        path,
        encoding,
        size=SMALL,
        frame_rate=RATE,
        tags=BT709_LIMITED,
        thread_count=1,
        prepare=carry_shape(encoding, source),
    )
    write_frames(evenly_timed(frames, RATE), encoder)
    return index_source(folder, build_frame_index(path, is_stamped=False))[0]


def test_an_aspect_survives_where_the_file_says_what_follows_from_the_clip(tmp_path: Path) -> None:
    """Of an own clip whose samples are 64:45, three quarters as many samples a line are 256:135: a
    file that says so has kept the aspect, one that says nothing has lost it."""
    source = make_interlaced(tmp_path, "top first", "yuv420p")
    scale = {"scale": (Fraction(3, 4), Fraction(1))}
    for name in ("rdd36-lt", "ffv1"):
        encoding = find_encoding(name).model_copy(update=scale)
        job = PrepareEncodingJob(
            source=source,
            encoding=encoding,
            thread_count=1,
            cache_dir=str(tmp_path / "cache"),
            fingerprint="own",
        )
        made = prepare_encoding(job, lambda _message, _share: None)
        told = next(one for one in made.survives if one.thing == "sample_aspect")
        assert told.clip == "256/135"
        assert (told.file, made.is_aspect_lost) == (
            (None, True) if encoding.container == "mkv" else ("256/135", False)
        )


INTERLACED_420 = find_encoding("lossless-fast").model_copy(update={"pixel_format": "yuv420p"})
"""Its container alone tells of fields: decoded frames do not."""


@pytest.mark.parametrize("order", ["top first", "bottom first"])
@pytest.mark.parametrize(
    "name", ["rdd36-lt", "rdd36-hq-fast", "ffv1", "uncompressed-10", "avc-intra", "mpeg2-intra"]
)
def test_fields_and_sample_aspect_come_through(
    name: str, order: FieldOrder, tmp_path: Path
) -> None:
    """An encoding of interlaced 4:2:0 has the clip's order of fields and aspect of samples in its
    file, and no line of chroma took anything from the other field."""
    source = make_interlaced(tmp_path, order, "yuv420p")
    encoding = find_encoding(name)
    made, _ = prepare(source, encoding, tmp_path)
    facts = probe_media(made.media.media_path)
    assert facts.field_order == order
    is_lost = encoding.container == "mkv"
    assert facts.sample_aspect == (None if is_lost else Fraction(64, 45))
    assert made.is_aspect_lost == is_lost
    planes = planes_of(decode_all(Path(made.media.media_path))[0])
    unit = planes[0].max() / 150
    for plane in planes:
        assert abs(plane[2::2].mean() / unit - 100) < 3
        assert abs(plane[3::2].mean() / unit - 150) < 3


@pytest.mark.parametrize("name", ["hevc-intra", "vc3-sq", "jpeg2000-good"])
def test_what_cannot_hold_fields_is_left_out(name: str, tmp_path: Path) -> None:
    """With the reason, before anything is encoded."""
    source = make_interlaced(tmp_path, "top first", "yuv422p10le")
    with pytest.raises(EncodingError, match="interlaced"):
        prepare(source, find_encoding(name), tmp_path)


def test_an_order_of_fields_that_is_lost_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that says nothing of fields, though its encoder was told, is not measured."""
    source = make_interlaced(tmp_path, "top first", "yuv422p10le")
    bare = resolve_custom(CustomEncoding(name="x", encoder="mjpeg", pixel_format="yuvj422p"))
    nothing = lambda _encoding, _source: lambda _container, _context: None  # noqa: E731
    monkeypatch.setattr(encoded_file, "carry_shape", nothing)
    with pytest.raises(EncodingError, match="top first"):
        prepare(source, bare, tmp_path)


def test_a_proxy_holds_every_picture_at_its_size(tmp_path: Path) -> None:
    """Half of width and height, all pictures in order; a move to each is proved to show it."""
    source, _ = make_source(tmp_path, EVEN_MS)
    made, _ = prepare(source, find_encoding("mjpeg-good-half"), tmp_path)
    frames = decode_all(Path(made.media.media_path))
    assert {(f.width, f.height) for f in frames} == {(SMALL[0] // 2, SMALL[1] // 2)}
    assert len(frames) == FRAME_COUNT
    stamps = [stamp_in(frame) for frame in frames]
    assert all(stamp in (None, n) for n, stamp in enumerate(stamps))
    asked = [(5 * n) % FRAME_COUNT for n in range(FRAME_COUNT)]
    found = scrubbed(made.media, asked, policy="roll")
    assert set(found.proof) == set(found.view_proof) == {"right"}


def test_another_setting_is_another_file(tmp_path: Path) -> None:
    """Changed options make a new file; a changed name alone does not."""
    source, _ = make_source(tmp_path, EVEN_MS)
    encoding = find_encoding("mjpeg-fine")
    first, _ = prepare(source, encoding, tmp_path)
    renamed, _ = prepare(source, encoding.model_copy(update={"name": "y"}), tmp_path)
    coarser, _ = prepare(source, find_encoding("mjpeg-draft"), tmp_path)
    assert renamed.media == first.media
    assert coarser.media != first.media
    assert coarser.file_bytes < first.file_bytes


@pytest.mark.parametrize("container", ["mov", "mp4", "mkv"])
def test_uneven_times_are_kept_where_the_container_has_them(container: str, tmp_path: Path) -> None:
    """Pictures of a variable rate keep their own times to the millisecond in MOV, MP4 and MKV."""
    source, _ = make_source(tmp_path, UNEVEN_MS)
    made, _ = prepare(source, in_container("avc-long", container), tmp_path)
    frames = decode_all(Path(made.media.media_path))
    assert [round(1000 * frame.time) for frame in frames] == list(UNEVEN_MS)
    assert [stamp_in(frame) for frame in frames] == list(range(FRAME_COUNT))


def test_uneven_times_are_evened_out_elsewhere_and_that_is_said(tmp_path: Path) -> None:
    """MXF counts pictures: all are kept, evenly spaced, and the messages say at what rate."""
    times_ms = tuple(40 * n + (17 if 0 < n < FRAME_COUNT - 1 else 0) for n in range(FRAME_COUNT))
    source, _ = make_source(tmp_path, times_ms)
    made, messages = prepare(source, in_container("vc3-sq", "mxf"), tmp_path)
    frames = decode_all(Path(made.media.media_path))
    assert [stamp_in(frame) for frame in frames] == list(range(FRAME_COUNT))
    assert [round(1000 * frame.time) for frame in frames] == list(EVEN_MS)
    assert all("spaced evenly at 25.000" in message for message in messages)
    assert messages


def test_only_the_pictures_of_the_index_are_encoded(tmp_path: Path) -> None:
    """An index of an excerpt from the middle gives a file of that excerpt."""
    _, index = make_source(tmp_path, EVEN_MS)
    whole = index.model_dump()
    names = ("pts", "is_keyframe", "packet_bytes", "digests", "sparse_digests", "stamps")
    cut = {name: whole[name][3:8] for name in names}
    source, _ = index_source(tmp_path, index.model_copy(update=cut))
    made, _ = prepare(source, find_encoding("vc3-sq"), tmp_path)
    frames = decode_all(Path(made.media.media_path))
    assert [stamp_in(frame) for frame in frames] == [3, 4, 5, 6, 7]


def test_pictures_out_of_order_are_not_let_through(tmp_path: Path) -> None:
    """Planted: the index claims two pictures the other way round than the file has them. The
    proof after encoding refuses, and nothing stays in the cache."""
    _, index = make_source(tmp_path, EVEN_MS)
    swapped = (0, 1, 3, 2, *index.stamps[4:])
    source, _ = index_source(tmp_path, index.model_copy(update={"stamps": swapped}))
    with pytest.raises(EncodingError, match="in another order"):
        prepare(source, find_encoding("vc3-sq"), tmp_path)
    assert list((tmp_path / "cache").iterdir()) == []


def test_a_clip_that_the_codec_cannot_hold_is_refused(tmp_path: Path) -> None:
    """Size rules are checked before anything is made."""
    source, _ = make_source(tmp_path, EVEN_MS)
    with pytest.raises(EncodingError, match="1920x1080"):
        prepare(source, find_encoding("vc3-hd-45"), tmp_path)
    assert not (tmp_path / "cache").exists()


@pytest.mark.parametrize("name", ["rdd36-lt", "rdd36-hq", "rdd36-4444"])
def test_encoders_given_every_core_make_the_same_file_on_any_machine(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On one core and on seven: byte for byte."""
    source, _ = make_source(tmp_path, EVEN_MS)
    assert find_encoding(name).encoder in encoded_file.ANY_THREADS
    made = []
    for cores in (1, 7):
        monkeypatch.setattr(encoded_file, "read_usable_core_count", lambda cores=cores: cores)
        made.append(prepare(source, find_encoding(name), tmp_path / str(cores))[0].fingerprint)
    assert made[0] == made[1]


def test_frames_made_ahead_keep_their_order_and_their_faults() -> None:
    """Each comes once, in order; what the making raises is raised where the frame was awaited."""
    frames = [av.VideoFrame(16, 16, "yuv420p") for _ in range(9)]

    def broken() -> Iterator[av.VideoFrame]:
        yield frames[0]
        raise FootageError(where="frame 1", what="is damaged", remedy="")

    assert list(encoded_file.made_ahead(frames)) == frames
    ahead = encoded_file.made_ahead(broken())
    assert next(ahead) is frames[0]
    with pytest.raises(FootageError, match="frame 1"):
        next(ahead)
