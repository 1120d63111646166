"""Asks a machine what change it could find, by identical and delayed players compared many times;
and what it decodes in hardware.

The latter by a real decode of each codec, profile, depth and chroma by each device that the FFmpeg
build knows, in a process each, every picture proved: a name says what was built, not what is there.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from statistics import median
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.compare.self_test import ClockFacts, HardwareDecode
from mezzmark.model.catalogue.core import ENTRIES, find_encoding
from mezzmark.model.errors import EngineError
from mezzmark.model.footage import ClipSpec, OriginalSpec, Recipe
from mezzmark.model.jobs import Job, Measured, PreparedMedia
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.preparations import PrepareEncodingJob, PrepareOriginalJob
from mezzmark.model.tasks import scrub
from mezzmark.model.tasks.patterns import groups_of, plan_requests
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.runner.workers import Dispatch, last_answer, raise_machine_fault, run_worker

CLIP: Final = ClipSpec(
    name="rig",
    recipe=Recipe(width_px=1280, height_px=720, duration_s=2.0),
    original=OriginalSpec(bitrate_bps=20_000_000),
)
ENCODING_NAME: Final = "vc3-sq"
"""An intra encoding whose decoder uses one thread or several alike: short trials, real decoding."""

SCRUB: Final = scrub.ScrubSettings(patterns=("jump",), requests=24, threads=(1,))
PREPARE_TIMEOUT_S: Final = 300.0
TRIAL_TIMEOUT_S: Final = 60.0
CLOCK_READINGS: Final = 20_000

_Result = TypeVar("_Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfTestPlan:
    """How much is asked: so many comparisons of so many rounds, and the slowdowns planted."""

    comparison_count: int = 20
    round_count: int = 6
    planted_fractions: tuple[float, ...] = (0.05,)
    seed: int = 1


def probe_clock(clock_ns: Callable[[], int]) -> ClockFacts:
    """The smallest step between two readings that differ, and the median cost of a reading."""
    steps = np.diff([clock_ns() for _ in range(CLOCK_READINGS)])
    finest, usual = float(steps[steps > 0].min()), float(np.median(steps))
    return ClockFacts(resolution_ns=finest, reading_ns=usual)


def measure_self_test(
    plan: SelfTestPlan,
    *,
    cache_dir: Path,
    on_progress: Callable[[str, float], None] = lambda _message, _fraction: None,
) -> NDArray[np.float64]:
    """Median latencies in ns, shape (arms, comparisons, rounds). The first two arms are identical,
    others delayed as planned; those of a round replay the same requests, shuffled."""
    media, frame_count = _prepare(plan, cache_dir, on_progress)
    rng = np.random.default_rng(plan.seed)
    fractions = (0.0, 0.0, *plan.planted_fractions)
    costs = np.empty((len(fractions), plan.comparison_count, plan.round_count))
    done = 0
    for comparison, round_index in np.ndindex(*costs.shape[1:]):
        clips = [groups_of(frame_count)]
        requests = plan_requests("jump", clips=clips, settings=SCRUB, rng=rng)
        for arm in rng.permutation(len(fractions)):
            job = scrub.ScrubJob(
                media=(media,),
                requests=requests,
                policy="reseek",
                thread_count=1,
                player=PLAYERS["slice"],
                viewer_height_px=SCRUB.viewer_heights_px[0],
                injected_slowdown_fraction=fractions[arm],
            )
            found = _answer(job, Measured, TRIAL_TIMEOUT_S).measurement
            assert isinstance(found, scrub.ScrubMeasurement)
            spans = zip(found.locate_ns, found.decode_ns, found.present_ns, strict=True)
            costs[arm, comparison, round_index] = median(map(sum, spans))
            done += 1
            message = f"comparison {comparison + 1} of {plan.comparison_count}"
            on_progress(message, done / costs.size)
    return costs


def _prepare(
    plan: SelfTestPlan, cache_dir: Path, on_progress: Callable[[str, float], None]
) -> tuple[MediaReference, int]:
    on_progress("making a short clip", 0.0)
    original = PrepareOriginalJob(clip=CLIP, seed=plan.seed, cache_dir=str(cache_dir))
    source = _answer(original, PreparedMedia, PREPARE_TIMEOUT_S).media
    encoded = PrepareEncodingJob(
        source=source,
        encoding=find_encoding(ENCODING_NAME),
        thread_count=1,
        cache_dir=str(cache_dir),
    )
    made = _answer(encoded, PreparedMedia, PREPARE_TIMEOUT_S)
    return made.media, made.frame_count


def _answer(job: Job, kind: type[_Result], timeout_s: float) -> _Result:
    answer = last_answer(run_worker(job, timeout_s))
    if isinstance(answer, kind):
        return answer
    raise_machine_fault(answer, "rig")
    what = getattr(answer, "what", None) or getattr(answer, "reason", "no answer")
    what = f"its short clip cannot be measured: {what}"
    raise EngineError(where="rig", what=what, remedy="Run `mezzmark demo` to see which part fails")


HARDWARE_CLIP: Final = ClipSpec(
    name="hardware", recipe=Recipe(width_px=640, height_px=360, duration_s=0.5)
)

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
    """What came of each kind of file on `devices` (all), but those not encodable here."""
    from mezzmark.engines.play.player import DEVICES

    entries = sorted((e for e in ENTRIES if e.name in TRIED), key=lambda e: TRIED.index(e.name))
    tried = list(product(DEVICES if devices is None else devices, entries))
    place = {"cache_dir": str(cache_dir)}
    original = PrepareOriginalJob(clip=HARDWARE_CLIP, seed=1, **place)
    source = last_answer(dispatch(original, TRIAL_TIMEOUT_S)) if tried else None
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
            made = last_answer(dispatch(job, TRIAL_TIMEOUT_S))
            if isinstance(made, PreparedMedia):
                found = _decode(device, made, dispatch)
                refusals[device] += 1 if found.outcome == "refused" else GIVE_UP_AFTER + 1
                yield found


def _decode(device: str, made: PreparedMedia, dispatch: Dispatch) -> HardwareDecode:
    from mezzmark.engines.media.probe import probe_media

    job = scrub.ScrubJob(
        media=(made.media,),
        requests=tuple((0, frame) for frame in range(made.frame_count)),
        policy="roll",
        thread_count=1,
        player=Player(name=device, device=device),
        viewer_height_px=180,
    )
    answer = last_answer(dispatch(job, TRIAL_TIMEOUT_S))
    found = {"device": device, "media": probe_media(made.media.media_path)}
    if isinstance(answer, Measured) and isinstance(answer.measurement, scrub.ScrubMeasurement):
        proofs = set(scrub.shown_proof(answer.measurement))
        if proofs != {"missing"}:
            outcome = "right" if proofs <= set(scrub.PROVED) else "wrong"
            return HardwareDecode(**found, outcome=outcome)
    reason = getattr(answer, "what", "") or getattr(answer, "reason", "no picture came")
    return HardwareDecode(**found, outcome="refused", reason=reason)
