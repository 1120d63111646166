"""A folder over two worker processes, of which one is killed while both have clips."""

import threading
from pathlib import Path

import pytest

pytest.importorskip("distributed")

from fixtures.three_hosts import HERE, attended, running_hosts
from mezzmark import api
from mezzmark.cli.views import print_makespans
from mezzmark.model.scenario import Scenario
from mezzmark.runner.events import Noted, TrialStarted
from mezzmark.store.run_store import read_run

RECIPE = {"width_px": 256, "height_px": 144, "duration_s": 0.5}
PLAN = Scenario.model_validate(
    {
        "name": "folder",
        "seed": 7,
        "rounds": 1,
        "encodings": ["mjpeg-fine"],
        "clips": [{"name": name, "recipe": RECIPE} for name in "abc"],
        "ingest": {"jobs": [1], "threads": [1]},
    }
)


@pytest.mark.slow
def test_a_killed_worker_costs_its_clips_way_and_no_clip(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its clip is ingested by the other host and that trial set apart, or, where it was struck
    before it had one, begun again; the report is written."""
    places = {"": HERE, "one": HERE, "two": HERE}
    struck, told = [], []
    with (
        running_hosts(tmp_path / "hosts", places, port=18_799) as hosts,
        attended(hosts, ("one", "two")),
    ):

        def note(host: str, event: object) -> None:
            told.extend([event.message] if isinstance(event, Noted) else [])
            is_ingest = isinstance(event, TrialStarted) and event.cell.task == "ingest"
            if is_ingest and not struck:
                struck.append(threading.Timer(0.7, hosts.processes["two"].kill))
                struck[0].start()

        found = api.fleet_ingest(
            PLAN,
            scheduler=hosts.address,
            insecure=True,
            alone=False,
            out=tmp_path / "out",
            cache=tmp_path / "home",
            on_event=note,
        )
    trials = [t for t in read_run(found.run_dirs[""]).trials if t.cell.task == "ingest"]
    assert [t.measurement.clips for t in trials] == [("a", "b", "c")]
    assert any("lost: two" in message for message in told)
    apart = [t for t in trials if t.flags]
    assert [t.flags for t in apart] in ([], [("host_lost",)])
    assert all(set(t.measurement.hosts) == {"one"} for t in apart)
    print_makespans(found.makespans)
    assert "one more" in capsys.readouterr().out
    page = api.report(found.run_dirs[""]).html.read_text(encoding="utf-8")
    assert "all of" in page
    assert ("of its hosts went away" in page) == bool(apart)
