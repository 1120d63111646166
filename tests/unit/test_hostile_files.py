"""Files from outside are let in or refused in one line: mutated ones, and the known bad cases."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from test_fidelity_figures import survival

from fixtures.fabricated_fidelity import EXPECTED, generation, reading, worst_frame
from fixtures.fabricated_fidelity import trial as fidelity_trial
from fixtures.fabricated_run import Fabrication, fabricate_run
from fixtures.fabricated_throughput import grid_trial, ingest_trial
from fixtures.mutation import DEEP
from mezzmark.engines.media import probe
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.play.player import Player
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import FootageError, RunError
from mezzmark.model.fact import Fact
from mezzmark.model.footage import FIRST_TIMESTAMP, FrameIndex
from mezzmark.model.jobs import read_job
from mezzmark.model.records import Trial
from mezzmark.model.run import ClipManifest, HostFacts, MediaManifest
from mezzmark.model.tasks import TASKS
from mezzmark.store.record_text import parse_trial
from mezzmark.store.run_store import TRIALS_NAME, append_trial, create_run, read_run
from mezzmark.store.toml_files import MAX_TOML_BYTES
from simulation.mutated_files import run_cases


@pytest.fixture(scope="module")
def run_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of one round."""
    manifest, trials = fabricate_run(Fabrication(rounds=1, requests=3))
    folder = tmp_path_factory.mktemp("run") / "run"
    create_run(folder, manifest)
    for trial in trials:
        append_trial(folder, trial)
    return folder


@pytest.mark.parametrize(
    "count", [81, pytest.param(1350, marks=pytest.mark.slow)], ids=["small", "all"]
)
def test_nothing_mutated_ends_in_a_traceback(count: int, tmp_path: Path) -> None:
    """Scenarios, shops, needs, manifests, trials, indexes and a fleet's messages changed at random
    are read and used, or refused in one line, within 10 s of processor time and 1 GiB."""
    counts, faults = run_cases(range(count), tmp_path)
    assert faults == []
    assert counts.total() == count


def test_a_trial_twice_is_refused_with_both_lines(run_dir: Path, tmp_path: Path) -> None:
    """A doubled line, and the same cell at another position of its round, are named."""
    lines = (run_dir / TRIALS_NAME).read_text().splitlines()
    for at, change in ((1, {}), (2, {"position": 99})):
        copy = tmp_path / str(at)
        create_run(copy, read_run(run_dir).manifest)
        twice = json.dumps(json.loads(lines[at]) | change)
        (copy / TRIALS_NAME).write_text("\n".join([*lines, twice]))
        with pytest.raises(RunError, match=rf"line {len(lines) + 1}.*line {at + 1} "):
            read_run(copy)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"wall_ns": 1}, "wall_ns"),
        ({"position": -1}, "position"),
        ({"seed": 2**64}, "seed"),
        ({"decode_ns": [10**30, 1, 1]}, "decode_ns"),
        ({"decode_ns": [-5, 1, 1]}, "decode_ns"),
        ({"decode_ns": [5, 5]}, "decode_ns"),
        ({"block": [0]}, "block"),
        ({"task": ["scrub"]}, "measurement"),
    ],
    ids=str,
)
def test_a_trial_not_believed_is_named(
    change: dict[str, object], key: str, run_dir: Path, tmp_path: Path
) -> None:
    """Negative, absurd and enormous numbers and lists of unequal length are refused by line and
    key, in a line as it was written and in one that was formatted anew."""
    lines = (run_dir / TRIALS_NAME).read_text().splitlines()
    at = next(k for k, line in enumerate(lines) if '"decode_ns"' in line)
    trial = json.loads(lines[at])
    measured = trial["measurement"]
    for name, value in change.items():
        (measured if name in ("decode_ns", "block", "task") else trial)[name] = value
    for number, separators in enumerate([(",", ":"), (", ", ": ")]):
        copy = tmp_path / str(number)
        create_run(copy, read_run(run_dir).manifest)
        (copy / TRIALS_NAME).write_text(json.dumps(trial, separators=separators))
        with pytest.raises(RunError, match=rf"line 1: .*{key}"):
            read_run(copy)


