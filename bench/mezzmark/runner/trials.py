"""From a planned trial to its job, and from the job's answer to its record."""

from typing import Any

from mezzmark.model.cell import PlannedTrial
from mezzmark.model.jobs import Answer, Job, JobFailed, Measured, WorkerFailed
from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.runner.prepare import Footage


def describe_job(
    planned: PlannedTrial, scenario: Scenario, footage: Footage, *, scratch_dir: str
) -> Job:
    """What a worker must do for this trial."""
    task = planned.cell.task
    return TASKS[task].job(planned, scenario.tasks.get(task), footage.prepared, scratch_dir)


def record_trial(planned: PlannedTrial, answer: Answer, **circumstances: Any) -> Trial:
    """The record of a trial, whatever came of it. `circumstances` are its fields of when it ran,
    how long it took as its parent saw it (process start included), and what the machine did."""
    match answer:
        case Measured(measurement=measurement, process=process):
            came_of_it = {"outcome": "finished", "measurement": measurement, "process": process}
        case JobFailed(where=where, what=what):
            came_of_it = {"outcome": "failed", "reason": f"{where}: {what}"}
        case WorkerFailed(outcome=outcome, reason=reason):
            came_of_it = {"outcome": outcome, "reason": reason}
        case _:
            reason = f"the worker answered with {answer.kind}"
            came_of_it = {"outcome": "crashed", "reason": reason}
    return Trial.model_validate({**dict(planned), **circumstances, **came_of_it})
