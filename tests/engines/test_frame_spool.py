"""Frames kept in a scratch file, and that judging with them is the same as decoding twice."""

import base64
import errno
import io
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.encoded_pictures import write_pictures
from fixtures.measured_quality import measure_quality
from fixtures.scrubbed import indexed
from mezzmark.engines.encode import stored_pictures
from mezzmark.engines.encode.stored_pictures import FrameSpool
from mezzmark.engines.footage.originals import write_original
from mezzmark.engines.footage.recipe import RECIPE_TAGS, generate_frames
from mezzmark.engines.media.pixels import frame_from_planes, planes_of
from mezzmark.engines.picture.fidelity import run_fidelity
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import OriginalSpec, Recipe
from mezzmark.model.tasks.fidelity import FidelityJob, FidelityMeasurement, FidelitySettings
from mezzmark.model.tasks.spec import MediaReference

RATE = Fraction(24)
PADDED = (322, 182)
"""Lines of this width are padded in memory."""

RECIPE = Recipe(
    width_px=PADDED[0], height_px=PADDED[1], frame_rate=RATE, duration_s=0.3, texture=1.5
)


def pictures(pixel_format: str, size: tuple[int, int] = PADDED, count: int = 3, noise: int = 0):
    """Textured pictures, each other than the one before; `noise` adds errors of 8-bit codes."""
    like = av.VideoFrame(*size, pixel_format)
    scale = 2 ** (like.format.components[0].bits - 8)
    for number in range(count):
        rng = np.random.default_rng(number)
        clean = [rng.integers(40, 200, plane.shape) for plane in planes_of(like)]
        errors = np.random.default_rng(100 + number)
        planes = tuple(
            ((plane + errors.integers(-noise, noise + 1, plane.shape)) * scale).astype(
                like_plane.dtype
            )
            for plane, like_plane in zip(clean, planes_of(like), strict=True)
        )
        yield frame_from_planes(planes, pixel_format, RECIPE_TAGS)


@pytest.mark.parametrize("name", ["yuv420p", "yuv422p10le", "gbrp12le", "yuva444p10le", "nv12"])
def test_frames_come_back_as_they_were(name: str, tmp_path: Path) -> None:
    """Planes, format and colour tags are the same from the scratch file, which leaves no name
    behind; frames are decoded once however often they are asked for."""
    calls = []

    def decode() -> Iterator[av.VideoFrame]:
        calls.append(1)
        return pictures(name)

    with FrameSpool(decode, 3, tmp_path) as kept:
        first = list(kept)
        assert kept.is_spooled
        for again in (list(kept), list(kept)):
            for frame, other in zip(first, again, strict=True):
                assert other.format.name == name
                assert other.colorspace == frame.colorspace == 1
                for plane, same in zip(planes_of(frame), planes_of(other), strict=True):
                    assert np.array_equal(plane, same)
    assert len(calls) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("trouble", ["too large", "disk full", "changes"])
