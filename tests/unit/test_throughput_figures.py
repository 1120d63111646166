"""Figures of the throughput tasks from planted nanoseconds."""

import pytest
from pydantic import ValidationError

from fixtures.figures import figures_of
from mezzmark.model.cell import ALL_CLIPS, Cell, Setting
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.delivery import DeliveryMeasurement
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import IngestMeasurement

SECOND = 1_000_000_000


def _grid(**changes: object) -> GridMeasurement:
    plain = {
        "frame_count": 40,
        "frame_rate": "25",
        "width_px": 320,
        "height_px": 180,
        "start_ns": (0, 0),
        "end_ns": (4 * SECOND, 5 * SECOND),
        "cpu_ns": (4 * SECOND, 4 * SECOND),
        "peak_rss_bytes": (100, 120),
        "window_ns": 4 * SECOND,
        "window_packets": (40, 32),
        "packet_count": (40, 40),
        "file_bytes": (10, 10),
        "decoded_frame_count": (40, 40),
        "stamps_in_order": (True, True),
    }
    return GridMeasurement(**(plain | changes))


def test_grid_counts_finished_frames_of_the_common_window() -> None:
    """40 + 32 frames in 4 s are 18 fps; 8 CPU seconds in 5 s are 1.6 cores; memory is the
    largest job's."""
    assert figures_of(_grid()) == {
        "throughput_fps": 18.0,
        "first_file_s": 4.0,
        "cores_busy": 1.6,
        "peak_rss_bytes": 120.0,
    }


def test_memory_unknown_is_left_out() -> None:
    """Where the system tells no peak memory, the figure is missing, not zero."""
    assert "peak_rss_bytes" not in figures_of(_grid(peak_rss_bytes=(None, None)))


def test_jobs_of_unequal_number_are_refused() -> None:
    """A record whose tuples differ in length is damaged."""
    with pytest.raises(ValidationError):
        _grid(end_ns=(1,))


def test_ingest_is_makespan_and_idle_share() -> None:
    """Two workers busy 4 and 2 s of a 4 s makespan idle 2 of 8 worker-seconds; 100 + 50 frames of
    100 pixels in 4 s are 0.00375 Mpx/s."""
    figures = figures_of(
        IngestMeasurement(
            clips=("a", "b"),
            frame_count=(100, 50),
            width_px=(10, 10),
            height_px=(10, 10),
            source_bytes=(1, 1),
            start_ns=(0, 0),
            encoded_ns=(4 * SECOND, 2 * SECOND),
            end_ns=(4 * SECOND, 2 * SECOND),
            worker_index=(0, 1),
            cpu_ns=(4 * SECOND, 2 * SECOND),
            file_bytes=(1, 1),
            is_verified=(True, True),
            worker_count=2,
        )
    )
    assert figures["makespan_s"] == 4
    assert figures["throughput_fps"] == 37.5
    assert figures["idle_fraction"] == pytest.approx(0.25)
    assert figures["pixel_rate_mpx_s"] == pytest.approx(0.00375)
    assert figures["cores_busy"] == 1.5


def test_two_passes_decode_twice() -> None:
    """1 s of decoding in each of two passes of 5 s is a fifth of the export."""
    figures = figures_of(
        DeliveryMeasurement(
            frame_count=100,
            decoded_frame_count=100,
            stamps_in_order=True,
            pass_ns=(5 * SECOND, 5 * SECOND),
            pass_cpu_ns=(5 * SECOND, 10 * SECOND),
            decode_ns=SECOND,
            file_bytes=7,
            packet_bytes=6,
            frame_rate="25",
            width_px=320,
            height_px=180,
        )
    )
    assert figures["throughput_fps"] == 10
    assert figures["decode_fraction"] == pytest.approx(0.2)
    assert figures["cores_busy"] == 1.5


def test_cell_names_tell_jobs_order_and_passes_apart() -> None:
    """Cells that differ in jobs, order, size, passes or pinning have different names."""
    base = Cell(task="ingest", clip=ALL_CLIPS, encoding="e", setting=Setting(clip_order="fifo"))
    others = [
        base.but(setting=base.setting.but(**change))
        for change in (
            {"jobs": 2},
            {"threads": 2},
            {"clip_order": "longest-first"},
            {"delivery_height": 1080},
        )
    ]
    names = {cell.cell_id for cell in (base, *others)}
    assert len(names) == 1 + len(others)


def test_a_scenario_may_measure_throughput_alone() -> None:
    """[grid], [ingest] or [delivery] alone is something to measure; an empty scenario is not."""
    plain = {"name": "n", "seed": 1, "clips": [{"name": "c", "recipe": {}}]}
    for task in ("grid", "ingest", "delivery"):
        assert list(Scenario.model_validate(plain | {task: {}}).tasks) == [task]
    with pytest.raises(ValidationError, match=r"\[grid\]"):
        Scenario.model_validate(plain)
