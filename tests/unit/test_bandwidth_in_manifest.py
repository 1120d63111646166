"""What the machine's memory carries is asked for where a grid needs it, and only there."""

from collections.abc import Iterator
from pathlib import Path

from fixtures.fabricated_run import fabricate_run
from mezzmark.host.linux import count_numa_nodes
from mezzmark.model.jobs import Job, WorkerFailed
from mezzmark.model.preparations import Answer, BandwidthJob, BandwidthMeasured
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.grid import GridSettings
from mezzmark.model.tasks.kernel import BandwidthFacts, BandwidthPoint
from mezzmark.runner.start import add_bandwidth


def _manifest(*, has_grid: bool, core_count: int = 6) -> Manifest:
    manifest, _ = fabricate_run()
    scenario = manifest.scenario.but(grid=GridSettings() if has_grid else None)
    host = manifest.host.model_copy(update={"usable_core_count": core_count})
    return manifest.model_copy(update={"scenario": scenario, "host": host})


def _answering(asked: list[Job], answer: Answer | None = None):
    def dispatch(job: Job, timeout_s: float) -> Iterator[Answer]:
        asked.append(job)
        assert isinstance(job, BandwidthJob)
        points = tuple(BandwidthPoint(process_count=n, bytes_per_s=n) for n in job.process_counts)
        yield answer or BandwidthMeasured(
            bandwidth=BandwidthFacts(block_bytes=1, repeats=1, points=points)
        )

    return dispatch


def test_a_grid_has_powers_of_two_and_all_cores() -> None:
    """On six cores 1, 2, 4 and 6 processes copy."""
    asked: list[Job] = []
    manifest = add_bandwidth(_manifest(has_grid=True), _answering(asked))
    assert [point.process_count for point in manifest.host.memory_bandwidth.points] == [1, 2, 4, 6]
    assert len(asked) == 1


def test_other_runs_do_not_wait_for_it() -> None:
    """Without a grid nothing is asked, and the manifest is what it was."""
    asked: list[Job] = []
    manifest = _manifest(has_grid=False)
    assert add_bandwidth(manifest, _answering(asked)) == manifest
    assert asked == []


def test_a_failed_copy_leaves_it_unknown() -> None:
    """When the worker dies, the run goes on without the figure."""
    broken = WorkerFailed(outcome="crashed", reason="no memory")
    manifest = add_bandwidth(_manifest(has_grid=True, core_count=1), _answering([], broken))
    assert manifest.host.memory_bandwidth is None


def test_memory_nodes_are_counted(tmp_path: Path) -> None:
    """Two node folders are two nodes; other entries do not count; no folder means unknown."""
    folder = tmp_path / "sys/devices/system/node"
    for name in ("node0", "node1", "possible", "has_cpu"):
        (folder / name).mkdir(parents=True)
    assert count_numa_nodes(tmp_path) == 2
    assert count_numa_nodes(tmp_path / "elsewhere") is None
