"""From a planned trial to its job, and from the job's answer to its record."""

from dataclasses import dataclass, replace

from mezzmark.model.cell import PlannedTrial
from mezzmark.model.jobs import Answer, Job, JobFailed, Measured, WorkerFailed
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.runner.prepare import Footage


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
    """What a worker must do for this trial."""
    task = planned.cell.task
    inputs = replace(footage.prepared, scratch_dir=scratch_dir)
    return TASKS[task].job(planned, scenario.tasks.get(task), inputs)


def record_trial(planned: PlannedTrial, answer: Answer, circumstances: TrialContext) -> Trial:
    """The record of a trial, whatever came of it."""
    trial = Trial(
        round_index=planned.round_index,
        position=planned.position,
        cell=planned.cell,
        arm=planned.arm,
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
