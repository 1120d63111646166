"""Intact files that are put together unusually: right, or refused for the reason."""

import struct
from pathlib import Path

import av
import pytest

from fixtures.clip_zoo import FRAME_COUNT, RATE, ZOO, make_zoo_clip, stamped_frames
from fixtures.scrubbed import indexed, scrubbed
from mezzmark.engines.media.frame_index import build_frame_index
from mezzmark.model.errors import FootageError
from mezzmark.model.tasks.scrub import PROVED, shown_proof


def with_edits(path: Path, edits: list[tuple[int, int | None]]) -> None:
    """Replace the file's edit list (ISO/IEC 14496-12, 8.6.6): frames of the film, and the first of
    them in the track, None where nothing is shown."""
    data = path.read_bytes()
    movie_scale = struct.unpack(">I", data[data.index(b"mvhd") + 16 :][:4])[0]
    track_scale = struct.unpack(">I", data[data.index(b"mdhd") + 16 :][:4])[0]
    at = data.index(b"elst") - 4
    old_size, begin = (
        struct.unpack(">I", data[at:][:4])[0],
        struct.unpack(">i", data[at + 20 :][:4]),
    )
    entries = b"".join(
        struct.pack(
            ">IiI",
            int(frames * movie_scale / RATE),
            -1 if first is None else begin[0] + round(first * track_scale / RATE),
            0x10000,
        )
        for frames, first in edits
    )
    box = b"elst" + bytes(4) + struct.pack(">I", len(edits)) + entries
    box = struct.pack(">I", len(box) + 4) + box
    made = bytearray(data[:at] + box + data[at + old_size :])
    for name in (b"edts", b"trak", b"moov"):
        place = data.rindex(name, 0, at) - 4
        size = struct.unpack(">I", data[place:][:4])[0] + len(box) - old_size
        made[place : place + 4] = struct.pack(">I", size)
    path.write_bytes(made)


EDITS = {
    "late": ([(12, None), (48, 0)], [*range(48)]),
    "cut": ([(18, 0), (20, 28)], [*range(18), *range(28, 48)]),
    "pause and repeat": ([(18, 0), (6, None), (20, 6)], [*range(18), *range(6, 26)]),
}


@pytest.mark.parametrize("edit", EDITS)
@pytest.mark.parametrize("kind", ["avc-mp4", "vc3-mov"])
def test_an_edit_list_with_gaps_shows_its_own_frames(kind: str, edit: str, tmp_path: Path) -> None:
    """The frames that the list names, in its order; every move to them is proved, though others of
    the track are decoded on the way. In a pause within the film FFmpeg shows some of those."""
    edits, wanted = EDITS[edit]
    path = make_zoo_clip(ZOO[kind], tmp_path)
    whole = build_frame_index(path)
    with_edits(path, edits)
    index = build_frame_index(path)
    numbers = [whole.digests.index(digest) for digest in index.digests]
    until, after = edits[0][0], edits[-1][0]
    assert (numbers[:until] + numbers[-after:] if "pause" in edit else numbers) == wanted
    count, media = len(index.pts), indexed(path, index=index)
    frames = ((29 * n) % count for n in range(count))
    found = scrubbed(media, frames, policy="roll", thread_count=2)
    assert set(shown_proof(found)) <= set(PROVED)


def film_and_still(path: Path, order: tuple[str, str], *, is_cover: bool) -> Path:
    """A file with a film of 48 frames and a still, in this order of tracks."""
    with av.open(str(path), "w") as container:
        tracks = {}
        for kind in order:
            encoder, pixels = {"film": ("libx264", "yuv420p"), "still": ("mjpeg", "yuvj420p")}[kind]
            track = tracks[kind] = container.add_stream(encoder, rate=RATE)
            track.width, track.height, track.pix_fmt = 320, 180, pixels
        if is_cover:
            tracks["still"].disposition = av.stream.Disposition.attached_pic
        container.mux(tracks["still"].encode(next(iter(stamped_frames(1, "yuvj420p")))))
        for frame in stamped_frames(FRAME_COUNT, "yuv420p"):
            container.mux(tracks["film"].encode(frame))
        for track in tracks.values():
            container.mux(track.encode(None))
    return path


@pytest.mark.parametrize("is_cover", [True, False])
@pytest.mark.parametrize("order", [("still", "film"), ("film", "still")])
def test_a_still_beside_the_film_is_not_taken_for_it(
    order: tuple[str, str], is_cover: bool, tmp_path: Path
) -> None:
    """As a cover or as a track of one picture, before or after the film: its 48 frames count."""
    path = film_and_still(tmp_path / "clip.mov", order, is_cover=is_cover)
    assert build_frame_index(path).stamps == tuple(range(FRAME_COUNT))


def test_a_still_that_no_header_tells_of_is_refused_as_one(tmp_path: Path) -> None:
    """Matroska does not say how many pictures a track has."""
    path = film_and_still(tmp_path / "clip.mkv", ("still", "film"), is_cover=False)
    with pytest.raises(FootageError, match="still"):
        build_frame_index(path)
