"""From a planned throughput trial to its job."""

from mezzmark.facts.cells import Cell
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.jobs import DeliveryJob, GridJob, IngestJob, IngestSource, Job
from mezzmark.facts.scenario import Scenario
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
