"""Asks a machine what it decodes in hardware: a real decode of each codec, profile, depth and
chroma by each device that the FFmpeg build knows, every picture proved as in any trial.

A device's name says what was built in, not what is there. Each decode has a process of its own.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import product
from pathlib import Path
from typing import Final

from mezzmark.decide.compare.self_test import HardwareDecode
from mezzmark.model.catalogue.core import ENTRIES
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import Measured, PreparedMedia
from mezzmark.model.players import Player
from mezzmark.model.preparations import PrepareEncodingJob, PrepareOriginalJob
from mezzmark.model.tasks.scrub import PROVED, ScrubJob, ScrubMeasurement, shown_proof
from mezzmark.runner.workers import Dispatch, last_answer, run_worker

CLIP: Final = ClipSpec(name="hardware", recipe=Recipe(width_px=640, height_px=360, duration_s=0.5))
TIMEOUT_S: Final = 60.0

TRIED: Final = ["avc-long", "hevc-long", "mpeg2-intra", "mjpeg-good", "av1-long", "rdd36-standard"]
"""Encodings of the catalogue, each in all its pixel formats, the commonest on devices first."""

GIVE_UP_AFTER: Final = 3
"""Kinds of file that a device refuses before any picture came from it: it is not there."""


def probe_hardware(
    *,
    cache_dir: Path,
    on_progress: Callable[[str, float], None] = lambda _message, _fraction: None,
    dispatch: Dispatch = run_worker,
    devices: Sequence[str] | None = None,
) -> Iterator[HardwareDecode]:
    """What came of each kind of file on `devices`, all that this FFmpeg build knows unless given;
    what cannot be encoded here is not tried."""
    from mezzmark.engines.play.player import DEVICES

    entries = sorted((e for e in ENTRIES if e.name in TRIED), key=lambda e: TRIED.index(e.name))
    tried = list(product(DEVICES if devices is None else devices, entries))
    place = {"cache_dir": str(cache_dir)}
    original = PrepareOriginalJob(clip=CLIP, seed=1, **place)
    source = last_answer(dispatch(original, TIMEOUT_S)) if tried else None
    refusals: Counter[str] = Counter()
    for done, (device, entry) in enumerate(tried):
        on_progress(f"{device}: {entry.name}", done / len(tried))
        for pixel_format in entry.pixel_formats:
            if refusals[device] == GIVE_UP_AFTER or not isinstance(source, PreparedMedia):
                break
            encoding = entry.resolve(entry.containers[0], pixel_format)
            job = PrepareEncodingJob(
                source=source.media, encoding=encoding, thread_count=1, **place
            )
            made = last_answer(dispatch(job, TIMEOUT_S))
            if isinstance(made, PreparedMedia):
                found = _decode(device, made, dispatch)
                refusals[device] += 1 if found.outcome == "refused" else GIVE_UP_AFTER + 1
                yield found


def _decode(device: str, made: PreparedMedia, dispatch: Dispatch) -> HardwareDecode:
    from mezzmark.engines.media.probe import probe_media

    job = ScrubJob(
        media=(made.media,),
        requests=tuple((0, frame) for frame in range(made.frame_count)),
        policy="roll",
        thread_count=1,
        player=Player(name=device, device=device),
        viewer_height_px=180,
    )
    answer = last_answer(dispatch(job, TIMEOUT_S))
    found = {"device": device, "media": probe_media(made.media.media_path)}
    if isinstance(answer, Measured) and isinstance(answer.measurement, ScrubMeasurement):
        proofs = set(shown_proof(answer.measurement))
        if proofs != {"missing"}:
            return HardwareDecode(**found, outcome="right" if proofs <= set(PROVED) else "wrong")
    reason = getattr(answer, "what", "") or getattr(answer, "reason", "no picture came")
    return HardwareDecode(**found, outcome="refused", reason=reason)
