"""Broken files: each gives one clear error or recorded samples; nothing hangs, nothing is lost."""

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from fixtures.scrubbed import indexed, scrubbed
from mezzmark.engines.media.frame_index import build_frame_index
from mezzmark.engines.media.inspection import inspect_media
from mezzmark.engines.media.probe import probe_media
from mezzmark.model.errors import FootageError, MezzmarkError
from mezzmark.model.footage import FrameIndex
from simulation.damaged_counters import run_cases

KINDS = (
    "avc-mp4",
    "hevc-mp4-open-gop",
    "avc-ts",
    "mpeg2-ts-long-gop",
    "rdd36-mov",
    "vc3-mxf",
    "vc5-mov",
    "mjpeg-avi",
    "ffv1-mkv",
    "avc-mkv",
)


def _cut(data: bytearray) -> bytearray:
    return data[: len(data) * 6 // 10]


def _zero(data: bytearray) -> bytearray:
    start, length = len(data) // 3, len(data) // 8
    data[start : start + length] = bytes(length)
    return data


def _flip(data: bytearray) -> bytearray:
    rng = np.random.default_rng(5)
    for place in rng.integers(len(data) // 4, len(data) * 3 // 4, 60):
        data[place] ^= 0xFF
    return data


DAMAGES: dict[str, Callable[[bytearray], bytearray]] = {"cut": _cut, "zero": _zero, "flip": _flip}


def _text(folder: Path) -> Path:
    return _written(folder / "notes.mov", b"shot list\n" * 500)


def _noise(folder: Path) -> Path:
    return _written(folder / "noise.mp4", np.random.default_rng(1).bytes(50_000))


def _written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def _sound_only(folder: Path) -> Path:
    path = folder / "sound.mov"
    with av.open(str(path), "w") as container:
        track = container.add_stream("pcm_s16le", rate=48000)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 4800), np.int16), layout="mono")
        sound.sample_rate, sound.pts = 48000, 0
        container.mux(track.encode(sound))
        container.mux(track.encode(None))
    return path


def _headless(folder: Path) -> Path:
    path = make_zoo_clip(ZOO["avc-mp4"], folder)
    return _written(path, path.read_bytes()[: path.stat().st_size // 2])


def _start_only(folder: Path) -> Path:
    path = make_zoo_clip(ZOO["avc-mkv"], folder)
    return _written(path, path.read_bytes()[:700])


UNOPENABLE: dict[str, tuple[Callable[[Path], Path], str]] = {
    "missing": (lambda folder: folder / "gone.mov", "there is no such file"),
    "folder": (lambda folder: folder, "not a regular file"),
    "empty": (lambda folder: _written(folder / "empty.mov", b""), "the file is empty"),
    "text": (_text, "not a media file"),
    "noise": (_noise, "not a media file"),
    "sound only": (_sound_only, "no video track"),
    "cut movie": (_headless, "`moov` atom"),
    "start only": (_start_only, "size or pixel format"),
}


@pytest.mark.parametrize("name", UNOPENABLE)
def test_file_that_cannot_be_opened_gives_one_clear_error(name: str, tmp_path: Path) -> None:
    """Probing, inspecting and indexing all say where, what and what to do, in one line."""
    make, words = UNOPENABLE[name]
    path = make(tmp_path)
    for task in (probe_media, inspect_media, build_frame_index):
        with pytest.raises(FootageError, match=words) as caught:
            task(path)
        assert "\n" not in str(caught.value)
        assert str(path) in caught.value.where
        assert caught.value.remedy.endswith(".")


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("kind", KINDS)
def test_damaged_file_is_refused_or_indexed_as_it_is(
    kind: str, damage: str, tmp_path: Path
) -> None:
    """Indexing a damaged file ends: with the reason, or with an index of the pictures that are
    left, in which no stamp is out of order."""
    path = make_zoo_clip(ZOO[kind], tmp_path)
    _written(path, bytes(DAMAGES[damage](bytearray(path.read_bytes()))))
    index = _outcome(build_frame_index, path)
    if isinstance(index, MezzmarkError):
        assert isinstance(index, FootageError)
        assert index.where == str(path)
        assert "\n" not in str(index)
        assert index.remedy
        return
    readable = [stamp for stamp in index.stamps if stamp >= 0]
    assert readable == sorted(readable)
    assert index.frame_count <= FRAME_COUNT


@pytest.mark.parametrize(
    ("kind", "damage"), [("avc-mp4", "flip"), ("avc-ts", "cut"), ("rdd36-mov", "flip")]
)
def test_picture_that_the_decoder_calls_damaged_is_refused(
    kind: str, damage: str, tmp_path: Path
) -> None:
    """A decoder that hides errors still marks the picture; the index does not take it for good."""
    path = make_zoo_clip(ZOO[kind], tmp_path)
    _written(path, bytes(DAMAGES[damage](bytearray(path.read_bytes()))))
    with pytest.raises(FootageError, match=r"picture \d+ \(at [\d.]+ s\) is damaged"):
        build_frame_index(path)


@pytest.mark.parametrize("damage", ["zero", "flip"])
@pytest.mark.parametrize("kind", KINDS)
def test_damage_after_indexing_is_recorded_never_called_right(
    kind: str, damage: str, tmp_path: Path
) -> None:
    """Every move of the trial is recorded; pictures that the damage reached are wrong or missing,
    the others right."""
    path = make_zoo_clip(ZOO[kind], tmp_path)
    media = indexed(path)
    _written(path, bytes(DAMAGES[damage](bytearray(path.read_bytes()))))
    frames = [(29 * n) % FRAME_COUNT for n in range(FRAME_COUNT // 2)]
    proofs = Counter(scrubbed(media, frames, viewer_height_px=64).proof)
    assert sum(proofs.values()) == len(frames)
    assert proofs["wrong"] + proofs["missing"] > 0
    assert set(proofs) <= {"right", "wrong", "missing"}


@pytest.mark.parametrize(
    "cases",
    [range(12, 120, 15), pytest.param(range(240), marks=pytest.mark.slow)],
    ids=["small", "all"],
)
def test_no_wrong_picture_is_right_where_its_damage_shows(cases: range, tmp_path: Path) -> None:
    """Clips damaged at random, with a number in each picture that the program does not know: where
    a decoder's complaint, a checksum or a repeat shows damage, no picture of another time or with
    other samples is called right; nor any in a file damaged after it was indexed."""
    found, faults = run_cases(cases, tmp_path)
    assert faults == []
    assert found["damaged after indexing"].total() == len(cases)


def _outcome(task: Callable[[Path], FrameIndex], path: Path) -> FrameIndex | MezzmarkError:
    try:
        return task(path)
    except MezzmarkError as error:
        return error
