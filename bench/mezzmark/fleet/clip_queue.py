"""The clips of one folder on their way over hosts: which wait, and what came of the others."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from mezzmark.fleet.scheduler import HostLostError, lost, named_of
from mezzmark.host.common import Clock
from mezzmark.model.jobs import JobFailed, Measured, WorkerFailed
from mezzmark.model.tasks.ingest import IngestJob, IngestMeasurement
from mezzmark.model.tasks.spec import ProcessFacts

_PER_CLIP: Final = (
    *("frame_count", "width_px", "height_px", "source_bytes", "cpu_ns", "file_bytes"),
    *("encoded_ns", "end_ns", "worker_index", "is_verified"),
)


@dataclass(slots=True)
class ClipQueue:
    """The clips of a trial that wait, are under way and are done; asked by a thread a host."""

    waiting: list[int]
    clock: Clock
    start_ns: int
    under_way: int = 0
    done: dict[int, dict[str, Any]] = field(default_factory=dict)
    flags: list[str] = field(default_factory=list)
    failure: JobFailed | WorkerFailed | None = None
    error: BaseException | None = None
    changed: threading.Condition = field(default_factory=threading.Condition)

    def now_ns(self) -> int:
        """Since the trial began."""
        return self.clock.monotonic_ns() - self.start_ns

    def take(self, count: int) -> list[int]:
        """The next clips; waits while those of other hosts may still come back, and is empty at the
        end."""
        with self.changed:
            while not self.waiting and self.under_way and not self.is_over:
                self.changed.wait()
            taken = [] if self.is_over else self.waiting[:count]
            del self.waiting[: len(taken)]
            self.under_way += bool(taken)
            return taken

    @property
    def is_over(self) -> bool:
        """Whether nothing is handed out any more, for it failed."""
        return self.failure is not None or self.is_broken

    @property
    def is_broken(self) -> bool:
        """Whether an error must be raised that is no loss of a host."""
        return self.error is not None and not isinstance(self.error, HostLostError)

    def note(
        self, host: str, first: int, taken: Sequence[int], answer: Any, *, begun_ns: int
    ) -> None:
        """What a host answered, whose first worker has the number `first`. HostLostError where that
        is not of these clips."""
        ended_ns = self.now_ns()
        rows = _rows(answer, host, len(taken)) if isinstance(answer, Measured) else []
        last_ns = max((row["end_ns"] for row in rows), default=0)
        with self.changed:
            for clip, row in zip(taken, rows, strict=bool(rows)):
                own = {"hosts": host, "worker_index": first + row["worker_index"]}
                for name in ("encoded_ns", "end_ns"):  # the last one stood when home heard of it
                    own[name] = max(begun_ns + 1, ended_ns - (last_ns - row[name]))
                self.done[clip] = {**row, **own, "start_ns": begun_ns}
            if not isinstance(answer, Measured | JobFailed | WorkerFailed):
                answer = WorkerFailed(outcome="crashed", reason=f"it answered with {answer.kind}")
            if not isinstance(answer, Measured):
                self.failure = self.failure or named_of(host, answer)
            self.flags += answer.flags if isinstance(answer, Measured) else ()
            self.under_way -= 1
            self.changed.notify_all()

    def give_back(self, taken: Sequence[int], error: BaseException) -> None:
        """A host is gone, or worse: its clips are the next ones."""
        with self.changed:
            self.waiting[:0] = taken
            if not self.is_broken:
                self.error = error
            self.flags.append("host_lost")
            self.under_way -= 1
            self.changed.notify_all()

    def answer(self, job: IngestJob) -> Any:
        """What came of the trial; the error of a host where clips are left."""
        if self.is_broken or (self.waiting and not self.failure):
            assert self.error is not None
            raise self.error
        if self.failure:
            return self.failure
        rows = [self.done[clip] for clip in range(len(job.sources))]
        columns = {name: tuple(row[name] for row in rows) for name in rows[0]}  # of one job alike
        measurement = IngestMeasurement(
            clips=tuple(source.clip for source in job.sources),
            worker_count=sum(split.jobs for split in job.hosts),
            **columns,
        )
        process = ProcessFacts(cpu_ns=sum(measurement.cpu_ns))
        flags = tuple(dict.fromkeys(self.flags))
        return Measured(measurement=measurement, process=process, flags=flags)


def _rows(answer: Measured, host: str, count: int) -> list[dict[str, Any]]:
    """What a host measured, a row a clip. HostLostError where it is of other clips."""
    found: Any = answer.measurement
    columns = {name: getattr(found, name) for name in (*_PER_CLIP, "wait_ns")}
    if (len(found.clips), found.worker_count) != (count, count):
        raise lost(host, "it answered with what cannot have been measured")
    known = {name: values for name, values in columns.items() if values}
    return [dict(zip(known, row, strict=True)) for row in zip(*known.values(), strict=True)]
