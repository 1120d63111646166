"""An engine without FFmpeg: known latencies and failures.

It stands in for worker processes (`dispatch` of `run_scenario`), so that every layer above is
tested in milliseconds against a truth that is known.
"""

import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Literal

import numpy as np

from mezzmark.model.fact import Fact
from mezzmark.model.jobs import Job, JobFailed, Measured, WorkerFailed
from mezzmark.model.preparations import Answer
from mezzmark.model.tasks.encode import EncodeJob, EncodeMeasurement
from mezzmark.model.tasks.kernel import KernelJob, KernelMeasurement
from mezzmark.model.tasks.scrub import ScrubJob, ScrubMeasurement
from mezzmark.model.tasks.spec import ProcessFacts

_MS = 1_000_000
_OVERHEAD_NS = 2_000

LOCATE_FRACTION, PRESENT_FRACTION = 0.05, 0.15
"""How a synthetic latency is split into spans; the rest is decode."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What an encoding (or the reference kernel) really costs.

    A latency is `median_ms` · exp(trial effect + sample effect), both normal with the given
    standard deviations of the logarithm. With a `failure` every trial ends so. For encoding,
    `median_ms` is the time of a frame.
    """

    median_ms: float = 20.0
    sample_log_sd: float = 0.2
    trial_log_sd: float = 0.02
    failure: Literal["", "crash", "hang", "refuse"] = ""


KERNEL = "kernel"
"""The key of the reference kernel's truth."""


@dataclass(slots=True, kw_only=True)
class SyntheticEngine:
    """Answers trials from `truths` (encoding name → Truth), others from `usual`.

    The name of an encoding is the last part of its media path, as `synthetic_footage` makes it.
    `spend_s` really passes for each trial, for tests that need one to be under way.
    """

    truths: Mapping[str, Truth] = field(default_factory=dict)
    usual: Truth = Truth()
    seed: int
    spend_s: float = 0.0
    trial_count: int = 0

    def dispatch(self, job: Job, timeout_s: float) -> Iterator[Answer]:
        """As a worker process would: one answer."""
        yield self(job, timeout_s)

    def __call__(self, job: Job, timeout_s: float) -> Answer:
        """The answer to a trial's job; a hang answers at once what its end would be."""
        truth = self.truths.get(_name(job), self.usual)
        rng = np.random.default_rng([self.seed, self.trial_count])
        self.trial_count += 1
        if self.spend_s:
            time.sleep(self.spend_s)
        if truth.failure:
            return _failure(truth, timeout_s)
        scale_ms = truth.median_ms * np.exp(truth.trial_log_sd * rng.standard_normal())
        measurement = _measure(job, truth, float(scale_ms), rng)
        return Measured(measurement=measurement, process=ProcessFacts(cpu_ns=_MS))


def _name(job: Job) -> str:
    if isinstance(job, ScrubJob):
        return PurePosixPath(job.media[0].media_path).name
    if isinstance(job, EncodeJob):
        return job.encoding.name
    return KERNEL


def _failure(truth: Truth, timeout_s: float) -> Answer:
    if truth.failure == "refuse":
        return JobFailed(where="synthetic", what="planted refusal", remedy="None.", exit_code=23)
    if truth.failure == "hang":
        return WorkerFailed(outcome="timed_out", reason=f"no answer within {timeout_s:g} s; killed")
    return WorkerFailed(outcome="crashed", reason="planted crash")


def _measure(job: Job, truth: Truth, scale_ms: float, rng: np.random.Generator) -> Fact:
    if isinstance(job, ScrubJob):
        return _scrub(job, _latencies_ns(len(job.requests), truth, scale_ms, rng))
    if isinstance(job, EncodeJob):
        return _encode(job, int(_latencies_ns(job.frame_count, truth, scale_ms, rng).sum()))
    if isinstance(job, KernelJob):
        walls_ns = _latencies_ns(job.repeats, truth, scale_ms, rng)
        return KernelMeasurement(wall_ns=tuple(walls_ns.tolist()))
    raise ValueError(f"the synthetic engine does not prepare media: {job.task}")


def _latencies_ns(
    count: int, truth: Truth, scale_ms: float, rng: np.random.Generator
) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    latencies_ms = scale_ms * np.exp(truth.sample_log_sd * rng.standard_normal(count))
    return np.rint(latencies_ms * _MS).astype(np.int64)


def _scrub(
    job: ScrubJob, latencies_ns: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> ScrubMeasurement:
    count = len(job.requests)
    positions, frames = zip(*job.requests, strict=True)
    locate_ns = np.rint(latencies_ns * LOCATE_FRACTION).astype(np.int64)
    present_ns = np.rint(latencies_ns * PRESENT_FRACTION).astype(np.int64)
    return ScrubMeasurement(
        clip_position=positions,
        frame_index=frames,
        locate_ns=tuple(locate_ns.tolist()),
        decode_ns=tuple((latencies_ns - locate_ns - present_ns).tolist()),
        present_ns=tuple(present_ns.tolist()),
        overhead_ns=(_OVERHEAD_NS,) * count,
        decoded_frames=(1,) * count,
        read_bytes=(1_000_000,) * count,
        shown_frame=frames,
        proof=("right",) * count,
        open_ns=(5 * _MS,) * len(job.media),
        block=tuple(move * job.blocks // count for move in range(count)),
    )


def _encode(job: EncodeJob, wall_ns: int) -> EncodeMeasurement:
    return EncodeMeasurement(
        frame_count=job.frame_count,
        decoded_frame_count=job.frame_count,
        stamps_in_order=True,
        wall_ns=wall_ns,
        cpu_ns=wall_ns,
        file_bytes=100_000 * job.frame_count,
        packet_bytes=100_000 * job.frame_count,
        stream_digest="0" * 16,
        frame_rate="24",
        width_px=1920,
        height_px=1080,
    )