def test_what_cannot_be_kept_is_decoded_anew(
    trouble: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clip beyond the limit, a disk that fills, and a clip whose format changes on the way
    are decoded a second time, with the same frames."""

    class FullDisk:
        def write(self, _: object) -> None:
            raise OSError(errno.ENOSPC, "full")

        def fileno(self) -> int:
            raise OSError(errno.ENOTSUP, "no file")

        def close(self) -> None:
            pass

    if trouble == "too large":
        monkeypatch.setattr(stored_pictures, "MOST_SPOOLED_BYTES", 3 * 182 * 322)
    if trouble == "disk full":
        monkeypatch.setattr(stored_pictures.tempfile, "TemporaryFile", lambda **_: FullDisk())

    def decode() -> Iterator[av.VideoFrame]:
        yield from pictures("yuv420p")
        if trouble == "changes":
            yield from pictures("yuv422p")

    with FrameSpool(decode, 3, tmp_path) as kept:
        first = list(kept)
        assert not kept.is_spooled
        again = list(kept)
    assert len(first) == len(again) >= 3
    for frame, other in zip(first, again, strict=True):
        assert all(map(np.array_equal, planes_of(frame), planes_of(other)))


def png_codes(base64_text: str) -> np.ndarray:
    """The RGB codes of a PNG file in base64."""
    with av.open(io.BytesIO(base64.b64decode(base64_text))) as container:
        return next(container.decode(video=0)).to_ndarray(format="rgb24").astype(int)


@pytest.fixture(scope="module", params=["AVC", "HEVC 10 bit", "alpha"])
def source(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    """A camera original with B frames, one of 10 bits, and a lossless clip with alpha."""
    folder = tmp_path_factory.mktemp("source")
    path = folder / "clip.mkv"
    if request.param == "alpha":
        frames = [
            frame_from_planes(planes, "yuv420p", RECIPE_TAGS).reformat(format="yuva444p10le")
            for planes in generate_frames(RECIPE, 1)
        ]
        lossless = find_encoding("ffv1").model_copy(update={"pixel_format": "yuva444p10le"})
        write_pictures(frames, lossless, path, RECIPE_TAGS, frame_rate=RATE)
    else:
        recipe = RECIPE.model_copy(update={"bit_depth": 8 if request.param == "AVC" else 10})
        codec = request.param.split()[0]
        original = OriginalSpec(codec=codec, bitrate_bps=2_000_000)
        path = folder / "clip.mp4"
        write_original(path, recipe, original, 1, advance=lambda _: None)
    return indexed(path, is_stamped=False)


@pytest.mark.parametrize("name", ["vc3-sq", "rdd36-4444", "mjpeg-fine", "hevc-long", "ffv1"])
def test_judging_kept_frames_is_judging_decoded_ones(
    name: str, source: MediaReference, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every figure is the same to the last digit, whether the clip is kept or decoded again for
    each comparison; the crop for the page is the same to one code of 255 on average: swscale rounds
    otherwise where lines are padded otherwise (and where two places are nearly as bad as each
    other, as in AVC intra, either may be shown)."""
    found = []
    for limit in (stored_pictures.MOST_SPOOLED_BYTES, 0):
        monkeypatch.setattr(stored_pictures, "MOST_SPOOLED_BYTES", limit)
        folder = tmp_path / str(limit)
        folder.mkdir()
        job = FidelityJob(
            source=source,
            encoding=find_encoding(name),
            settings=FidelitySettings(frames=6, generations=2, shift_px=2),
            thread_count=1,
            scratch_dir=str(folder),
        )
        found.append(run_fidelity(job, lambda: 0).measurement)
    kept, decoded = found
    assert isinstance(kept, FidelityMeasurement)
    assert kept.model_copy(update={"worst_frame": None}) == decoded.model_copy(
        update={"worst_frame": None}
    )
    assert kept.generations[0].is_bit_exact == (name == "ffv1")
    for side in ("before_png", "after_png") if kept.worst_frame else ():
        one, other = (png_codes(getattr(m.worst_frame, side)) for m in found)
        assert np.abs(one - other).mean() <= 1


def test_xpsnr_above_eight_bits() -> None:
    """The same errors in 8 and in 10 bits have the same XPSNR to 0.5 dB (floors of the weights
    differ), whatever the padding of the frames handed in; where frames cannot be without padding
    it is left out, because FFmpeg's filter then answers with values such as -20 dB."""
    wide = (320, 182)
    eight = measure_quality(pictures("yuv420p", wide), pictures("yuv420p", wide, noise=3))
    ten = measure_quality(pictures("yuv420p10le", wide), pictures("yuv420p10le", wide, noise=3))
    assert np.allclose(np.array(eight.xpsnr_db), np.array(ten.xpsnr_db), atol=0.5)
    padded = measure_quality(pictures("yuv420p10le"), pictures("yuv420p10le", noise=3))
    assert padded.xpsnr_db == ()
    assert len(padded.squared_error) == len(padded.ssim) == padded.frame_count == 3
    with pytest.raises(EncodingError, match="XPSNR"):
        measure_quality(
            pictures("yuv420p10le"), pictures("yuv420p10le", noise=3), metrics=("xpsnr",)
        )
