"""The report's throughput section, from planted trials."""

import numpy as np
import pytest
from fabricated_run import FabricatedEncoding, Fabrication, fabricate_run

from mezzmark.decide.sizing import size_encodings
from mezzmark.facts.cells import ALL_CLIPS, Cell
from mezzmark.facts.records import Trial
from mezzmark.facts.shop import Camera, Shop, list_assumptions
from mezzmark.facts.throughput import DeliveryMeasurement, GridMeasurement, IngestMeasurement
from mezzmark.report.sizing_tables import sizing_tables
from mezzmark.report.throughput_section import ThroughputSection, build_throughput_section
from mezzmark.report.view import RunView, view_run

SECOND = 10**9
NAME = "<b>VC-3</b> & $x$"


def _trial(cell: Cell, round_index: int, measurement: object) -> Trial:
    return Trial(
        round_index=round_index,
        position=0,
        cell=cell,
        seed=1,
        started_utc="2026-03-01T10:00:00Z",
        wall_ns=SECOND,
        outcome="finished",
        measurement=measurement,
    )


def _grid(jobs: int, round_index: int, fps: float) -> Trial:
    window_ns = round(100 * jobs / fps * SECOND)
    measured = GridMeasurement(
        frame_count=100,
        frame_rate="24",
        width_px=1920,
        height_px=1080,
        start_ns=(0,) * jobs,
        end_ns=(window_ns,) * jobs,
        cpu_ns=(window_ns,) * jobs,
        peak_rss_bytes=(2 * 10**8,) * jobs,
        window_ns=window_ns,
        window_packets=(100,) * jobs,
        packet_count=(100,) * jobs,
        file_bytes=(1,) * jobs,
        decoded_frame_count=(100,) * jobs,
        stamps_in_order=(True,) * jobs,
        load_ns=(window_ns,) * jobs,
        verify_ns=(window_ns,) * jobs,
    )
    cell = Cell(task="grid", clip="street at dusk", encoding=NAME, job_count=jobs)
    return _trial(cell, round_index, measured)


