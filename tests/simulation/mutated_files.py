"""Files and messages changed at random: read, or refused in one line, within 10 s and 1 GiB?

    python tests/simulation/mutated_files.py [--seed 0] [--count 10000]

Scenarios, shops, needs files, manifests, trials, indexes, and what a fleet's hosts are asked and
answer, in turn. What is read is used as a command would: described, exported, chosen from, played,
reported, sized, compared; what a host answered is stored as a trial, or in a manifest, and must be
readable again. Each case has a seed of its own, told with what came of it: `--seed N --count 1`
repeats it. 10 s are of processor time. Exits 1 where a case broke its promise.
"""

import argparse
import io
import json
import os
import random
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock
from xml.etree import ElementTree

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.clip_zoo import ZOO, make_zoo_clip
from fixtures.fabricated_run import EIGHT, Fabrication, fabricate_run
from fixtures.fabricated_tasks import fabricate_every_task
from fixtures.mutation import BAD_JSON, BAD_TOML, JSON_VALUE, TOML_VALUE, mutate, mutate_tree
from mezzmark import api
from mezzmark.cli.views import print_fleet
from mezzmark.engines.media.frame_index import build_frame_index, read_frame_index
from mezzmark.engines.play.scrub import run_scrub
from mezzmark.fleet import hosts, measure, on_host
from mezzmark.fleet.scheduler import _read
from mezzmark.host.common import read_process_facts
from mezzmark.model.errors import MezzmarkError
from mezzmark.model.fleet import (
    Describe,
    DoJob,
    Fetch,
    Fetched,
    HostSummary,
    Performed,
    Reply,
    Request,
    WantedFile,
)
from mezzmark.model.jobs import JobFailed, read_job
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import PrepareOwnJob, job_format
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.run import host_id
from mezzmark.model.tasks.scrub import ScrubJob
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.report.figures import drawing
from mezzmark.report.sections.context import run_context
from mezzmark.report.view import RunView
from mezzmark.runner.plan import plan_round
from mezzmark.runner.rounds import Rounds
from mezzmark.runner.run import record_trial
from mezzmark.runner.start import StopFlag, manifest_cells
from mezzmark.store import record_text
from mezzmark.store.run_store import MANIFEST_NAME, TRIALS_NAME, create_run, read_run
from mezzmark.store.toml_files import read_needs, shipped_folder
from simulation.synthetic_engine import SyntheticEngine

LIMIT_S, LIMIT_BYTES = 10, 2**30
ATTEMPT = "a"
MALFORMED = ("ValidationError: ", "ValueError: ")
"""What a host says of a request, or of a job in it, that is none."""

SHOP = """name = "we"
editors = 2
link_gbps = "10 Gbit/s"
[[cameras]]
name = "a"
bitrate_bps = "100 Mbit/s"
hours_per_day = 2.5
frame_rate = "24000/1001"
"""
NEEDS = """[choose]
needs = ["scrub.jump.p95_ms <= 100", "bit_depth >= 10", "alpha = false"]
indifference_fraction = 0.25
confidence_level = 0.9
clips = ["street at dusk"]
allow_missing = true
[choose.weights]
"less bitrate_bps" = 2
"less scrub.jump.p50_ms" = 1.5
"""


@dataclass(frozen=True)
class Reader:
    """Texts of a kind, and what reads and uses one that was changed."""

    sources: tuple[str, ...]
    read: Callable[[bytes], object]
    is_json: bool = True

    def mutated(self, rng: random.Random) -> bytes:
        """One of the texts, changed."""
        text = rng.choice(self.sources)
        if not self.is_json:
            return mutate(text, rng, BAD_TOML, TOML_VALUE)
        if rng.randrange(2):
            return mutate(text, rng, BAD_JSON, JSON_VALUE)
        lines = text.splitlines()  # of a list of trials, one is changed
        at = rng.randrange(len(lines)) if lines[0].endswith("}") else slice(None)
        one = lines[at] if isinstance(at, int) else text
        changed = mutate_tree(one, rng)
        if not isinstance(at, int):
            return changed
        return b"\n".join([line.encode() for line in lines[:at]] + [changed]) + b"\n"


