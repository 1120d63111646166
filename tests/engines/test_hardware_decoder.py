"""Decoding on a graphics card: the same pictures, proved the same way; skipped without one."""

import time
from collections import Counter
from pathlib import Path

import pytest

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from mezzmark.engines.media.frame_index import build_frame_index, write_frame_index
from mezzmark.engines.play.scrub import run_scrub
from mezzmark.model.errors import EngineError
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.scrub import ScrubJob
from mezzmark.model.tasks.spec import MediaReference

KINDS = ("avc-mp4", "avc-mp4-open-gop", "avc-ts", "hevc-mp4-open-gop", "hevc-mkv-closed-gop")


@pytest.mark.parametrize("policy", ["reseek", "roll"])
@pytest.mark.parametrize("kind", KINDS)
def test_card_shows_the_very_pictures_of_the_software_decoder(
    kind: str, policy: str, tmp_path: Path
) -> None:
    """AVC and HEVC define decoding to the bit, so the card's pictures, in whatever layout, have the
    digests of the software decoder's."""
    path = make_zoo_clip(ZOO[kind], tmp_path)
    write_frame_index(build_frame_index(path), tmp_path / "index.json")
    job = ScrubJob(
        media=(MediaReference(media_path=str(path), index_path=str(tmp_path / "index.json")),),
        requests=tuple((0, (29 * n) % FRAME_COUNT) for n in range(FRAME_COUNT)),
        policy=policy,
        thread_count=1,
        player=PLAYERS["cuda"],
        viewer_height_px=90,
    )
    try:
        measured = run_scrub(job, time.perf_counter_ns).measurement
    except EngineError as error:
        pytest.skip(f"no such decoder on this machine: {error.what}")
    assert Counter(measured.proof) == {"right": FRAME_COUNT}
