"""Asks a machine what it decodes in hardware: a real decode of each codec, profile, depth and
chroma by each device that the FFmpeg build knows, every picture proved as in any trial.

A list of devices names what was built in, not what is there; only pictures count. Each decode runs
in a process of its own, since drivers crash.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

from mezzmark.decide.compare.self_test import HardwareDecode
from mezzmark.model.catalogue.core import resolve_custom
from mezzmark.model.encoding import CustomEncoding
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import Measured, PreparedMedia
from mezzmark.model.players import Player
from mezzmark.model.preparations import PrepareEncodingJob, PrepareOriginalJob
from mezzmark.model.tasks.scrub import PROVED, ScrubJob, ScrubMeasurement, shown_proof
from mezzmark.runner.workers import Dispatch, last_answer, run_worker

CLIP: Final = ClipSpec(
    name="hardware", recipe=Recipe(width_px=640, height_px=360, duration_s=0.5, grain=1.0)
)
PROBE_TIMEOUT_S: Final = 60.0
GIVE_UP_AFTER: Final = 3
"""Kinds that a device refuses before any other picture came from it: it is not there."""


class Probe(NamedTuple):
    """What is tried: `decoder` and `encoder` as FFmpeg calls them, a profile as people do."""

    codec: str
    profile: str
    decoder: str
    encoder: str
    pixel_format: str
    container: str = "mp4"


PROBES: Final = (
    Probe("AVC", "High", "h264", "libx264", "yuv420p"),
    Probe("HEVC", "Main", "hevc", "libx265", "yuv420p"),
    Probe("MPEG-2", "Main", "mpeg2video", "mpeg2video", "yuv420p", "mov"),
    Probe("AVC", "High 10", "h264", "libx264", "yuv420p10le"),
    Probe("AVC", "High 4:2:2", "h264", "libx264", "yuv422p10le"),
    Probe("HEVC", "Main 10", "hevc", "libx265", "yuv420p10le"),
    Probe("HEVC", "Main 4:2:2 10", "hevc", "libx265", "yuv422p10le"),
    Probe("HEVC", "Main 4:4:4 10", "hevc", "libx265", "yuv444p10le"),
    Probe("AV1", "Main", "av1", "libsvtav1", "yuv420p"),
    Probe("AV1", "Main", "av1", "libsvtav1", "yuv420p10le"),
    Probe("VP9", "0", "vp9", "libvpx-vp9", "yuv420p", "mkv"),
    Probe("VP9", "2", "vp9", "libvpx-vp9", "yuv420p10le", "mkv"),
    Probe("MPEG-2", "4:2:2", "mpeg2video", "mpeg2video", "yuv422p", "mov"),
    Probe("Motion JPEG", "baseline", "mjpeg", "mjpeg", "yuvj420p", "mov"),
    Probe("Motion JPEG", "baseline", "mjpeg", "mjpeg", "yuvj422p", "mov"),
    Probe("RDD 36", "422 HQ", "prores", "prores_ks", "yuv422p10le", "mov"),
)
_OPTIONS: Final = {"libsvtav1": {"preset": 8}, "libvpx-vp9": {"cpu-used": 8}}


def probe_hardware(
    *,
    cache_dir: Path,
    on_progress: Callable[[str, float], None] = lambda _message, _fraction: None,
    dispatch: Dispatch = run_worker,
    decoders: dict[str, tuple[str, ...]] | None = None,
) -> Iterator[HardwareDecode]:
    """What came of each codec that a device has a decoder for; `decoders` are those by device,
    unless given those of this FFmpeg build. What cannot be encoded here is not tried."""
    from mezzmark.engines.play.player import device_decoders

    decoders = device_decoders() if decoders is None else decoders
    tried = [(d, p) for p in PROBES for d in decoders if p.decoder in decoders[d]]
    original = PrepareOriginalJob(clip=CLIP, seed=1, cache_dir=str(cache_dir))
    source = last_answer(dispatch(original, PROBE_TIMEOUT_S)) if tried else None
    refusals: Counter[str] = Counter()
    for done, (device, probe) in enumerate(tried):
        if refusals[device] == GIVE_UP_AFTER:
            continue
        on_progress(f"{device}: {probe.codec} {probe.profile}", done / len(tried))
        encoding = resolve_custom(
            CustomEncoding(
                name=f"{probe.codec} {probe.pixel_format}",
                encoder=probe.encoder,
                container=probe.container,
                pixel_format=probe.pixel_format,
                options=_OPTIONS.get(probe.encoder, {}),
            )
        )
        if isinstance(source, PreparedMedia):
            job = PrepareEncodingJob(
                source=source.media, encoding=encoding, thread_count=1, cache_dir=str(cache_dir)
            )
            made = last_answer(dispatch(job, PROBE_TIMEOUT_S))
            if isinstance(made, PreparedMedia):
                found = _decode(device, probe, made, dispatch)
                refusals[device] += 1 if found.outcome == "refused" else GIVE_UP_AFTER + 1
                yield found


def _decode(device: str, probe: Probe, made: PreparedMedia, dispatch: Dispatch) -> HardwareDecode:
    from mezzmark.engines.media.pixels import pixel_format_facts

    job = ScrubJob(
        media=(made.media,),
        requests=tuple((0, frame) for frame in range(made.frame_count)),
        policy="roll",
        thread_count=1,
        player=Player(name=device, device=device),
        viewer_height_px=180,
    )
    answer = last_answer(dispatch(job, PROBE_TIMEOUT_S))
    moves = answer.measurement if isinstance(answer, Measured) else None
    reason = getattr(answer, "what", None) or getattr(answer, "reason", "")
    wrong = -1
    if isinstance(moves, ScrubMeasurement):
        wrong = sum(proof not in PROVED for proof in shown_proof(moves))
    pixels = pixel_format_facts(probe.pixel_format)
    return HardwareDecode(
        device=device,
        codec=probe.codec,
        profile=probe.profile,
        bit_depth=pixels.bit_depth,
        chroma=pixels.chroma,
        outcome="refused" if wrong < 0 else "wrong" if wrong else "right",
        reason=reason if wrong < 0 else "",
    )