def test_a_trial_of_another_task_is_left_out_or_refused(run_dir: Path, tmp_path: Path) -> None:
    """As this mezzmark writes its lines: a cell of an unknown task is counted as unknown, and a
    measurement of another task than its cell's is refused."""
    lines = (run_dir / TRIALS_NAME).read_text().splitlines()
    of_scrub, of_encode = (
        next(line for line in lines if f'"measurement":{{"task":"{task}"' in line)
        for task in ("scrub", "encode")
    )
    unknown, swapped = (tmp_path / name for name in ("unknown", "swapped"))
    for copy in (unknown, swapped):
        create_run(copy, read_run(run_dir).manifest)
    line = of_scrub.replace('"cell":{"task":"scrub"', '"cell":{"task":"kernelencode"')
    (unknown / TRIALS_NAME).write_text(f"{line}\n{of_encode}\n")
    found = read_run(unknown)
    assert (found.unknown, len(found.trials)) == ({"task kernelencode": 1}, 1)
    measured = json.loads(of_encode)["measurement"]
    trial = json.dumps(json.loads(of_scrub) | {"measurement": measured}, separators=(",", ":"))
    (swapped / TRIALS_NAME).write_text(trial)
    with pytest.raises(RunError, match=r"line 1: .*measurement.*encode"):
        read_run(swapped)


ALL_IN_TURN = """
import json, resource, sys
from mezzmark.cli.app import main
from mezzmark.host.common import read_process_facts
resource.setrlimit(resource.RLIMIT_CPU, (10 * len(sys.argv), 10 * len(sys.argv)))
for words in sys.argv[1:]:
    sys.argv = ["mezzmark", *json.loads(words)]
    try:
        main()
    except SystemExit as end:
        print(end.code)
print(read_process_facts().peak_rss_bytes)  # not what exec hands on from the tests' process
"""
ONE_CLIP = 'name = "x"\nseed = 1\n[[clips]]\nname = "c"\n[clips.recipe]\n{}\n[scrub]\n'
CASES = {
    "long name": ["inspect", "n" * 300],
    "inf": ONE_CLIP.format("frame_rate = inf"),
    "nan": ONE_CLIP.format("frame_rate = nan"),
    "rate beyond doubles": ONE_CLIP.format("frame_rate = 1.79e308"),
    "exponent": ONE_CLIP.format('frame_rate = "1e999999999"'),
    "table for text": "title = { a = 1 }\n" + ONE_CLIP.format(""),
    "nesting": "a = " + "[" * DEEP,
    "nesting by lines": "a = " + "[\n" * DEEP + "]" * DEEP,
    "dotted key": "a" + ".a" * 49_999 + " = 1",
    "keys under a long header": "[a" + ".a" * 999 + "]\n" + "b.c = 1\n" * 20_000,
    "long file": "#" * MAX_TOML_BYTES + "#",
    "one name many times": "encodings = [" + '"vc3-sq",' * 20_000 + "]\n" + ONE_CLIP.format(""),
    "picture": ["inspect", "x.ppm"],
    "files of nobody": ONE_CLIP.partition("[clips.recipe]")[0] + 'files = ["~nosuchuser/x.mov"]\n',
    "run of nobody": ["report", "~nosuchuser/run"],
    "site of nobody": ["publish", "~nosuchuser/run", "--to", "~nosuchuser/site"],
    "runs beyond counting": ["measure", "first-look", "--repeat", "9" * 20],
    "comparisons beyond memory": ["rig", "--comparisons", "9" * 20],
}


