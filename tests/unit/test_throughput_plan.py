"""Cells of the throughput tasks."""

from itertools import product

import pytest

from mezzmark.model.cell import ALL_CLIPS
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.ingest import IngestSettings
from mezzmark.runner.plan import plan_cells

CLIPS = ("a", "b")
NAMES = ("original", "quick", "small")
MEDIA = [(clip, name) for clip in CLIPS for name in NAMES]


def _cells(core_count: int, media: list[tuple[str, str]] | None = None, **tables: dict) -> list:
    scenario = Scenario.model_validate(
        {
            "name": "n",
            "seed": 1,
            "clips": [{"name": clip, "recipe": {}} for clip in CLIPS],
            "encodings": NAMES,
        }
        | {key: table for key, table in tables.items() if key != "arm"}
    )
    planned = plan_cells(scenario, media=MEDIA if media is None else media, core_count=core_count)
    return [p.cell for p in planned if p.arm == tables.get("arm", "")]


def test_a_grid_holds_the_splits_that_have_a_core_each() -> None:
    """On 4 cores 1, 2 and 4 jobs × 1, 2 and 4 threads leave six splits, and none of an original."""
    cells = _cells(4, grid={"jobs": [1, "half", "all"], "threads": [1, "half", "all"]})
    splits = {(cell.setting["jobs"], cell.setting["threads"]) for cell in cells}
    assert splits == {(1, 1), (1, 2), (1, 4), (2, 1), (2, 2), (4, 1)}
    assert len(cells) == 6 * len(CLIPS) * 2
    assert {cell.encoding for cell in cells} == {"quick", "small"}


def test_oversubscribing_takes_every_split() -> None:
    """With `oversubscribe` all nine splits are measured; choices that mean the same count once."""
    grid = {"jobs": [1, "half", "all"], "threads": [1, "half", "all"], "oversubscribe": True}
    assert len(_cells(4, grid=grid)) == 9 * len(CLIPS) * 2
    assert len(_cells(1, grid=grid)) == len(CLIPS) * 2


def test_a_folder_is_all_clips_or_nothing() -> None:
    """Ingest cells name all clips; an encoding that one clip lacks is left out."""
    ingest = {"jobs": [1, 2], "orders": ["fifo", "longest-first"]}
    cells = _cells(2, ingest=ingest)
    assert {cell.clip for cell in cells} == {ALL_CLIPS}
    assert len(cells) == 2 * 2 * 2
    lacking = [pair for pair in MEDIA if pair != ("b", "small")]
    assert {cell.encoding for cell in _cells(2, lacking, ingest=ingest)} == {"quick"}


def test_an_ingest_goes_over_each_link_and_to_each_root() -> None:
    """Every link on every storage is a cell of its own, which the job is told."""
    link = {"rate": "1 Gbit/s", "round_trip_ms": 2}
    ingest = {"jobs": [1], "links": ["local", link], "cache": ["cold"]}
    roots = [{"name": "share", "path": "/x"}]
    cells = _cells(1, ingest=ingest, roots=roots)
    found = [(c.setting["root"], c.setting["link"]) for c in cells if c.encoding == "quick"]
    name = "1 Gbit/s, 2 ms"
    assert sorted(found, key=str) == sorted(product((None, "share"), (None, name)), key=str)
    settings = IngestSettings.model_validate(ingest)
    told = [settings.read_as(cell.setting) for cell in cells]
    assert {one["link"] and one["link"].round_trip_ns for one in told} == {None, 2_000_000}
    assert all(one["is_cold"] for one in told)


def test_deliveries_start_from_every_encoding() -> None:
    """Originals are exported too, so that intermediates can be compared with them."""
    cells = _cells(2, delivery={"passes": [1, 2], "threads": ["all"]})
    assert {(cell.encoding, cell.setting["passes"]) for cell in cells} == {
        (name, passes) for name in NAMES for passes in (1, 2)
    }


def test_the_null_arm_reaches_the_new_tasks() -> None:
    """The first cell of each throughput task comes twice where a null arm is asked for."""
    cells = _cells(2, arm="null", grid={}, ingest={}, delivery={}, null_arm=True)
    assert sorted(cell.task for cell in cells) == [
        "delivery",
        "grid",
        "ingest",
    ]


@pytest.mark.parametrize("table", [{"grid": {"jobs": [0]}}, {"ingest": {"orders": ["random"]}}])
def test_counts_and_orders_are_checked(table: dict) -> None:
    """No job, and an order that does not exist, are refused."""
    with pytest.raises(ValueError):
        _cells(2, **table)
