"""Camera originals: long-GOP 4:2:0 with B frames, at their bit rate, tagged, and proved."""

from collections import Counter
from pathlib import Path

import av
import pytest
from av.video.frame import PictureType

from fixtures.scrubbed import scrubbed
from mezzmark.engines.footage.originals import prepare_original
from mezzmark.engines.media.inspection import inspect_media
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import ClipSpec, FrameIndex, OriginalSpec, Recipe
from mezzmark.model.jobs import PreparedMedia
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import PrepareOriginalJob

RECIPE = Recipe(width_px=320, height_px=180, duration_s=2.5)
KINDS = [("AVC", 8), ("AVC", 10), ("HEVC", 8), ("HEVC", 10)]


def _prepare(folder: Path, codec: str, bit_depth: int = 8, seed: int = 4) -> PreparedMedia:
    clip = ClipSpec(
        name="test",
        recipe=RECIPE.model_copy(update={"bit_depth": bit_depth}),
        original=OriginalSpec(codec=codec, bitrate_bps=1_500_000, keyframe_interval=12),
    )
    job = PrepareOriginalJob(clip=clip, seed=seed, cache_dir=str(folder))
    return prepare_original(job, lambda message, share: None)


@pytest.fixture(scope="module")
def cache_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where an original that nothing happens to is made once."""
    return tmp_path_factory.mktemp("cache")


@pytest.mark.parametrize(("codec", "bit_depth"), KINDS)
def test_an_original_is_long_gop_with_b_frames_and_tags(
    codec: str, bit_depth: int, cache_dir: Path
) -> None:
    """Every twelfth frame is a key frame, most others are B frames; 4:2:0; BT.709 limited."""
    prepared = _prepare(cache_dir, codec, bit_depth)
    with av.open(prepared.media.media_path) as container:
        stream = container.streams.video[0]
        context = stream.codec_context
        stated = (
            context.color_range,
            context.color_primaries,
            context.color_trc,
            context.colorspace,
        )
        frames = list(container.decode(stream))
    kinds = Counter(frame.pict_type for frame in frames)
    assert len(frames) == RECIPE.frame_count == 60
    assert [n for n, frame in enumerate(frames) if frame.key_frame] == [0, 12, 24, 36, 48]
    assert kinds[PictureType.B] > 30
    assert frames[0].format.name == ("yuv420p" if bit_depth == 8 else "yuv420p10le")
    assert tuple(int(value) for value in stated) == (1, 1, 1, 1)
    for frame in frames:
        seen = (frame.color_range, frame.color_primaries, frame.color_trc, frame.colorspace)
        assert tuple(int(value) for value in seen) == (1, 1, 1, 1)


@pytest.mark.parametrize("codec", ["AVC", "HEVC"])
def test_an_original_has_the_bit_rate_asked_for(codec: str, cache_dir: Path) -> None:
    """Within 20 % over 2.5 s, by file size."""
    prepared = _prepare(cache_dir, codec)
    bitrate_bps = Path(prepared.media.media_path).stat().st_size * 8 / prepared.duration_s
    assert bitrate_bps == pytest.approx(1_500_000, rel=0.20)


def test_an_original_is_found_again_and_its_index_is_whole(tmp_path: Path) -> None:
    """The second time it comes from the cache; another seed is another file; frames are in
    order by their stamps."""
    first, again = _prepare(tmp_path, "AVC"), _prepare(tmp_path, "AVC")
    other = _prepare(tmp_path, "AVC", seed=5)
    assert (first.was_cached, again.was_cached, other.was_cached) == (False, True, False)
    assert again.fingerprint == first.fingerprint != other.fingerprint
    index = FrameIndex.model_validate_json(Path(first.media.index_path).read_bytes())
    assert index.stamps == tuple(range(60))
    assert index.is_stamped
    assert first.duration_s == pytest.approx(60 * 1001 / 24000)


def test_a_truncated_original_is_made_again(tmp_path: Path) -> None:
    """A file cut short is noticed and replaced by the same file."""
    first = _prepare(tmp_path, "AVC")
    path = Path(first.media.media_path)
    whole = path.read_bytes()
    path.write_bytes(whole[:-1000])
    again = _prepare(tmp_path, "AVC")
    assert not again.was_cached
    assert path.read_bytes() == whole


@pytest.mark.parametrize("codec", ["AVC", "HEVC"])
def test_the_same_recipe_gives_the_same_file(codec: str, tmp_path: Path) -> None:
    """Made three times over, in as many caches, an original has the same bytes."""
    made = [_prepare(tmp_path / str(n), codec) for n in range(3)]
    assert len({Path(found.media.media_path).read_bytes() for found in made}) == 1


def test_progress_rises_and_names_the_clip(tmp_path: Path) -> None:
    """Progress goes up from 0, never above 1, and says which clip is being made."""
    seen: list[tuple[str, float]] = []
    clip = ClipSpec(name="beach", recipe=RECIPE, original=OriginalSpec(bitrate_bps=1_500_000))
    job = PrepareOriginalJob(clip=clip, seed=1, cache_dir=str(tmp_path))
    prepare_original(job, lambda message, share: seen.append((message, share)))
    shares = [share for _, share in seen]
    assert shares[0] == 0
    assert shares == sorted(shares)
    assert shares[-1] <= 1
    assert all("beach" in message for message, _ in seen)


@pytest.mark.parametrize("codec", ["AVC", "HEVC"])
@pytest.mark.parametrize(
    "told",
    [
        {"slices": 4},
        {"open_groups": True},
        {"b_pyramid": False, "references": 1},
        {"b_pyramid": True, "references": 4, "b_frames": 4},
        {"intra_refresh": True, "b_frames": 0},
        {"chroma": "4:2:2"},
    ],
    ids=lambda told: next(iter(told)) + str(next(iter(told.values()))),
)
def test_an_original_is_built_as_told(codec: str, told: dict, tmp_path: Path) -> None:
    """Slices by the encoder's own count, groups open or closed, chroma, B frames referred to (more
    pictures wait to be shown); each has other bytes than the plain one, and plays without fault."""
    clip = ClipSpec(
        name="camera",
        recipe=Recipe(width_px=256, height_px=144, duration_s=1.1, bit_depth=10),
        original=OriginalSpec(codec=codec, bitrate_bps=1_500_000, keyframe_interval=12, **told),
    )
    job = PrepareOriginalJob(clip=clip, seed=4, cache_dir=str(tmp_path))
    prepared = prepare_original(job, lambda *_: None)
    found = inspect_media(prepared.media.media_path)
    assert found.suspicions == ()
    assert found.media.chroma == told.get("chroma", "4:2:0")
    assert found.media.bit_depth == 10
    assert found.slice_count is not None
    assert found.slice_count.median == told.get("slices", 1)
    if "intra_refresh" not in told:
        assert found.group_kind == ("open" if told.get("open_groups") else "closed")
    asked = {"policy": "roll", "thread_count": 2, "player": PLAYERS["slice-skipping"]}
    measured = scrubbed(prepared.media, (21, 7, 13, 12, 11, 25, 0, 24), **asked)
    assert set(measured.view_proof) == {"right"}


def test_intra_refresh_goes_alone() -> None:
    """Encoders would drop open groups or several references without a word."""
    with pytest.raises(ValueError, match="intra_refresh goes with neither"):
        OriginalSpec(intra_refresh=True, open_groups=True)


def test_a_clip_without_a_recipe_is_refused(tmp_path: Path) -> None:
    """Own files have no original to be made: a FootageError names the clip."""
    job = PrepareOriginalJob(
        clip=ClipSpec(name="mine", files=("a.mov",)), seed=1, cache_dir=str(tmp_path)
    )
    with pytest.raises(FootageError, match="mine"):
        prepare_original(job, lambda message, share: None)