def test_known_bad_cases_end_in_one_line(tmp_path: Path) -> None:
    """Each ends with a line and an exit code of 20 to 29, all in one process within 10 s of CPU
    time each and 1 GiB."""
    (tmp_path / "x.ppm").write_bytes(b"P6\n16000 16000\n65535\n" + bytes(200))
    told = []
    for number, case in enumerate(CASES.values()):
        (tmp_path / f"{number}.toml").write_text(case if isinstance(case, str) else "")
        check = ["scenario", "check", f"{number}.toml"]
        told.append(json.dumps(case if isinstance(case, list) else check))
    command = [sys.executable, "-c", ALL_IN_TURN, *told]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    *codes, peak_bytes = map(int, done.stdout.split())
    assert len(codes) == done.stderr.count("\n") == len(CASES), done.stderr
    assert all(20 <= code <= 29 for code in codes), done.stderr
    assert peak_bytes < 2**30


@pytest.mark.parametrize("line", [b"[]", b"{}", b'{"task": ["scrub"]}', b'{"task": "drag it"}'])
def test_what_is_no_job_is_refused_as_a_value(line: bytes) -> None:
    """Neither another kind of JSON nor another kind of name ends in an error of its own."""
    with pytest.raises(ValueError, match="task"):
        read_job(line)


@pytest.mark.parametrize(
    "told",
    [
        {"pts": [2**63]},
        {"pts": [-(2**63)]},
        {"pts": [1, 1], "is_keyframe": [True] * 2, "packet_bytes": [5] * 2}
        | {"digests": ["00"] * 2, "stamps": [0] * 2},
        {"time_base": "0"},
        {"frame_rate": "0"},
        {"packet_bytes": [-1]},
        {"digests": []},
        {"sparse_digests": ["00", "00"]},
        {"stamps": []},
    ],
    ids=str,
)
def test_an_index_that_no_file_can_have_is_refused(told: dict[str, Any], tmp_path: Path) -> None:
    """A stamp of more than 64 bits, the number for none, an entry too few (found by a fuzzer); two
    pictures at one time, a rate of nothing, less than no bytes."""
    path = tmp_path / "index.json"
    index: dict[str, Any] = {
        "path": "a.mov",
        "file_bytes": 5,
        "time_base": "1/24",
        "frame_rate": "24",
    }
    index |= {
        "pts": [0],
        "is_keyframe": [True],
        "packet_bytes": [5],
        "digests": ["00"],
        "stamps": [0],
    }
    index |= {"is_stamped": True, "width_px": 64, "height_px": 64, "pixel_format": "yuv420p"}
    path.write_text(json.dumps(index))
    assert read_frame_index(path).frame_count == 1
    path.write_text(json.dumps(index | told))
    with pytest.raises(FootageError, match="missing or unreadable"):
        read_frame_index(path)


@pytest.mark.parametrize(
    ("places", "told"),
    [
        (("encodings", 1, "bits_per_pixel"), 1e308),
        (("encodings", 1, "scale"), [1, 1e300]),
        (("clips", 0, "original", "frame_rate"), 1e300),
        (("clips", 0, "original", "file_bytes"), 10**400),
        (("encodings", 1, "size_multiples"), [1, 0]),
        (("encodings", 1, "name"), "reference kernel"),
        (("clips", 0, "clip"), "all clips"),
        (("clips", 0, "duration_s"), 0),
        (("clips", 0, "duration_s"), 1e-320),
        (("clips", 0, "share"), 1e308),
    ],
    ids=lambda one: "-".join(map(str, one))[:60] if isinstance(one, tuple) else "",
)
def test_a_manifest_beyond_a_float_is_refused(
    places: tuple[Any, ...], told: Any, run_dir: Path, tmp_path: Path
) -> None:
    """Whoever writes down the command of an encoding multiplies size, rate and bits a pixel (all
    found by a fuzzer). So is a clip of no length, and a
    name that stands for all clips, or for none."""
    damaged = json.loads((run_dir / "manifest.json").read_text())
    place = damaged
    for key in places[:-1]:
        place = place[key]
    assert places[-1] in place
    place[places[-1]] = told
    create_run(tmp_path / "run", read_run(run_dir).manifest)
    (tmp_path / "run" / "manifest.json").write_text(json.dumps(damaged))
    with pytest.raises(RunError, match=places[-1]):
        read_run(tmp_path / "run")


