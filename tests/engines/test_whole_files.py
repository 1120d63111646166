"""Files of own footage are whole: sound to the sample, timecode, reel, tags and turning."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.awkward_clips import NTSC, TURNED, AwkwardClip, decode_sound, make_awkward_clip, noise
from fixtures.scrubbed import scrubbed
from mezzmark.engines.encode.encoded_file import prepare_encoding
from mezzmark.engines.encode.ingest import run_ingest
from mezzmark.engines.encode.whole_file import read_extras
from mezzmark.engines.footage.originals import prepare_own
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.host.common import read_clock_ns
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.jobs import PreparedMedia
from mezzmark.model.preparations import PrepareEncodingJob, PrepareOwnJob
from mezzmark.model.tasks.ingest import IngestJob, IngestSource

HD_SAMPLES = 48_048
"""Of 30 pictures at 30000/1001 and 48 kHz: 48,048.0."""


def encoding_in(container: str) -> str:
    """One that the container holds."""
    return "avc-long" if container == "mp4" else "rdd36-proxy-fast"


def prepare(
    clip: Path | AwkwardClip,
    folder: Path,
    name: str = "",
    container: str = "mov",
    excerpt_s: float | None = None,
) -> tuple[PreparedMedia, Path]:
    """A clip prepared as the user's own, and the prepared file."""
    path = make_awkward_clip(clip, folder) if isinstance(clip, AwkwardClip) else clip
    cache, silent = str(folder / "cache"), lambda *_: None
    own = PrepareOwnJob(media_path=str(path), excerpt_s=excerpt_s, cache_dir=cache)
    source = prepare_own(own, silent)
    job = PrepareEncodingJob(
        source=source.media,
        fingerprint=source.fingerprint,
        encoding=find_encoding(name or encoding_in(container)).model_copy(
            update={"container": container}
        ),
        thread_count=1,
        cache_dir=cache,
    )
    made = prepare_encoding(job, silent)
    return made, Path(made.media.media_path)


def state_of(made: PreparedMedia, thing: str) -> str:
    """What became of a thing."""
    return next(one.state for one in made.survives if one.thing == thing)


@pytest.mark.parametrize("container", ["mov", "mkv", "mxf"])
@pytest.mark.parametrize(
    ("layouts", "codec"), [(["mono"] * 4, "pcm_s16le"), (["5.1", "stereo"], "pcm_s24le")]
)
def test_every_track_comes_back_sample_for_sample(
    container: str, layouts: list[str], codec: str, tmp_path: Path
) -> None:
    """Four mono tracks and 5.1 beside stereo, of 1 s under 1.001 s of pictures: each equal, in its
    own depth, then silence to the end of the last picture; no picture is lost, in MXF neither."""
    clip = AwkwardClip(layouts=layouts, codec=codec)
    made, path = prepare(clip, tmp_path, container=container)
    assert made.frame_count == 30
    for number, layout in enumerate(layouts):
        found, first = decode_sound(path, number)
        wanted = noise(number, 48_000, {"mono": 1, "5.1": 6, "stereo": 2}[layout])
        wanted = (wanted >> 16).astype(np.int16) if codec == "pcm_s16le" else wanted
        assert first == 0
        assert found.dtype == wanted.dtype
        assert np.array_equal(found[:48_000], wanted)
        assert len(found) == HD_SAMPLES
        assert not found[48_000:].any()
    assert state_of(made, "sound") == "kept"
    assert state_of(made, "sync") == "kept"


def test_an_excerpt_is_cut_at_the_sample(tmp_path: Path) -> None:
    """Half a second of 2: 15 pictures take 24,024 samples at 48 kHz, the clip's first 24,024."""
    clip = AwkwardClip(frame_count=60, sound_s=2.0)
    made, path = prepare(clip, tmp_path, excerpt_s=0.5)
    found, _ = decode_sound(path)
    assert made.frame_count == 15
    assert np.array_equal(found, noise(0, 96_000, 2)[:24_024])


