"""Encodings made, and fidelity judged, by three worker processes for each other."""

import json
import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

pytest.importorskip("distributed")

from fixtures.three_hosts import HERE, Hosts, attended, make_certificates, running_hosts
from mezzmark import api
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.scenario import Scenario
from mezzmark.runner.events import Event, LeftOut, Noted, Preparing
from mezzmark.runner.prepare import prepare_footage
from mezzmark.runner.workers import run_worker
from mezzmark.store.run_store import Run, read_run

NAMES = ("desk-a", "desk-b", "server")
ENCODINGS = ("mjpeg-fine", "rdd36-hq", "mpeg2-intra", "avc-intra", "rdd36-lt", "avc-long")
"""None in Matroska, which bears random ids: such a file is another one each time, at home too."""

PLAN = Scenario.model_validate(
    {
        "name": "divided",
        "seed": 7,
        "rounds": 1,
        "encodings": ["original", *ENCODINGS],
        "clips": [
            {"name": "a", "recipe": {"width_px": 640, "height_px": 360, "duration_s": 1}},
        ],
        "fidelity": {"generations": 1, "frames": 4},
    }
)


def measure(
    folder: Path, hosts: Hosts, heard: Callable[[str, Event], None]
) -> tuple[dict[str, Run], set[str]]:
    """The hosts' runs with the work divided, and what lies in home's cache."""
    cache = folder / "home-cache"
    found = api.fleet_measure(
        PLAN,
        scheduler=hosts.address,
        certificates=hosts.certificates,
        hosts=NAMES,
        divide_work=True,
        out=folder / "out",
        cache=cache,
        on_event=heard,
    )
    return {name: read_run(path) for name, path in found.items()}, {p.name for p in cache.iterdir()}


def entries(cache: Path) -> list[dict[str, str]]:
    """What a cache says of each file in it."""
    return [json.loads(path.read_text()) for path in cache.glob("*/entry.json")]


def made_at(cache: Path) -> Counter[str]:
    """How many encodings lie in a cache, by who made them; originals do not count."""
    made = [one for one in entries(cache) if not one["media_name"].startswith(ORIGINAL)]
    return Counter(one["made_by"] for one in made)


def check(runs: dict[str, Run], folder: Path) -> None:
    """Every host has every encoding, of home's bytes, and every cell judged once among them."""
    [media, *others] = [run.manifest.media for run in runs.values()]
    assert [one.encoding for one in media] == [ORIGINAL, *ENCODINGS]
    assert others == [media, media]
    for name in NAMES:
        there = {path.name.partition(".")[0] for path in (folder / name / "cache/fleet").iterdir()}
        assert {one.fingerprint for one in media} <= there
    judges: dict[str, Counter[str]] = {encoding: Counter() for encoding in ENCODINGS}
    for name, run in runs.items():
        assert [trial.outcome for trial in run.trials] == ["finished"] * len(ENCODINGS)
        for trial in run.trials:
            judges[trial.cell.encoding][trial.judged_by or name] += 1
            [same] = {
                one.measurement.model_dump_json()
                for other in runs.values()
                for one in other.trials
                if one.cell == trial.cell
            }
            assert same == trial.measurement.model_dump_json()
    assert [*map(len, judges.values())] == [1] * len(ENCODINGS)


@pytest.mark.slow
def test_each_encoding_is_made_and_each_cell_judged_once(tmp_path: Path) -> None:
    """Over TLS: the same files, by digest, as made at home alone; two hosts or more made some, none
    was made twice, and the manifest names who did."""
    certificates = make_certificates(tmp_path / "certs")
    places = dict.fromkeys(("", *NAMES), HERE)
    with (
        running_hosts(tmp_path, places, port=18_788, certificates=certificates) as hosts,
        attended(hosts, NAMES),
    ):
        runs, in_cache = measure(tmp_path, hosts, lambda *_: None)
    check(runs, tmp_path)
    media = runs[NAMES[0]].manifest.media
    makers = Counter(one.made_by for one in media if one.encoding != ORIGINAL)
    print(dict(makers), Counter(t.judged_by for r in runs.values() for t in r.trials))
    assert makers == made_at(tmp_path / "home-cache")
    assert {n: made_at(tmp_path / n / "cache")[""] for n in NAMES} == {n: makers[n] for n in NAMES}
    assert len(set(makers) - {""}) > 1
    assert all(len(name) == 32 for name in in_cache), in_cache  # entries, and nothing unfinished
    for _ in prepare_footage(PLAN, cache_dir=tmp_path / "alone", dispatch=run_worker):
        pass
    assert {one.fingerprint for one in media} == {
        one["sha256"] for one in entries(tmp_path / "alone")
    }


@pytest.mark.slow
def test_a_worker_killed_while_it_encodes(tmp_path: Path) -> None:
    """Its encoding is made elsewhere, nothing is left out, and its run is complete once it is
    back."""
    certificates = make_certificates(tmp_path / "certs")
    places = dict.fromkeys(("", *NAMES), HERE)
    told: list[Event] = []
    struck: list[str] = []
    with (
        running_hosts(tmp_path, places, port=18_789, certificates=certificates) as hosts,
        attended(hosts, NAMES),
    ):

        def heard(_host: str, event: Event) -> None:
            told.append(event)
            if isinstance(event, Preparing) and event.message.endswith("on desk-b") and not struck:
                struck.append(event.message.split()[2])
                threading.Timer(0.3, hosts.processes["desk-b"].kill).start()

        runs, _ = measure(tmp_path, hosts, heard)
    check(runs, tmp_path)
    assert any(isinstance(one, Noted) and "lost: desk-b" in one.message for one in told)
    assert not any(isinstance(one, LeftOut) for one in told)
    makers = {one.encoding: one.made_by for one in runs["server"].manifest.media}
    assert "desk-b" not in makers.values()
    assert struck[0] in makers
