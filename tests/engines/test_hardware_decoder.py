"""Decoding on a graphics card: the same pictures, proved the same way; skipped without one."""

from collections import Counter
from pathlib import Path
from types import SimpleNamespace

import av
import numpy as np
import pytest
from av.video.frame import VideoFrame

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from fixtures.scrubbed import indexed, scrubbed
from mezzmark.engines.media.frame_index import build_frame_index, read_frame_index
from mezzmark.engines.media.pixels import frame_from_planes, planes_digest, planes_of
from mezzmark.engines.play.drag import OpenLoopPlayer, Witness
from mezzmark.engines.play.player import Player
from mezzmark.engines.play.proof import INEXACT_CODECS, FrameVerifier
from mezzmark.model.errors import EngineError
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.drag import OpenLoopJob
from mezzmark.model.tasks.scrub import ScrubJob

KINDS = ("avc-mp4", "avc-mp4-open-gop", "avc-ts", "hevc-mp4-open-gop", "hevc-mkv-closed-gop")


@pytest.mark.parametrize("policy", ["reseek", "roll"])
@pytest.mark.parametrize("kind", KINDS)
def test_card_shows_the_very_pictures_of_the_software_decoder(
    kind: str, policy: str, tmp_path: Path
) -> None:
    """AVC and HEVC define decoding to the bit, so the card's pictures, in whatever layout, have the
    digests of the software decoder's."""
    media = indexed(make_zoo_clip(ZOO[kind], tmp_path))
    frames = [(29 * n) % FRAME_COUNT for n in range(FRAME_COUNT)]
    try:
        measured = scrubbed(media, frames, policy=policy, player=PLAYERS["cuda"])
    except EngineError as error:
        pytest.skip(f"no such decoder on this machine: {error.what}")
    assert Counter(measured.proof) == {"right": FRAME_COUNT}


def test_a_device_without_a_picture_is_refused_at_the_first_move(tmp_path: Path) -> None:
    """A made-up device: its decoder fails at each of 48 packets. The first move says so after one
    pass over the file; in software the move is missing after seven, and once a picture came no
    player is refused."""
    path = make_zoo_clip(ZOO["mjpeg-avi"], tmp_path)
    index, whole = build_frame_index(path), path.read_bytes()
    empty, seeks = bytearray(whole), []
    with av.open(str(path)) as container:
        for packet in container.demux(video=0):
            if packet.size:
                empty[packet.pos : packet.pos + packet.size] = bytes(packet.size)

    def decoded_until_it_ends(*, on_device: bool, after_one: bool = False) -> int:
        path.write_bytes(whole)
        job = ScrubJob.model_construct(
            policy="roll", thread_count=1, player=PLAYERS["slice"], viewer_height_px=90
        )
        player = Player(path, index, job)
        player._is_blind = on_device
        seek = player._seek
        player._seek = lambda target: seeks.append(target) or seek(target)
        if after_one:
            player.move(3, lambda: 0)
        path.write_bytes(empty)
        move = player.move(20, lambda: 0)
        assert move.picture is None
        return move.packet_bytes

    with pytest.raises(EngineError, match="gives no picture of this file"):
        decoded_until_it_ends(on_device=True)
    assert seeks == [20]
    assert decoded_until_it_ends(on_device=False) > 5 * len(whole) / 2
    assert decoded_until_it_ends(on_device=True, after_one=True) > 0


@pytest.mark.parametrize("kind", ["mjpeg-avi", "mpeg2-ts-long-gop"])
def test_shown_pictures_of_inexact_codecs_are_proved_alike(kind: str, tmp_path: Path) -> None:
    """A made-up device whose samples are off by 1: each picture shown is right, by its lines and in
    full; off by 3, or the neighbour's, it is wrong; and so is all of it in software."""
    path = make_zoo_clip(ZOO[kind], tmp_path)
    media = indexed(path)
    index = read_frame_index(media.index_path).model_copy(update={"is_stamped": False})
    asked = {"thread_count": 1, "viewer_height_px": 90, "refresh_hz": 60, "seed": 3}
    job = OpenLoopJob(media=media, player=PLAYERS["slice"], **asked)
    player = OpenLoopPlayer(path, index, job)

    def proofs(off: int, neighbour: int = 0, kept: int = 8, device: str = "cuda") -> list[str]:
        witness = Witness(job.model_copy(update={"player": PLAYERS[device]}), index, player)
        for frame in (9, 5, 6, 30):
            planes = planes_of(player.bring(frame + neighbour))
            made = [np.where(p > 128, p - off, p + off).astype(p.dtype) for p in planes]
            picture = frame_from_planes(tuple(made), index.pixel_format)
            witness.saw(frame, picture, player.present(picture))
        del witness._kept[kept:]
        return list(witness.proofs())

    for kept in (0, 8):
        assert proofs(1, kept=kept) == ["right"] * 4
        assert proofs(3, kept=kept) == proofs(0, neighbour=1, kept=kept) == ["wrong"] * 4
        assert proofs(1, kept=kept, device="slice") == ["wrong"] * 4


@pytest.mark.parametrize("kind", ["mjpeg-avi", "mpeg2-ts-long-gop"])
def test_inexact_codecs_are_right_within_two_code_values_of_the_wanted_frame(
    kind: str, tmp_path: Path
) -> None:
    """Each sample off by 1 is right, by 3 wrong; so is the neighbour's very picture, and one half
    way to a neighbour, though within the tolerance of the wanted frame."""
    path = make_zoo_clip(ZOO[kind], tmp_path)
    index = build_frame_index(path).model_copy(update={"is_stamped": False})
    job = ScrubJob.model_construct(
        policy="roll", thread_count=1, player=PLAYERS["slice"], viewer_height_px=90
    )
    player = Player(path, index, job)
    assert player.codec in INEXACT_CODECS
    pictures = [player.move(n, lambda: 0).picture for n in range(6)]
    planes = planes_of(pictures[5])

    def off_by(code_values: int, rows: int = 1) -> VideoFrame:
        made = [p.copy() for p in planes]
        for new, old in zip(made, planes, strict=True):
            new[::rows] = np.where(old > 128, old - code_values, old + code_values)[::rows]
        return frame_from_planes(tuple(made), index.pixel_format)

    verifier = FrameVerifier(index, player)
    tried = (*map(off_by, (0, 1, 3)), pictures[4], off_by(1, rows=2))
    proofs = [verifier.verify(picture, 5)[0] for picture in tried]
    assert proofs == ["right", "right", "wrong", "wrong", "right"]
    assert FrameVerifier(index).verify(off_by(1), 5)[0] == "wrong"
    shown = {4: pictures[4], 5: pictures[5], 6: off_by(1)}
    player.move = lambda n, _: SimpleNamespace(picture=shown[n])
    digests = (*index.digests[:6], planes_digest(planes_of(shown[6])), *index.digests[7:])
    verifier = FrameVerifier(index.model_copy(update={"digests": digests}), player)
    assert verifier.verify(off_by(1, rows=2), 5)[0] == "wrong"