def _ingest(round_index: int) -> Trial:
    measured = IngestMeasurement(
        clips=("street at dusk",),
        frame_count=(96,),
        width_px=(1920,),
        height_px=(1080,),
        source_bytes=(1,),
        start_ns=(0,),
        encoded_ns=(2 * SECOND,),
        end_ns=((30 + round_index) * SECOND // 10,),
        worker_index=(1,),
        cpu_ns=(SECOND,),
        file_bytes=(1,),
        is_verified=(True,),
        worker_count=2,
    )
    cell = Cell(task="ingest", clip=ALL_CLIPS, encoding=NAME, job_count=2, order="fifo")
    return _trial(cell, round_index, measured)


def _delivery(passes: int, round_index: int) -> Trial:
    measured = DeliveryMeasurement(
        frame_count=100,
        decoded_frame_count=100,
        stamps_in_order=True,
        pass_ns=(SECOND + round_index * 10**6,) * passes,
        pass_cpu_ns=(SECOND,) * passes,
        decode_ns=SECOND // 4,
        file_bytes=1,
        packet_bytes=1,
        frame_rate="24",
        width_px=1920,
        height_px=1080,
    )
    cell = Cell(task="delivery", clip="street at dusk", encoding=NAME, passes=passes)
    return _trial(cell, round_index, measured)


def _view(*, with_throughput: bool = True) -> RunView:
    encodings = (
        FabricatedEncoding(name="original", jump_ms=300, bitrate_bps=5e7, encode_fps=0),
        FabricatedEncoding(name=NAME, jump_ms=20, bitrate_bps=1e8),
    )
    manifest, trials = fabricate_run(
        Fabrication(encodings=encodings, patterns=("jump",), rounds=4, requests=6)
    )
    rng = np.random.default_rng(1)
    extra = [
        *(
            _grid(jobs, r, 30 * jobs / (1 + 0.1 * (jobs - 1)) * np.exp(rng.normal(0, 0.01)))
            for jobs in (1, 2, 4)
            for r in range(4)
        ),
        *(_ingest(r) for r in range(4)),
        *(_delivery(passes, r) for passes in (1, 2) for r in range(4)),
    ]
    return view_run(manifest, (*trials, *(extra if with_throughput else ())))


@pytest.fixture(scope="module")
def section() -> ThroughputSection:
    found = build_throughput_section(_view(), prefix="run2-")
    assert found is not None
    return found


def test_every_task_has_its_table_and_its_figure(section: ThroughputSection) -> None:
    """Grid, scaling, ingest and delivery each have a table; the first three a figure too, whose
    ids and files carry the run's prefix."""
    assert [table.table_id for table in section.tables] == [
        "run2-grid",
        "run2-scaling",
        "run2-ingest",
        "run2-delivery",
    ]
    assert [picture.kind for picture in section.pictures] == ["grid", "scaling", "gantt"]
    assert all(picture.file_stem.startswith("run2-") for picture in section.pictures)
    assert all(len(table.columns) == len(row) for table in section.tables for row in table.rows)


def test_names_are_text_in_figures(section: ThroughputSection) -> None:
    """An encoding's name is never markup, in SVG text and labels alike."""
    for picture in section.pictures:
        assert "<b>" not in picture.wide_svg
        assert "&lt;b&gt;" in picture.wide_svg


def test_the_tables_say_what_was_planted(section: ThroughputSection) -> None:
    """The best split is four jobs; two passes take twice as long as one; a quarter of the export
    is decoding; three cores' worth of data do not bound a peak."""
    text = {
        table.table_id: [[entry.text for entry in row] for row in table.rows]
        for table in section.tables
    }
    assert text["run2-grid"][0][1] == "4 jobs × 1 thread"
    assert text["run2-delivery"][1][5].startswith("2")
    assert any("0.25" in cell for cell in text["run2-delivery"][0])
    assert "do not bound" in text["run2-scaling"][0][4]


def test_the_same_run_draws_the_same_bytes(section: ThroughputSection) -> None:
    """Figures depend on the run only, their predictions included."""
    again = build_throughput_section(_view(), prefix="run2-")
    assert [p.svg for p in again.pictures] == [p.svg for p in section.pictures]
    assert again.tables == section.tables


def test_without_throughput_tasks_there_is_no_section() -> None:
    """A run of scrub and encode trials has none."""
    assert build_throughput_section(_view(with_throughput=False), prefix="") is None


def test_a_queue_without_end_is_put_into_words() -> None:
    """Where the ingest machine cannot keep up the table says so in place of a number."""
    camera = Camera(name="a", count=900, bitrate_bps=50_000_000, hours_per_day=10)
    shop = Shop(name="s", cameras=(camera,), editors=2, core_counts=(8,))
    result = size_encodings([_view()], shop, rng=np.random.default_rng(1), draw_count=400)
    rows = {row[0].text: row[2].text for row in sizing_tables(result)[0].rows}
    assert rows["mean wait from a card's arrival to footage ready"] == "no end"


def test_sizing_is_three_tables() -> None:
    """One column per encoding and one row per figure that any of them has; a row per encoding and
    other machine, far ones with their warning; every assumption has a row."""
    view = _view()
    camera = Camera(name="a", bitrate_bps=50_000_000, hours_per_day=2)
    shop = Shop(name="s", cameras=(camera,), editors=2, core_counts=(8, 64))
    result = size_encodings([view], shop, rng=np.random.default_rng(1), draw_count=400)
    answer, machines, assumptions = sizing_tables(result)
    assert [row[1].text for row in machines.rows] == ["8", "64"]
    assert "beyond twice" in machines.rows[1][3].text
    assert answer.columns == ("figure", "original", NAME)
    assert all(len(row) == 3 for row in answer.rows)
    assert len(assumptions.rows) == len(list_assumptions(shop))
