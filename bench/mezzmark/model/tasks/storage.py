"""What storage does at best: bytes in a row, single reads at random places, writing; by how many
processes at once. No footage is used: each trial makes files of its own and removes them."""

from collections.abc import Iterator, Sequence
from itertools import product
from typing import Annotated, Final, Literal

import numpy as np
from pydantic import Field

from mezzmark.model.cell import KERNEL_CLIP, STORAGE_ENCODING, Cell, PlannedTrial, Setting
from mezzmark.model.fact import Fact, Positive, Whole, in_order, same_length
from mezzmark.model.link import KIB
from mezzmark.model.tasks import spec
from mezzmark.statistics.quantiles import quantile

Access = Literal["sequential", "random", "write"]
SEQUENTIAL_KIB: Final = 1024  # Of a read or write in a row; a copying program asks for as much
ProcessCount = Annotated[int, Field(ge=1, le=64)]
ReadKib = Annotated[int, Field(ge=4, le=65_536, multiple_of=4)]


class StorageSettings(Fact):
    """The storage task. Files lie in the run's folder or on a root for a trial, one each."""

    readers: tuple[ProcessCount, ...] = (1, 2, 4, 8)
    writers: tuple[ProcessCount, ...] = (1, 2, 4)
    read_kib: tuple[ReadKib, ...] = Field(default=(128, 1024), description="of single reads")
    reads: int = Field(default=32, ge=1, le=10_000, description="single reads a process")
    file_mib: int = Field(default=32, ge=1, le=65_536, description="of each process's file")
    roots: tuple[str, ...] = ()


class StorageJob(Fact):
    """`process_count` processes read or write a file each, `size_bytes` at a time; single reads
    start at `offsets`."""

    task: Literal["storage"] = "storage"
    access: Access
    process_count: int
    size_bytes: int
    file_bytes: int
    offsets: tuple[int, ...]
    scratch_dir: str


class StorageMeasurement(Fact):
    """One trial: `wall_ns` from the first process's start to the last one's end (of writing: all on
    the storage itself), `byte_count` by all; `read_ns` has an entry a single read."""

    task: Literal["storage"] = "storage"
    access: Access
    byte_count: Positive
    wall_ns: Positive
    process_start_ns: tuple[Whole, ...] = Field(min_length=1)
    process_end_ns: tuple[Whole, ...]
    read_ns: tuple[Whole, ...] = ()

    _one_entry_per_process = same_length("process_start_ns", "process_end_ns")
    _end_after_start = in_order("process_start_ns", "process_end_ns")


def _plan(settings: StorageSettings, stock: spec.Stock) -> Iterator[Cell]:
    kinds: list[tuple[Access, Sequence[int], Sequence[int]]] = [
        ("sequential", settings.readers, (SEQUENTIAL_KIB,)),
        ("random", settings.readers, settings.read_kib),
        ("write", settings.writers, (SEQUENTIAL_KIB,)),
    ]
    for root, (access, counts, sizes) in product(stock.on_roots(settings.roots), kinds):
        for count, kib in product(dict.fromkeys(counts), dict.fromkeys(sizes)):
            setting = Setting(access=access, jobs=count, request_kib=kib, root=root)
            yield Cell(task="storage", clip=KERNEL_CLIP, encoding=STORAGE_ENCODING, setting=setting)


def _job(
    planned: PlannedTrial, settings: StorageSettings, footage: spec.PreparedFootage
) -> StorageJob:
    """Single reads have a place of their own each, in random order."""
    setting = planned.cell.setting
    size = setting["request_kib"] * KIB
    file_bytes = max(settings.file_mib * KIB * KIB, size)
    places = np.random.default_rng(planned.seed).permutation(file_bytes // size)
    is_random = setting["access"] == "random"
    return StorageJob(
        access=setting["access"],
        process_count=setting["jobs"],
        size_bytes=size,
        file_bytes=file_bytes,
        offsets=tuple((places[: settings.reads] * size).tolist()) if is_random else (),
        scratch_dir=footage.scratch_dir,
    )


def _rate(seen: spec.Seen) -> float:
    """10⁶ bytes a second; between single reads the file cache is emptied, which does not count."""
    found: StorageMeasurement = seen.measured
    reading_ns = sum(found.read_ns) / len(found.process_start_ns)
    return found.byte_count / (reading_ns or found.wall_ns) * 1e3


def _read_ms(seen: spec.Seen) -> float | None:
    times = np.asarray(seen.measured.read_ns, dtype=np.float64)
    return quantile(times / spec.NS_PER_MS, 0.5) if times.size else None


STORAGE: Final = spec.TaskSpec(
    name="storage",
    label="raw storage",
    verb="read or write",
    axes=("root", "access", "request_kib", "jobs"),
    settings_model=StorageSettings,
    job_model=StorageJob,
    measurement_model=StorageMeasurement,
    engine_entry="mezzmark.engines.encode.reference:run_storage",
    plan=_plan,
    job=_job,
    work=lambda seen: spec.Work(sample_count=max(1, len(seen.measured.read_ns))),
    figures=(
        spec.Figure("mb_per_s", "MB/s", _rate, better="more"),
        spec.Figure("read_p50_ms", "ms", _read_ms),
    ),
    headline="mb_per_s",
    busy_ns=lambda measured: measured.wall_ns,
)
