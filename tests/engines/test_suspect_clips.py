"""Signs of damage in a file that decodes: none in intact awkward clips, some where it was planted.

`tests/simulation/suspect_clips.py` does the same over 150 clips and counts.
"""

from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.clip_zoo import ZOO, make_zoo_clip, stamped_frames
from fixtures.suspect_clips import DAMAGES, STRUCTURES, make_intact_clips
from mezzmark.engines.footage.originals import prepare_own
from mezzmark.engines.media import frame_index
from mezzmark.engines.media.frame_index import build_frame_index, read_frame_index
from mezzmark.model.preparations import PrepareOwnJob

INTACT = (
    "avc-ts, begun late",
    "avc-ts-open-gop-audio, begun late",
    "avc-filler, title",
    "avc-pyramid, twice",
    "avc-lossless, pointer",
    "avc-intra, still",
    "avc-refresh, freezes",
    "hevc-hash, moving",
    "hevc-pyramid, freezes",
    "mpeg2-long, twice",
    "ffv1-long, still",
)


def test_intact_clips_are_not_suspect(tmp_path: Path) -> None:
    """Stills, doubled and frozen pictures, filled-up rates, recorded screens and recordings that
    begin inside a group: nothing is said of any."""
    clips = make_intact_clips(tmp_path, INTACT)
    found = {name: build_frame_index(path).suspicions for name, path in clips}
    assert found == dict.fromkeys(INTACT, ())


@pytest.mark.parametrize("kind", ["ffv1-mkv", "hevc-hash"])
def test_a_turned_bit_is_seen_where_the_format_has_checksums(kind: str, tmp_path: Path) -> None:
    """FFV1's slices and HEVC's hashed pictures carry checksums; every picture still decodes."""
    path = make_zoo_clip((ZOO | STRUCTURES)[kind], tmp_path, frame_count=14)
    whole, data = build_frame_index(path), bytearray(path.read_bytes())
    assert whole.suspicions == ()
    with av.open(str(path)) as container:
        packet = next(p for p in container.demux(video=0) if p.pts and p.size > 400)
        at, size = packet.pos, packet.size
    DAMAGES["bit"](data, at + size // 2, size // 4, np.random.default_rng(1))
    path.write_bytes(bytes(data))
    index = build_frame_index(path)
    assert index.pts == whole.pts
    assert index.digests != whole.digests
    assert index.suspicions == ("decoder_errors",)


def test_a_picture_number_left_out_is_seen(tmp_path: Path) -> None:
    """A stamped clip that goes from frame 5 to frame 7."""
    frames = [frame for frame in stamped_frames(14, "yuv420p") if frame.pts != 6]
    index = build_frame_index(make_zoo_clip(ZOO["avc-mp4"], tmp_path, frames=frames))
    assert index.suspicions == ("stamps_out_of_step",)


def test_neighbours_alike_though_coded_in_full_are_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A decoder that shows frame 7 in place of frame 8, whose packet is that of any picture."""
    planes_of = frame_index.planes_of
    seen = []

    def repeating(frame: av.VideoFrame):
        seen.append([plane.copy() for plane in planes_of(frame)])
        return tuple(seen[-2] if len(seen) == 9 else seen[-1])

    monkeypatch.setattr(frame_index, "planes_of", repeating)
    path = make_zoo_clip(ZOO["avc-mp4-no-b"], tmp_path, frame_count=24)
    assert build_frame_index(path, is_stamped=False).suspicions == ("repeated_pictures",)


def test_an_index_that_was_not_looked_at_is_made_anew(tmp_path: Path) -> None:
    """An own file's cached index without suspicions, as older versions wrote it, is not taken."""
    path = make_zoo_clip(ZOO["rdd36-mov"], tmp_path, frame_count=4)
    job = PrepareOwnJob(media_path=str(path), excerpt_s=1.0, cache_dir=str(tmp_path))
    first = prepare_own(job, lambda *_: None)
    index = read_frame_index(first.media.index_path)
    older = index.model_dump_json(exclude={"suspicions"})
    Path(first.media.index_path).write_text(older)
    again, third = (prepare_own(job, lambda *_: None) for _ in range(2))
    assert (again.was_cached, third.was_cached) == (False, True)
    assert read_frame_index(again.media.index_path) == index