def readers(folder: Path) -> dict[str, Reader]:
    """Every kind by its name; scratch files lie in the folder."""
    shipped = shipped_folder("scenarios")
    scenarios = [*shipped.glob("*.toml"), *shipped.glob("proofs/*.toml")]
    shops = [path.read_text() for path in sorted(shipped.glob("shops/*.toml"))]
    made = Fabrication(encodings=EIGHT[:3], patterns=("jump",), rounds=3, requests=6)
    manifest, trials = fabricate_run(made)
    run, file = folder / "run", folder / "x.toml"
    run.mkdir()
    texts = {
        MANIFEST_NAME: manifest.model_dump_json(indent=1),
        TRIALS_NAME: "".join(f"{trial.model_dump_json()}\n" for trial in trials),
    }

    def whole(**changed: bytes) -> Path:
        for name, text in texts.items():
            (run / name).write_bytes(changed.get(name.partition(".")[0], text.encode()))
        return run

    def written(text: bytes) -> Path:
        file.write_bytes(text)
        return file

    def used(**changed: bytes) -> None:
        api.export(whole(**changed), table="samples")
        api.choose(run)

    def chosen(text: bytes) -> None:
        read_needs(written(text))
        api.choose(whole(), needs=file)

    return {
        "scenario": Reader(
            tuple(path.read_text() for path in sorted(scenarios)),
            lambda text: api.describe_scenario(str(written(text))),
            is_json=False,
        ),
        "shop": Reader((SHOP, *shops), lambda t: api.describe_shop(written(t)), is_json=False),
        "needs": Reader((NEEDS,), chosen, is_json=False),
        "manifest": Reader((texts[MANIFEST_NAME],), lambda text: used(manifest=text)),
        "trials": Reader((texts[TRIALS_NAME],), lambda text: used(trials=text)),
        "index": _index_reader(folder),
        "request": _request_reader(folder),
        "reply": _reply_reader(folder, manifest, trials),
        "answers": _answers_reader(folder),
    }


def _answers_reader(folder: Path) -> Reader:
    """A run with trials of every task, and all that is said of one: its page, its shop, its
    comparison with itself, one of them each time. Figures are laid out, and not written."""
    manifest, trials = fabricate_every_task()
    run, shop = folder / "every", folder / "shop.toml"
    create_run(run, manifest)
    shop.write_text(SHOP)

    def page() -> None:
        found = read_run(run)
        with mock.patch.object(drawing, "_svg_tree", return_value=ElementTree.Element("svg")):
            run_context(RunView(found.manifest, found.trials, run_dir="every"))

    says = (
        page,
        lambda: api.size([run], shop=shop),
        lambda: api.regress(baseline=[run], candidate=[run]),
    )

    def answered(text: bytes) -> None:
        (run / TRIALS_NAME).write_bytes(text)
        says[len(text) % len(says)]()

    return Reader(("".join(f"{trial.model_dump_json()}\n" for trial in trials),), answered)


def _index_reader(folder: Path) -> Reader:
    clip, path = make_zoo_clip(ZOO["mjpeg-avi"], folder, frame_count=8), folder / "index.json"
    told: dict[str, Any] = {"policy": "roll", "thread_count": 1, "player": PLAYERS["slice"]}
    media = MediaReference(media_path=str(clip), index_path=str(path))
    job = ScrubJob(media=(media,), requests=((0, 3), (0, 0)), viewer_height_px=64, **told)

    def played(text: bytes) -> None:
        path.write_bytes(text)
        count = read_frame_index(path).frame_count
        if count > 3:  # a run's manifest knows the number, and asks for no other picture
            run_scrub(job, time.perf_counter_ns)

    return Reader((build_frame_index(clip).model_dump_json(),), played)