@pytest.mark.parametrize("container", ["mov", "mp4", "mkv", "mxf"])
def test_a_clap_stays_within_a_sample(container: str, tmp_path: Path) -> None:
    """Sound that begins 0.1 s after the first picture: sample 0 of it, the clap, lies 4,800 samples
    after the first picture of the file too, silence before it."""
    made, path = prepare(AwkwardClip(late_s=0.1, sound_s=0.5), tmp_path, container=container)
    found, first = decode_sound(path)
    index = read_frame_index(made.media.index_path)
    clap = int(np.flatnonzero(found.any(axis=1))[0])
    at = (first - index.pts[0] * index.time_base) * 48_000 + clap
    assert abs(at - 4_800) <= 1


@pytest.mark.parametrize("container", ["mov", "mp4", "mkv", "mxf"])
def test_players_are_not_disturbed_by_sound(container: str, tmp_path: Path) -> None:
    """Each move in a file with two tracks of sound shows the picture that was asked for."""
    made, _ = prepare(AwkwardClip(layouts=["stereo"] * 2), tmp_path, container=container)
    frames = (20, 3, 29, 4, 0, 28)
    assert scrubbed(made.media, frames).shown_frame == frames


def test_lossy_sound_is_what_its_decoder_gives(tmp_path: Path) -> None:
    """AAC comes back as decoded, rounded once to 24 bits, and ends where its track ends."""
    source = make_awkward_clip(AwkwardClip(codec="aac", ending="mp4", sound_s=0.9), tmp_path)
    _, path = prepare(source, tmp_path)
    before, _ = decode_sound(source)
    after, _ = decode_sound(path)
    assert np.abs(after[:43_200] / 2.0**31 - before[:43_200]).max() <= 2.0**-24 + 1e-9
    assert not after[43_200:].any()


def test_mxf_takes_sound_of_another_rate_at_its_own(tmp_path: Path) -> None:
    """44.1 kHz is resampled to 48 kHz, which is told as a change; no picture is lost."""
    made, path = prepare(AwkwardClip(rate_hz=44_100), tmp_path, container="mxf")
    found, _ = decode_sound(path)
    assert (made.frame_count, len(found)) == (30, HD_SAMPLES)
    assert found[:47_900].any(axis=1).all()  # a second of sound lasts a second, without holes
    assert state_of(made, "sound") == "changed"


@pytest.mark.parametrize("container", ["mov", "mp4", "mkv", "mxf"])
def test_timecode_reel_and_tags_come_along(container: str, tmp_path: Path) -> None:
    """Drop-frame timecode letter by letter in all four; the reel not in MP4; the title where the
    container has a place for it; a turned picture stays turned but in MXF."""
    tags = {"timecode": "00:59:59;28", "title": "take 3"}
    clip = AwkwardClip(tags=tags, reel="A007", matrix=TURNED, frame_count=4, layouts=())
    made, path = prepare(clip, tmp_path, container=container)
    assert read_extras(path).timecode == "00:59:59;28"
    assert state_of(made, "timecode") == "kept"
    assert state_of(made, "reel") == ("lost" if container == "mp4" else "kept")
    assert state_of(made, "rotation") == ("lost" if container == "mxf" else "kept")
    if container != "mxf":
        assert state_of(made, "tags") == "kept"


UNEVEN = [0, 1001, 2002, 3003, 6006, 6100, 7607, 9009, 10010, 11011]
"""One late, one 3 ms after another, one between two places; else 29.97 a second."""


