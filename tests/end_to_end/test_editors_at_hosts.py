"""Editors at two hosts that share one folder: real worker processes, real trials."""

import threading
from pathlib import Path

import pytest

pytest.importorskip("distributed")

from fixtures.three_hosts import HERE, attended, make_certificates, running_hosts
from mezzmark import api
from mezzmark.model.cell import Setting
from mezzmark.model.tasks.streams import SPREAD_LIMIT_NS, StreamsMeasurement
from mezzmark.runner.events import Event, Noted, TrialStarted
from mezzmark.store.run_store import Run, read_run

NAMES = ("desk-a", "desk-b")
PORT = 18_787
SCENARIO = """
name = "editors-tiny"
seed = 7
rounds = {rounds}
minimum_rounds = {rounds}
encodings = ["original"]
[[clips]]
name = "a"
[clips.recipe]
width_px = 256
height_px = 144
duration_s = 2
[[roots]]
name = "share"
path = "/is/elsewhere/on/each"
[editors]
duration_s = 2
most = 2
threads = [1]
viewer_height_px = 180
age_limit_ms = 2000
ingest_mb_per_s = [1]
"""


def check(run: Run, *, rounds: int) -> None:
    """Every place once, the kernel twice a round; both hosts in one cell of the share; both editors
    showed right pictures."""
    trials = [trial for trial in run.trials if trial.cell.task == "editors"]
    places = {(trial.round_index, trial.position) for trial in run.trials}
    assert len(places) == len(run.trials) == 3 * rounds
    assert [trial.outcome for trial in trials] == ["finished"] * rounds
    for trial in trials:
        assert trial.cell.setting == Setting(
            {**trial.cell.setting, "root": "share", "host_count": 2, "ingest_mb_per_s": 1}
        )
        measured = trial.measurement
        assert isinstance(measured, StreamsMeasurement)
        assert {level.players for level in measured.levels} == {1, 2}
        assert all(level.spread_ns > 0 for level in measured.levels)
        is_apart = any(level.spread_ns > SPREAD_LIMIT_NS for level in measured.levels)
        assert ("late_start" in trial.flags) is is_apart
        assert set(measured.proof) <= {"right", "missing"}
    assert run.manifest.host.host_label == " + ".join(NAMES)


@pytest.mark.slow
def test_editors_sit_at_two_hosts_and_one_is_killed(tmp_path: Path) -> None:
    """Over TLS, the share mounted elsewhere on each: one run of both. A worker killed -9 during a
    trial is told and waited for; no finished trial is lost or doubled, and no copy is left."""
    (tmp_path / "share").mkdir()
    (tmp_path / "share" / "film.mov").write_text("somebody's")
    for name in NAMES:
        (tmp_path / name).mkdir()
        (tmp_path / name / "share").symlink_to(tmp_path / "share")
    (tmp_path / "tiny.toml").write_text(SCENARIO.format(rounds=2), encoding="utf-8")
    certificates = make_certificates(tmp_path / "certs")
    told: list[Event] = []
    places = dict.fromkeys(("", *NAMES), HERE)
    with (
        running_hosts(tmp_path, places, port=PORT, certificates=certificates) as hosts,
        attended(hosts, NAMES),
    ):

        def heard(_host: str, event: Event) -> None:
            told.append(event)
            begun = [one.cell.task for one in told if isinstance(one, TrialStarted)]
            is_second = begun.count("editors") == 2 and begun[-1] == "editors"
            if isinstance(event, TrialStarted) and is_second:
                threading.Timer(1.5, hosts.processes[NAMES[1]].kill).start()

        [run_dir] = api.fleet_measure(
            str(tmp_path / "tiny.toml"),
            scheduler=hosts.address,
            certificates=certificates,
            hosts=NAMES,
            together=True,
            out=tmp_path / "out",
            cache=tmp_path / "home-cache",
            on_event=heard,
        ).values()
    check(read_run(run_dir), rounds=2)
    assert any(isinstance(one, Noted) and NAMES[1] in one.message for one in told)
    assert [path.name for path in (tmp_path / "share").iterdir()] == ["film.mov"]


@pytest.mark.slow
def test_workers_within_this_process_share_the_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With --local all measure at once though the machine has one lock."""
    (tmp_path / "tiny.toml").write_text(SCENARIO.format(rounds=1), encoding="utf-8")
    monkeypatch.setenv("MEZZMARK_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("MEZZMARK_ROOTS", f"share={tmp_path}")
    given = {"out": tmp_path / "out", "cache": tmp_path / "cache"}
    [run_dir] = api.fleet_measure(
        str(tmp_path / "tiny.toml"), local=2, together=True, **given
    ).values()
    run = read_run(run_dir)
    assert [t.outcome for t in run.trials] == ["finished"] * 3
    assert not list(tmp_path.glob("mezzmark-*"))
