"""How often a clip is called suspect: intact awkward ones (wanted: never), and damaged ones.

`python tests/simulation/suspect_clips.py [TRIES]` prints both tables (PYTHONPATH=tests)."""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import av
import numpy as np

from fixtures.clip_zoo import ZOO, make_zoo_clip
from fixtures.suspect_clips import DAMAGES, make_intact_clips
from mezzmark.engines.media.frame_index import build_frame_index
from mezzmark.model.errors import FootageError

KINDS = ("avc-mp4", "avc-ts", "hevc-mp4-open-gop", "mpeg2-mxf-long-gop", "ffv1-mkv", "mjpeg-avi")
KINDS += ("rdd36-mov", "vc3-mov", "vc5-mov", "vp9-mkv", "av1-mp4")


def count_intact(folder: Path) -> Counter[str]:
    """Intact clips by what is said of them; those that are suspect are printed."""
    said: Counter[str] = Counter()
    for name, path in make_intact_clips(folder):
        try:
            suspicions = build_frame_index(path).suspicions
        except FootageError as error:
            said["refused"] += 1
            print(f"  refused: {name}: {error.what}")
            continue
        said["suspect" if suspicions else "nothing"] += 1
        if suspicions:
            print(f"  suspect: {name}: {suspicions}")
    return said


def count_damaged(kind: str, damage: str, tries: int, folder: Path) -> Counter[str]:
    """What is said of a clip damaged so, once a try; `unseen`: nothing, though pictures differ."""
    place = folder / f"{kind}-{damage}"
    place.mkdir()
    path = make_zoo_clip(ZOO[kind], place)
    whole, data = build_frame_index(path), path.read_bytes()
    with av.open(str(path)) as container:
        packets = [
            (packet.pos, packet.size)
            for packet in container.demux(video=0)
            if packet.size > 16 and packet.pos is not None and packet.pos >= 0
        ]
    rng = np.random.default_rng(5)
    said: Counter[str] = Counter()
    for _ in range(tries):
        at, size = packets[int(rng.integers(len(packets)))]
        damaged = bytearray(data)
        DAMAGES[damage](damaged, at, min(size, len(data) - at), rng)
        path.write_bytes(bytes(damaged))
        try:
            index = build_frame_index(path)
        except FootageError:
            said["refused"] += 1
            continue
        is_harmed = (index.pts, index.digests) != (whole.pts, whole.digests)
        said["suspect" if index.suspicions else "unseen" if is_harmed else "unharmed"] += 1
    return said


if __name__ == "__main__":
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    with tempfile.TemporaryDirectory() as folder:
        print("intact:", dict(count_intact(Path(folder))))
        for kind in KINDS:
            rows = {damage: count_damaged(kind, damage, tries, Path(folder)) for damage in DAMAGES}
            print(kind, {damage: dict(said) for damage, said in rows.items()}, flush=True)
