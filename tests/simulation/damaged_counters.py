"""Damaged clips, each picture with a number that the program does not know: is a wrong one right?

    python tests/simulation/damaged_counters.py [--seed 0] [--count 500]

AVC, HEVC, MPEG-2, VC-3, RDD 36, FFV1 and Motion JPEG in four containers; a bit, a sector or a
packet lost, a piece cut out or off, packets swapped, bytes changed anywhere. Each damaged file is
indexed and played, and played again with the index of the intact one. A picture is wrong whose time
and samples are not those of one in the intact file; its number says which it is. Damage can be
detected where this program's own decoding shows it: an error or a checksum that the decoder tells
of, a picture marked as damaged or missing, one that repeats its neighbour though their packets
differ. Exits 1 where a wrong picture was right and the damage detectable.
"""

import argparse
import hashlib
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import av.logging
import numpy as np
from av.error import FFmpegError

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.clip_zoo import LONG_GOP, ZOO, ZooClip, avc, intermediate, make_zoo_clip
from fixtures.scrubbed import scrubbed
from fixtures.suspect_clips import DAMAGES as DAMAGES_OF_PACKETS
from mezzmark.engines.media.frame_index import build_frame_index, write_frame_index
from mezzmark.engines.play.player import Move, Player
from mezzmark.model.errors import FootageError, MezzmarkError
from mezzmark.model.footage import FrameIndex
from mezzmark.model.tasks.spec import MediaReference

FRAME_COUNT, MOVES = 48, 16
CELL_PX, BITS, TOP_PX, LEFT_PX = 16, 8, 128, 32
"""The number: two rows of square cells low in the picture, the second the opposite of the first."""

JPEG = {"qmin": "2", "qmax": "2"}
KINDS: dict[str, ZooClip] = {
    "avc mp4": ZOO["avc-mp4"],
    "avc mov": avc("mov"),
    "avc mkv": ZOO["avc-mkv"],
    "hevc mp4": ZOO["hevc-mp4-open-gop"],
    "hevc mkv": ZOO["hevc-mkv-closed-gop"],
    "mpeg2 mxf": ZOO["mpeg2-mxf-long-gop"],
    "mpeg2 mkv": ZooClip(encoder="mpeg2video", ending="mkv", options=LONG_GOP),
    "vc3 mov": ZOO["vc3-mov"],
    "vc3 mxf": ZOO["vc3-mxf"],
    "rdd36 mov": ZOO["rdd36-mov"],
    "rdd36 mxf": ZOO["rdd36-mxf"],
    "rdd36 mkv": ZOO["rdd36-mkv"],
    "ffv1 mkv": ZOO["ffv1-mkv"],
    "mjpeg mov": intermediate("mjpeg", "mov", "yuvj422p", **JPEG),
    "mjpeg mkv": intermediate("mjpeg", "mkv", "yuvj422p", **JPEG),
}
Packets = list[tuple[int, int]]
"""Place and size in the file."""

Damage = Callable[[bytearray, Packets, np.random.Generator], bytearray]


def numbered_frames(pixel_format: str) -> list[av.VideoFrame]:
    """Moving texture, with the number of each frame low in the picture and no stamp."""
    texture = np.random.default_rng(3).integers(60, 180, (45, 80))
    canvas, frames = np.kron(texture, np.ones((4, 4))).astype(np.uint8), []
    for n in range(FRAME_COUNT):
        luma = np.roll(canvas, (2 * n, 5 * n), (0, 1)).copy()
        for bit in range(BITS):
            left, is_set = LEFT_PX + bit * CELL_PX, n >> bit & 1
            for row, is_white in enumerate((is_set, not is_set)):
                top = TOP_PX + row * CELL_PX
                luma[top : top + CELL_PX, left : left + CELL_PX] = 230 if is_white else 20
        planes = np.vstack([luma, np.full((90, 320), 128, np.uint8)])
        frame = av.VideoFrame.from_ndarray(planes, format="yuv420p").reformat(format=pixel_format)
        frame.pts = n
        frames.append(frame)
    return frames