def test_no_place_to_start_from_lies_before_all_times() -> None:
    """FFmpeg takes 64 bits; a player asked for the first picture of such a file goes no further."""
    player = Player.__new__(Player)
    player._pts, player._keys = (FIRST_TIMESTAMP, 5), (0,)
    assert min(player._start_times(0)) == -(2**63) + 1


SHOWN = [1, 5, 20, 0, "right"]
MEASURED: dict[str, dict[str, Any]] = {
    "ingest": ingest_trial("e", 0).measurement.model_dump(mode="json")
    | {"later_clip": [0], "later_start_ns": [10**10], "later_end_ns": [2 * 10**10]},
    "grid": grid_trial("e", 2, 0, 25).measurement.model_dump(mode="json"),
    "fidelity": fidelity_trial("c", "e", [generation([4.0])], chart=reading(EXPECTED))
    .measurement.model_copy(update={"tags": survival(), "worst_frame": worst_frame(0)})
    .model_dump(mode="json"),
    "drag": {"refresh_hz": 60, "strokes": [[0, 5, 9, 9]] * 12, "first_ns": 7, "sample_ns": 0}
    | {"pictures": [[0, 0, 0, 0, "right"], SHOWN]},
    "play": {"refresh_hz": 60, "proof": [], "sample_ns": 0}
    | {
        "playbacks": [
            {"speed": "1x", "start_frame": 0, "period_ns": 40, "due_ns": due, "phase_ns": 0}
            | {"busy_ns": 1, "ready_ns": [3, 9, 9]}
            for due in (5, 30)
        ]
    },
    "streams": {"duration_s": 5, "proof": []}
    | {"levels": [[n, 9, 0, 0, None, 30 * n, None, 0, 0] for n in (1, 2)]},
    "storage": {"access": "write", "byte_count": 1, "wall_ns": 9}
    | {"process_start_ns": [0, 2], "process_end_ns": [8, 9]},
}
"""One of each of these tasks that is believed."""


@pytest.mark.parametrize(
    ("task", "places", "told"),
    [
        ("ingest", ("encoded_ns", 0), 10**10),
        ("ingest", ("start_ns", 0), 3 * 10**9 - 1),
        ("ingest", ("later_end_ns", 0), 10**10 - 1),
        ("ingest", ("worker_index", 0), 2),
        ("ingest", ("worker_count",), 2**53),
        ("grid", ("start_ns", 1), 9 * 10**9),
        ("storage", ("process_end_ns", 1), 1),
        ("drag", ("strokes",), [[0, 5, 99_999, 1]] * 11),
        ("play", ("playbacks", 0, "period_ns"), 2**52 + 1),
        ("streams", ("levels", 1, 0), 1),
        ("fidelity", ("generations",), []),
        ("fidelity", ("generations", 0, "file_bytes"), 0),
        ("fidelity", ("generations", 0, "quality", "peak"), 10**400),
        ("fidelity", ("generations", 0, "quality", "squared_error", 0, 1), -1.0),
        ("fidelity", ("chart", "patches"), []),
        ("fidelity", ("chart", "patches", 0, "kind"), "outside"),
        ("fidelity", ("chart", "chart", "primaries"), "ACES"),
    ],
    ids=lambda one: str(one)[:40],
)
def test_a_measurement_that_no_trial_can_have_is_refused(
    task: str, places: tuple[Any, ...], told: Any
) -> None:
    """Ends before starts, workers and pictures that are not there, more than a trial lasts, twice
    the same: each was a traceback, a speed below 0 or all of the memory behind the reader."""
    model, good = TASKS[task].measurement_model, json.dumps(MEASURED[task])
    model.model_validate_json(good)
    damaged = json.loads(good)
    place = damaged
    for key in places[:-1]:
        place = place[key]
    place[places[-1]] = told
    with pytest.raises(ValidationError):
        model.model_validate_json(json.dumps(damaged))