def test_pictures_keep_to_the_sound(tmp_path: Path) -> None:
    """MXF, which counts pictures: each shown within half a frame of its time, the late one's
    forerunner longer, one left out; MOV keeps all times. The sound is the same in both."""
    clip = AwkwardClip(frame_count=10, pts=UNEVEN, sound_s=0.3)
    mxf, mxf_path = prepare(clip, tmp_path, container="mxf")
    mov, mov_path = prepare(tmp_path / "awkward.mov", tmp_path)
    index = read_frame_index(mxf.media.index_path)
    assert list(index.stamps) == [0, 1, 2, 3, 3, 3, 5, 5, 6, 7, 8, 9]
    for place, stamp in enumerate(index.stamps):
        if place == 0 or index.stamps[place - 1] != stamp:
            assert abs(place / NTSC - Fraction(UNEVEN[stamp], 30000)) <= 1 / (2 * NTSC)
    kept = read_frame_index(mov.media.index_path)
    times = [(pts - kept.pts[0]) * kept.time_base for pts in kept.pts]
    assert times == [Fraction(pts, 30000) for pts in UNEVEN]
    samples = [decode_sound(path)[0][:14_000] for path in (mxf_path, mov_path)]
    assert np.array_equal(*samples)
    assert state_of(mxf, "frame_count") == "changed"
    assert (state_of(mxf, "variable_rate"), state_of(mov, "variable_rate")) == ("lost", "kept")


def test_footage_without_sound_keeps_its_file(tmp_path: Path) -> None:
    """A clip that holds nothing beside pictures is found in the cache under the key of a synthetic
    one, and its uneven pictures are spaced evenly, as ever; sound makes another key."""
    bare = make_awkward_clip(AwkwardClip(layouts=(), frame_count=4), tmp_path)
    made, path = prepare(bare, tmp_path)
    job = PrepareEncodingJob(
        source=prepare_own(
            PrepareOwnJob(media_path=str(bare), excerpt_s=None, cache_dir=str(tmp_path / "cache")),
            lambda *_: None,
        ).media,
        encoding=find_encoding("rdd36-proxy-fast"),
        thread_count=1,
        cache_dir=str(tmp_path / "cache"),
    )
    again = prepare_encoding(job, lambda *_: None)
    assert (again.media.media_path, again.was_cached) == (str(path), True)
    assert {one.state for one in made.survives} == {"kept", "not asked"}


def test_ingest_carries_sound_too(tmp_path: Path) -> None:
    """The ingested file of an own clip has its sound, cut to the frames asked for, and timecode."""
    clip = make_awkward_clip(AwkwardClip(tags={"timecode": "01:00:00;00"}), tmp_path)
    own = PrepareOwnJob(media_path=str(clip), excerpt_s=None, cache_dir=str(tmp_path / "cache"))
    media = prepare_own(own, lambda *_: None).media
    job = IngestJob(
        sources=(IngestSource(clip="take", media=media, frame_count=10, is_own=True),),
        encoding=find_encoding("vc3-lb"),
        thread_count=1,
        job_count=1,
        order="fifo",
        height_px=None,
        scratch_dir=str(tmp_path),
    )
    run_ingest(job, read_clock_ns)
    path = tmp_path / "ingested" / "1-take.mov"
    assert np.array_equal(decode_sound(path)[0], noise(0, 48_000, 2)[:16_016])
    assert read_extras(path).timecode == "01:00:00;00"


@pytest.mark.parametrize(
    ("name", "container", "tag"),
    [("hevc-intra", "mov", "hvc1"), ("hevc-intra", "mp4", "hvc1"), ("mpeg2-intra", "mov", "m2v1")],
)
def test_no_container_carries_a_foreign_tag(
    name: str, container: str, tag: str, tmp_path: Path
) -> None:
    """HEVC is tagged as players know it; 4:2:2 MPEG-2, which FFmpeg tags as if a camera had made
    it, by its own name."""
    clip = AwkwardClip(rate=Fraction(25), frame_count=3, layouts=())
    _, path = prepare(clip, tmp_path, name, container)
    with av.open(str(path)) as found:
        assert found.streams.video[0].codec_context.codec_tag == tag
