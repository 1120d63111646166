"""Grid, ingest and delivery from a scenario to trials on disk and to sizing, in real workers."""

import numpy as np
import pytest

from mezzmark.decide.size.sizing import size_encodings
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.scenario import Scenario
from mezzmark.model.shop import Camera, Shop
from mezzmark.model.tasks.delivery import DeliveryMeasurement
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import IngestMeasurement
from mezzmark.runner.run import run_scenario
from mezzmark.store.run_store import Run, read_run

CLIPS = ("street", "forest")
SECONDS = (1.0, 0.5)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """One round of everything on two small clips."""
    folder = tmp_path_factory.mktemp("throughput")
    scenario = Scenario.model_validate(
        {
            "name": "throughput",
            "seed": 4,
            "rounds": 1,
            "minimum_rounds": 1,
            "encodings": [ORIGINAL, "vc3-sq"],
            "clips": [
                {
                    "name": name,
                    "recipe": {
                        "width_px": 320,
                        "height_px": 180,
                        "frame_rate": 24,
                        "duration_s": seconds,
                    },
                }
                for name, seconds in zip(CLIPS, SECONDS, strict=True)
            ],
            "grid": {"jobs": [2], "threads": [1], "frames": 24, "oversubscribe": True},
            "ingest": {"jobs": [2], "threads": [1], "oversubscribe": True},
            "delivery": {"passes": [2], "preset": "ultrafast", "bitrate_bps": 1_000_000},
        }
    )
    for _ in run_scenario(scenario, run_dir=folder / "run", cache_dir=folder / "cache"):
        pass
    return read_run(folder / "run")


def test_every_trial_finished(run: Run) -> None:
    """Two grids, one folder and four deliveries (two clips, original and encoding) all finish; no
    encoded file is left, and the memory bandwidth is noted, one process first."""
    assert [trial.reason for trial in run.trials if trial.outcome != "finished"] == []
    counts = {
        task: sum(trial.cell.task == task for trial in run.trials)
        for task in ("grid", "ingest", "delivery")
    }
    assert counts == {"grid": 2, "ingest": 1, "delivery": 4}
    assert not [path for path in run.run_dir.rglob("*") if path.suffix in (".mov", ".mp4", ".part")]
    memory = run.manifest.host.memory_bandwidth
    assert memory is not None
    assert memory.points[0].process_count == 1
    assert all(point.bytes_per_s > 0 for point in memory.points)


def test_frames_out_are_frames_in_and_in_order(run: Run) -> None:
    """Every grid job, every ingested clip and every delivery holds all its pictures, stamps in
    order."""
    lengths = {name: round(24 * seconds) for name, seconds in zip(CLIPS, SECONDS, strict=True)}
    for trial in run.trials:
        measured = trial.measurement
        if isinstance(measured, GridMeasurement):
            expected = lengths[trial.cell.clip]
            assert measured.decoded_frame_count == (expected, expected)
            assert measured.stamps_in_order == (True, True)
        elif isinstance(measured, IngestMeasurement):
            assert dict(zip(measured.clips, measured.frame_count, strict=True)) == lengths
            assert all(measured.is_verified)
        elif isinstance(measured, DeliveryMeasurement):
            assert measured.decoded_frame_count == lengths[trial.cell.clip]
            assert measured.stamps_in_order is True
            assert len(measured.pass_ns) == 2


def test_sizing_uses_the_ingest(run: Run) -> None:
    """Ingest hours come from the ingest task; with one round there is no interval, and it says how
    many rounds are missing."""
    camera = Camera(name="a", bitrate_bps=50_000_000, hours_per_day=1)
    result = size_encodings(
        [run],
        Shop(name="s", cameras=(camera,), editors=1),
        rng=np.random.default_rng(1),
        draw_count=400,
    )
    sized = next(found for found in result.encodings if found.encoding == "vc3-sq")
    hours = sized.figures["ingest_hours_per_day"]
    assert hours.point > 0
    assert hours.low is None
    assert [w.needed for w in hours.withheld] == [2]
    assert not any("too hopeful" in note for note in sized.notes)