def _request_reader(folder: Path) -> Reader:
    """A host is asked; what it would do is only looked at."""
    media = MediaReference(media_path="a.mov", index_path="a.json")
    told: dict[str, Any] = {"policy": "roll", "thread_count": 1, "player": PLAYERS["slice"]}
    scrub = ScrubJob(media=(media,), requests=((0, 1),), viewer_height_px=64, **told)
    own = PrepareOwnJob(media_path="a.mov", excerpt_s=1, cache_dir="c")
    wanted = WantedFile(sha256="0" * 64, file_bytes=9, suffix=".mov")
    asked = (
        Describe(name="desk", is_probed=True),
        Fetch(source="home:1", path="/x/", files=(wanted, wanted)),
        *(DoJob(job=job.model_dump_json(), timeout_s=9) for job in (scrub, own)),
    )
    here = SimpleNamespace(library_versions={}, mezzmark="0", job_format="0", python="3")
    worker = SimpleNamespace(
        security=SimpleNamespace(get_connection_args=lambda _: {"ssl_context": None})
    )

    def pulled(files: Any, target: Path, **_: Any) -> dict[str, str]:
        paths = {one.sha256: target / f"{one.sha256}{one.suffix}" for one in files}
        assert all(path.resolve().parent == target.resolve() for path in paths.values())
        return {digest: str(path) for digest, path in paths.items()}

    def done(job: Any, *_: Any, **__: Any) -> Performed:
        assert read_job(job.model_dump_json().encode()) == job
        raise MezzmarkError(where="here", what="it is only looked at", remedy="None.")

    def answered(text: bytes) -> None:
        with mock.patch.multiple(
            on_host,
            _own_wish=lambda: lambda: True,
            machine_lock=lambda _, **__: nullcontext(()),
            ask_environment=lambda _: here,
            get_worker=lambda: worker,
            probe_encoding=lambda _: None,
            probe_hardware=lambda **_: (),
            default_cache_dir=lambda: folder,
            pull=pulled,
            perform_job=done,
        ):
            found = on_host.perform(text.decode("utf-8", "replace"))
        told = Reply.model_validate_json(found).found
        is_foreseen = not isinstance(told, JobFailed) or told.what.startswith(MALFORMED)
        assert is_foreseen or told.where != "its worker", told

    return Reader(
        tuple(Request(attempt=ATTEMPT, asked=a).model_dump_json() for a in asked), answered
    )


def _reply_reader(folder: Path, manifest: Any, trials: tuple[Trial, ...]) -> Reader:
    """Home is answered: what it believes is stored, and read again."""
    cells = manifest_cells(manifest)
    planned = next(p for p in plan_round(cells, 0, 1) if p.cell.task == "scrub")
    told: dict[str, Any] = {"policy": "roll", "thread_count": 1, "player": PLAYERS["slice"]}
    media = MediaReference(media_path="a/original", index_path="a.json")
    job = ScrubJob(media=(media,), requests=((0, 1), (0, 5)), viewer_height_px=64, **told)
    measured = SyntheticEngine(seed=1)(job, 1)
    moment = HostMoment(load_average_1m=0.5)
    around: dict[str, Any] = {"started_utc": trials[0].started_utc, "wall_ns": 10**10}
    around |= {"host_before": moment, "host_during": moment}
    failed = JobFailed(where="there", what="so", remedy="Thus.", exit_code=21)
    versions = {"mezzmark_version": "0.1.0", "job_format": job_format()}
    found = (
        Performed(answer=measured, **around),
        Performed(answer=failed, **around),
        HostSummary(host=manifest.host, encodings={"vc3-sq": ""}, hardware=("cuda",), **versions),
        Fetched(paths={"0" * 64: "/there/a.mov"}),
        failed,
    )

    def believed(text: bytes) -> None:
        answer = SimpleNamespace(status="finished", result=lambda **_: text.decode())
        fleet: Any = SimpleNamespace(ask=lambda name, *_, **__: _read(answer, name, ATTEMPT))
        one = measure.FleetRun(
            scenario=manifest.scenario,
            fleet=fleet,
            out=folder,
            cache_dir=folder,
            is_resumed=False,
            is_in_turn=False,
            patience_s=1,
            tell=lambda *_: None,
        )
        kind = type(fleet.ask("h"))
        if kind is HostSummary:
            _keep_summary(hosts.describe_hosts(fleet, ["h"], StopFlag()), manifest)
        elif kind is Fetched:
            hosts.ask(Fetched, fleet, "h", None, StopFlag())
        else:
            _keep_trial(planned, one.perform("h", job, 9), manifest)

    return Reader(tuple(Reply(attempt=ATTEMPT, found=f).model_dump_json() for f in found), believed)


