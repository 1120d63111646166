"""From a planned trial to its job, and from the job's answer to its record."""

from dataclasses import dataclass

import numpy as np

from mezzmark.model.cell import ALL_CLIPS, Cell, PlannedTrial
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.jobs import (
    Answer,
    DeliveryJob,
    EncodeJob,
    FidelityJob,
    GridJob,
    IngestJob,
    IngestSource,
    Job,
    JobFailed,
    KernelJob,
    Measured,
    ScrubJob,
    WorkerFailed,
)
from mezzmark.model.patterns import plan_requests
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.scenario import Scenario
from mezzmark.runner.prepare import Footage


def describe_throughput_job(
    cell: Cell, *, scenario: Scenario, footage: Footage, scratch_dir: str
) -> Job:
    """What a worker must do for a trial of a throughput cell."""
    if cell.task == "delivery":
        assert scenario.delivery is not None
        assert cell.passes is not None
        return DeliveryJob(
            source=footage.media[cell.clip, cell.encoding],
            frame_count=min(scenario.delivery.frames, footage.frame_counts[cell.clip]),
            settings=scenario.delivery,
            passes=cell.passes,
            thread_count=cell.thread_count,
            scratch_dir=scratch_dir,
        )
    encoding = next(e for e in footage.encodings if e.name == cell.encoding)
    if cell.task == "grid":
        assert scenario.grid is not None
        return GridJob(
            source=footage.media[cell.clip, ORIGINAL],
            encoding=encoding,
            frame_count=min(scenario.grid.frames, footage.frame_counts[cell.clip]),
            thread_count=cell.thread_count,
            job_count=cell.job_count,
            is_pinned=cell.is_pinned,
            scratch_dir=scratch_dir,
        )
    assert cell.order is not None
    return IngestJob(
        sources=tuple(
            IngestSource(
                clip=clip.clip,
                media=footage.media[clip.clip, ORIGINAL],
                frame_count=footage.frame_counts[clip.clip],
            )
            for clip in footage.clips
        ),
        encoding=encoding,
        thread_count=cell.thread_count,
        job_count=cell.job_count,
        order=cell.order,
        height_px=cell.height_px,
        scratch_dir=scratch_dir,
    )


KERNEL_REPEATS = 5
"""About 0.2 s: the median of five is steady, and a kernel trial stays cheap beside the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialContext:
    """When a trial ran, how long it took as its parent saw it (process start included), and what
    the machine did meanwhile."""

    started_utc: str
    wall_ns: int
    host_before: HostMoment
    host_during: HostMoment


def describe_job(
    planned: PlannedTrial, *, scenario: Scenario, footage: Footage, scratch_dir: str
) -> Job:
    """What a worker must do for this trial. Requests depend on the trial's seed and the lengths of
    its clips only."""
    cell = planned.cell
    if cell.task == "kernel":
        return KernelJob(repeats=KERNEL_REPEATS)
    if cell.task == "encode":
        assert scenario.encode is not None
        return EncodeJob(
            source=footage.media[cell.clip, ORIGINAL],
            encoding=_encoding(footage, cell.encoding),
            frame_count=min(scenario.encode.frames, footage.frame_counts[cell.clip]),
            thread_count=cell.thread_count,
            scratch_dir=scratch_dir,
        )
    if cell.task == "fidelity":
        assert scenario.fidelity is not None
        return FidelityJob(
            source=footage.media[cell.clip, ORIGINAL],
            encoding=_encoding(footage, cell.encoding),
            settings=scenario.fidelity,
            thread_count=cell.thread_count,
            scratch_dir=scratch_dir,
        )
    if cell.task in ("grid", "ingest", "delivery"):
        return describe_throughput_job(
            cell, scenario=scenario, footage=footage, scratch_dir=scratch_dir
        )
    return _scrub_job(planned, scenario=scenario, footage=footage)


def _scrub_job(planned: PlannedTrial, *, scenario: Scenario, footage: Footage) -> ScrubJob:
    cell = planned.cell
    assert scenario.scrub is not None
    assert cell.pattern is not None
    assert cell.policy is not None
    assert cell.threading is not None
    assert cell.viewer_height_px is not None
    clips = _visited_clips(cell, footage)
    requests = plan_requests(
        cell.pattern,
        frame_counts=[footage.frame_counts[clip] for clip in clips],
        settings=scenario.scrub,
        rng=np.random.default_rng(planned.seed),
    )
    return ScrubJob(
        media=tuple(footage.media[clip, cell.encoding] for clip in clips),
        requests=requests,
        policy=cell.policy,
        thread_count=cell.thread_count,
        threading=cell.threading,
        decoder=cell.decoder,
        viewer_height_px=cell.viewer_height_px,
    )


def _visited_clips(cell: Cell, footage: Footage) -> list[str]:
    if cell.clip != ALL_CLIPS:
        return [cell.clip]
    names = (clip.clip for clip in footage.clips)
    return [name for name in names if (name, cell.encoding) in footage.media]


def _encoding(footage: Footage, name: str) -> Encoding:
    return next(encoding for encoding in footage.encodings if encoding.name == name)


def record_trial(planned: PlannedTrial, answer: Answer, circumstances: TrialContext) -> Trial:
    """The record of a trial, whatever came of it."""
    trial = Trial(
        round_index=planned.round_index,
        position=planned.position,
        cell=planned.cell,
        seed=planned.seed,
        started_utc=circumstances.started_utc,
        wall_ns=circumstances.wall_ns,
        outcome="finished",
        host_before=circumstances.host_before,
        host_during=circumstances.host_during,
    )
    match answer:
        case Measured(measurement=measurement, process=process):
            return trial.model_copy(update={"measurement": measurement, "process": process})
        case JobFailed(where=where, what=what):
            return trial.model_copy(update={"outcome": "failed", "reason": f"{where}: {what}"})
        case WorkerFailed(outcome=outcome, reason=reason):
            return trial.model_copy(update={"outcome": outcome, "reason": reason})
        case _:
            reason = f"the worker answered with {answer.kind}"
            return trial.model_copy(update={"outcome": "crashed", "reason": reason})
