"""The reference kernel, which tells drift of the machine from the codec's; memory copies."""

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from mezzmark.model.cell import KERNEL_CLIP, KERNEL_ENCODING, Cell
from mezzmark.model.fact import Amount, Fact, Positive, Whole
from mezzmark.model.tasks.spec import NS_PER_MS, Figure, Seen, TaskSpec, Work
from mezzmark.statistics.quantiles import quantile

KERNEL_CELL: Final = Cell(task="kernel", clip=KERNEL_CLIP, encoding=KERNEL_ENCODING)

KERNEL_REPEATS: Final = 5
"""About 0.2 s: the median of five is steady, and a kernel trial stays cheap beside the others."""


class KernelJob(Fact):
    """Run the reference workload `repeats` times."""

    task: Literal["kernel"] = "kernel"
    repeats: int


class KernelMeasurement(Fact):
    """Repeats of the fixed reference workload in one trial."""

    task: Literal["kernel"] = "kernel"
    wall_ns: tuple[Positive, ...]


class BandwidthPoint(Fact):
    """Bytes read plus bytes written a second, by `process_count` processes together."""

    process_count: Positive
    bytes_per_s: Amount


class BandwidthFacts(Fact):
    """The copy rate by number of processes; each copied blocks of `block_bytes`."""

    block_bytes: Whole
    repeats: Whole
    points: tuple[BandwidthPoint, ...]


def _view(seen: Sequence[Seen]) -> list[Seen | None]:
    return [one if one.measured.wall_ns else None for one in seen]


KERNEL: Final = TaskSpec(
    name="kernel",
    label="reference kernel",
    verb="run",
    axes=("threads",),
    job_model=KernelJob,
    measurement_model=KernelMeasurement,
    engine_entry="mezzmark.engines.encode.reference:run_kernel",
    job=lambda *_: KernelJob(repeats=KERNEL_REPEATS),
    view=_view,
    work=lambda seen: Work(sample_count=len(seen.measured.wall_ns)),
    figures=(
        Figure(
            "kernel_ms", "ms", lambda s: quantile(np.divide(s.measured.wall_ns, NS_PER_MS), 0.5)
        ),
    ),
    headline="kernel_ms",
    busy_ns=lambda measured: sum(measured.wall_ns),
)
