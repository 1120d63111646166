"""Several editors on one storage, a file of each one's own: some drag, the others play, perhaps
beside an ingest that writes. Searched for as streams are; the row stands alone, as each does.

A number passes when no playing editor has more than one late picture in ten seconds, no dragging
one sees pictures older than a limit in more than one of 20 refreshes, and an ingest gets its rate.
"""

from dataclasses import replace
from typing import Annotated, Final

from pydantic import Field

from mezzmark.model.tasks import hand
from mezzmark.model.tasks.drag import OpenLoopSettings, Service, open_loop_cells
from mezzmark.model.tasks.streams import STREAMS, StreamsJob


class EditorsSettings(OpenLoopSettings):
    """The editors task: how many edit at once on one storage. `threads` are shared out."""

    scrubbing: float = Field(default=0.5, ge=0, le=1, description="share of editors that drag")
    service: Service = "latest"
    ingest_mb_per_s: tuple[Annotated[int, Field(ge=0, le=10_000)], ...] = Field(
        default=(0,), min_length=1, description="written meanwhile, 10⁶ bytes a second"
    )
    age_limit_ms: float = Field(default=hand.OLD_MS, gt=0, le=10_000, description="p95 of ages")
    duration_s: float = Field(default=5.0, ge=2, le=120, description="seconds of each number")
    most: int = Field(default=8, ge=1, le=64, description="no more editors are tried")
    hosts: int = Field(default=1, ge=1, le=1000, description="machines they sit at, in turn")


UNIT, MEANING = "editors at once", "editors at once on one storage"

EDITORS: Final = replace(
    STREAMS,
    name="editors",
    label="several editors",
    verb="edit at once",
    axes=("threads", "player", "link", "cache", "root", "ingest_mb_per_s", "host_count"),
    settings_model=EditorsSettings,
    plan=lambda settings, stock: open_loop_cells(
        "editors",
        settings,
        stock,
        ingest_mb_per_s=[n or None for n in settings.ingest_mb_per_s],
        host_count=[settings.hosts if settings.hosts > 1 else None],
    ),
    job=lambda planned, settings, footage: StreamsJob.of(
        planned,
        settings,
        footage,
        task="editors",
        scratch_dir=footage.scratch_dir,
        ingest_mb_per_s=planned.cell.setting["ingest_mb_per_s"] or 0,
    ),
    figures=(replace(STREAMS.figure("count"), unit=UNIT, meaning=MEANING), *STREAMS.figures[1:]),
)