def _keep_summary(found: Mapping[str, Any], manifest: Any) -> None:
    with redirect_stdout(io.StringIO()):
        print_fleet(found)
    summary, _fault = found["h"]
    if summary:
        new = {"host": summary.host, "host_id": host_id(summary.host)}
        text = manifest.model_copy(update=new).model_dump_json().encode()
        assert record_text.parse_manifest(text, where="manifest").host == summary.host


def _keep_trial(planned: Any, done: Performed, manifest: Any) -> None:
    around = {name: value for name, value in done if name not in ("kind", "answer")}
    trial = record_trial(planned, done.answer, **around)
    Rounds(manifest.scenario, manifest_cells(manifest), clock_ns=lambda: 0).note(trial)
    found = record_text.parse_trial(trial.model_dump_json().encode(), where="trial")
    assert isinstance(found, str) or found == trial


class Slow(BaseException):
    """A case took more than its share of processor time."""


@contextmanager
def limited_cpu(limit_s: float) -> Iterator[None]:
    """`Slow` where the block takes more; POSIX, elsewhere no limit."""

    def stop(*_: object) -> None:
        raise Slow

    if not hasattr(signal, "ITIMER_PROF"):
        yield
        return
    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def attack(reader: Reader, text: bytes) -> str:
    """`read`, `refused`, or what was promised and broken."""
    try:
        with limited_cpu(LIMIT_S), redirect_stderr(io.StringIO()):
            reader.read(text)
    except MezzmarkError as error:
        is_told = 20 <= error.exit_code <= 29 and 0 < len(str(error)) < 3000
        return "refused" if is_told else f"told in {len(str(error))} letters: {str(error)[:300]}"
    except Slow:
        return f"more than {LIMIT_S} s"
    except Exception:
        return "".join(traceback.format_exc()[-1500:])
    return "read"


def run_cases(seeds: range, folder: Path) -> tuple[Counter[str], list[str]]:
    """How many were read and refused, by kind, and what was found."""
    kinds, counts, faults = readers(folder), Counter[str](), list[str]()
    names = list(kinds)
    # A process that has run other tests may hold more than that before the first case.
    held_bytes = read_process_facts().peak_rss_bytes or 0
    limit_bytes = max(LIMIT_BYTES, held_bytes + LIMIT_BYTES // 2)
    for seed in seeds:
        name = names[seed % len(names)]
        text = kinds[name].mutated(random.Random(seed))
        before_bytes = read_process_facts().peak_rss_bytes or 0
        outcome = attack(kinds[name], text)
        peak_bytes = read_process_facts().peak_rss_bytes or 0
        if outcome in ("read", "refused") and peak_bytes > max(limit_bytes, before_bytes):
            outcome = f"{peak_bytes / 2**30:.2f} GiB"
        is_fault = outcome not in ("read", "refused")
        counts[f"{name} {'broken' if is_fault else outcome}"] += 1
        if is_fault:
            faults.append(f"seed {seed} ({name}): {outcome}")
    return counts, faults


def main() -> int:
    """Print the counts and each fault."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=10_000)
    asked = parser.parse_args()
    began_s, folder_before = time.process_time(), Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        counts, faults = run_cases(range(asked.seed, asked.seed + asked.count), Path(folder))
        os.chdir(folder_before)
    print(json.dumps(dict(sorted(counts.items()))), f"{time.process_time() - began_s:.0f} CPU-s")
    print(f"peak {(read_process_facts().peak_rss_bytes or 0) / 2**20:.0f} MiB", *faults, sep="\n")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