def number_of(frame: av.VideoFrame) -> int:
    """The number in a picture, by the light of its cells; -1 where the rows are no opposites."""
    grey = frame.reformat(format="gray").to_ndarray()
    inner = CELL_PX // 4
    rows = [
        [
            grey[top + inner : top + 3 * inner, left + inner : left + 3 * inner].mean() > 125
            for left in range(LEFT_PX, LEFT_PX + BITS * CELL_PX, CELL_PX)
        ]
        for top in (TOP_PX, TOP_PX + CELL_PX)
    ]
    if any(a == b for a, b in zip(*rows, strict=True)):
        return -1
    return sum(int(is_set) << bit for bit, is_set in enumerate(rows[0]))


def samples_digest(frame: av.VideoFrame) -> str:
    """Of all samples of a picture, by this program's own reading of it."""
    digest = hashlib.blake2b(digest_size=8)
    for plane in frame.planes:
        lines = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        step = max(1, (frame.format.components[0].bits + 7) // 8)
        digest.update(lines[:, : plane.width * step].tobytes())
    return digest.hexdigest()


@dataclass(slots=True)
class Seen:
    """What this program's own decoding of a file shows; pictures as time, number and digest."""

    pictures: list[tuple[int | None, int, str]] = field(default_factory=list)
    packets: Packets = field(default_factory=list)
    signs: set[str] = field(default_factory=set)


def look_at(path: Path) -> Seen:
    """Decode the whole file in order, by one thread."""
    seen, contents = Seen(), dict[int | None, bytes]()
    av.logging.set_level(av.logging.ERROR)
    with av.logging.Capture(False) as said:
        try:
            with av.open(str(path)) as container:
                track = container.streams.video[0]
                track.codec_context.thread_count = 1
                track.codec_context.options = {"err_detect": "crccheck"}
                for packet in container.demux(track):
                    if packet.size:
                        seen.packets.append((packet.pos or 0, packet.size))
                        contents[packet.pts] = bytes(packet)
                    for frame in track.decode(packet):
                        if frame.is_corrupt:
                            seen.signs.add("marked")
                        picture = frame.pts, number_of(frame), samples_digest(frame)
                        seen.pictures.append(picture)
        except (FFmpegError, IndexError, ValueError):
            seen.signs.add("stopped")
    av.logging.set_level(None)
    for (a_pts, _, a), (b_pts, _, b) in pairwise(seen.pictures):
        if a == b and contents.get(a_pts) != contents.get(b_pts):
            seen.signs.add("repeated")
    if said:
        seen.signs.add("error")
    if len(seen.pictures) != len(contents):
        seen.signs.add("missing")
    return seen


def _of_packet(name: str) -> Damage:
    def damage(data: bytearray, packets: Packets, rng: np.random.Generator) -> bytearray:
        at, size = packets[int(rng.integers(len(packets)))]
        DAMAGES_OF_PACKETS[name](data, at, min(size, len(data) - at), rng)
        return data

    return damage


def _cut_off(data: bytearray, packets: Packets, rng: np.random.Generator) -> bytearray:
    return data[: int(rng.integers(packets[0][0], len(data)))]


def _cut_out(data: bytearray, packets: Packets, rng: np.random.Generator) -> bytearray:
    at, size = packets[int(rng.integers(len(packets)))]
    start = at + int(rng.integers(size))
    return data[:start] + data[start + int(rng.integers(1, 700)) :]


def _swap(data: bytearray, packets: Packets, rng: np.random.Generator) -> bytearray:
    (a, a_size), (b, b_size) = (packets[int(n)] for n in rng.choice(len(packets), 2, replace=False))
    size = min(a_size, b_size)
    data[a : a + size], data[b : b + size] = data[b : b + size], data[a : a + size]
    return data


def _anywhere(data: bytearray, _packets: Packets, rng: np.random.Generator) -> bytearray:
    for at in rng.integers(0, len(data), int(rng.integers(1, 20))):
        data[at] = int(rng.integers(256))
    return data


DAMAGES: dict[str, Damage] = {
    **{name: _of_packet(name) for name in DAMAGES_OF_PACKETS},
    "cut off": _cut_off,
    "cut out": _cut_out,
    "swapped": _swap,
    "anywhere": _anywhere,
}


@dataclass(slots=True)
class Intact:
    """A clip with nothing wrong, its own index, and what is true of it."""

    path: Path
    data: bytes
    index: FrameIndex
    packets: Packets
    true: set[tuple[int | None, str]]

    @classmethod
    def made(cls, kind: str, folder: Path) -> "Intact":
        """The clip of this kind; each picture must have its own number."""
        place = folder / kind.replace(" ", "-")
        place.mkdir()
        clip = KINDS[kind]
        path = make_zoo_clip(clip, place, frames=numbered_frames(clip.pixel_format))
        seen, index = look_at(path), build_frame_index(path)
        assert [number for _, number, _ in seen.pictures] == list(range(FRAME_COUNT)), kind
        assert (seen.signs, index.suspicions, index.is_stamped) == (set(), (), False), kind
        true = {(pts, digest) for pts, _, digest in seen.pictures}
        return cls(path, path.read_bytes(), index, seen.packets, true)


def shown_as_right(path: Path, index: FrameIndex, intact: Intact, seed: int) -> Counter[str]:
    """Play the file by this index: how many moves were wrong and told so, and how many pictures
    called right are none of the intact file, or bear another number."""
    index_path, shown = path.with_suffix(".json"), list[tuple[str, int]]()
    write_frame_index(index, index_path)
    path.with_suffix(".views-64").unlink(missing_ok=True)

    class Watched(Player):
        def move(self, *given: Any) -> Move:
            move = super().move(*given)
            picture = move.picture
            shown.append((samples_digest(picture), number_of(picture)) if picture else ("", -1))
            return move

    frames = np.random.default_rng(seed).integers(0, index.frame_count, MOVES).tolist()
    media = MediaReference(media_path=str(path), index_path=str(index_path))
    policy = "reseek" if seed % 2 else "roll"
    proofs = scrubbed(media, frames, Watched, policy=policy, viewer_height_px=64).proof
    counts: Counter[str] = Counter()
    number_at = {pts: n for n, pts in enumerate(intact.index.pts)}
    for n, proof, (digest, number) in zip(frames, proofs, shown, strict=True):
        pts = index.pts[n]
        if proof not in ("right", "alike"):
            counts["told by a move"] += 1
        elif (pts, digest) not in intact.true:
            counts["wrong as right"] += 1
            counts["of another number"] += number != number_at.get(pts)
    return counts


def judge(case: int, intact: Intact, damage: str) -> tuple[str, str]:
    """What came of a damaged copy indexed and played, and what of playing it by the intact index:
    a word each; one that begins with `FAULT` must not be."""
    rng, path = np.random.default_rng(case), intact.path
    path.write_bytes(DAMAGES[damage](bytearray(intact.data), intact.packets, rng))
    try:
        after = shown_as_right(path, intact.index, intact, case)
        later = "FAULT" if after["wrong as right"] else "told" if after else "unharmed"
    except MezzmarkError:
        later = "refused"
    try:
        index = build_frame_index(path)
        if index.suspicions:
            return "suspect", later
        counts = shown_as_right(path, index, intact, case)
    except FootageError:
        return "refused", later
    if not counts["wrong as right"]:
        return "told" if counts else "unharmed", later
    signs = look_at(path).signs
    if signs:
        return f"FAULT ({', '.join(sorted(signs))})", later
    return "unseen, other number" if counts["of another number"] else "unseen", later


def run_cases(cases: range, folder: Path) -> tuple[dict[str, Counter[str]], list[str]]:
    """What came of them, by codec and of playing by the intact index; and the faults."""
    clips: dict[str, Intact] = {}
    found: dict[str, Counter[str]] = {}
    faults = []
    for case in cases:
        kind = list(KINDS)[case % len(KINDS)]
        damage = list(DAMAGES)[case // len(KINDS) % len(DAMAGES)]
        if kind not in clips:
            clips[kind] = Intact.made(kind, folder)
        outcomes = judge(case, clips[kind], damage)
        for name, outcome in zip(
            (kind.split()[0], "damaged after indexing"), outcomes, strict=True
        ):
            found.setdefault(name, Counter())[outcome.split(" (")[0]] += 1
            if outcome.startswith("FAULT"):
                faults.append(f"seed {case}, {kind}, {damage}, {name}: {outcome}")
    return found, faults


def main() -> int:
    """Print what came of the clips."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=500)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        cases = range(asked.seed, asked.seed + asked.count)
        found, faults = run_cases(cases, Path(folder))
    for name, counts in found.items():
        print(f"{name}: {dict(counts)}")
    print(*faults, sep="\n")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