def test_storage_that_nobody_read_is_refused() -> None:
    """No process at all, as many starts as ends."""
    none = {"process_start_ns": [], "process_end_ns": [], "read_ns": [5]}
    with pytest.raises(ValidationError, match="process_start_ns"):
        TASKS["storage"].measurement_model.model_validate(MEASURED["storage"] | none)


@pytest.mark.parametrize(("task", "took_ns"), [("drag", 27), ("play", 39), ("streams", 60)])
def test_nothing_is_shown_after_its_trial(task: str, took_ns: int, run_dir: Path) -> None:
    """The first picture of a drag and then the last; all starts of a playback one after the other;
    of each number of streams what a player took on average."""
    line = (run_dir / TRIALS_NAME).read_text().splitlines()[0]
    trial = json.loads(line)
    trial["cell"] |= {"task": task, "setting": {}}
    trial["measurement"] = {"task": task} | MEASURED[task]
    believed = parse_trial(json.dumps(trial | {"wall_ns": took_ns}).encode(), where="line")
    assert isinstance(believed, Trial)
    with pytest.raises(RunError, match="wall_ns"):
        parse_trial(json.dumps(trial | {"wall_ns": took_ns - 1}).encode(), where="line")


STORED = (ClipManifest, Encoding, FrameIndex, HostFacts, MediaManifest)
MEASUREMENTS = dict.fromkeys(spec.measurement_model for spec in TASKS.values())


@pytest.mark.parametrize("fact", [*STORED, *MEASUREMENTS])
def test_every_whole_number_of_a_stored_fact_has_bounds(fact: type[Fact]) -> None:
    """What is stored and used in sums says how small and how large it can be."""
    assert list(_unbounded(fact.model_json_schema())) == []


def _unbounded(schema: Any, place: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    if isinstance(schema, list):
        schema = dict(enumerate(schema))
    if not isinstance(schema, dict):
        return
    is_bounded = "const" in schema or all(
        {f"{end}imum", f"exclusive{end.title()}imum"} & schema.keys() for end in ("min", "max")
    )
    if schema.get("type") == "integer" and not is_bounded:
        yield place
    for key, part in schema.items():
        yield from _unbounded(part, (*place, str(key)))


def test_a_key_without_end_is_told_by_its_beginning(run_dir: Path, tmp_path: Path) -> None:
    """A manifest with a key of 7,500 letters is refused in a line that can be read."""
    damaged = json.loads((run_dir / "manifest.json").read_text())
    damaged["scenario"]["clips"][0]["r4, 1," * 1250] = 1
    create_run(tmp_path / "run", read_run(run_dir).manifest)
    (tmp_path / "run" / "manifest.json").write_text(json.dumps(damaged))
    with pytest.raises(RunError, match=r"clips\[1\]\.r4, 1,") as refused:
        read_run(tmp_path / "run")
    assert len(str(refused.value)) < 1000


def test_a_claimed_size_is_refused_before_decoding(tmp_path: Path) -> None:
    """The error has the size that the header claims, where the limit is exceeded; a picture within
    it is let in."""
    path = tmp_path / "x.ppm"
    path.write_bytes(b"P6\n16000 16000\n65535\n" + bytes(200))
    with pytest.raises(FootageError, match="16000x16000"):
        probe.probe_media(path)
    path.write_bytes(b"P6\n64 64\n255\n" + bytes(64 * 64 * 3))
    assert probe.probe_media(path).width_px == 64
