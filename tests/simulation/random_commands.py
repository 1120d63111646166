"""Command lines drawn at random: an exit code of the list, no traceback, nothing else touched?

    python tests/simulation/random_commands.py [--seed 0] [--count 2000]

Each is made of the commands and options that there are, with values that fit, that do not, and odd
ones, and half of them are changed: words lost, doubled, swapped, letters turned over. It runs
through the real entry point in a forked process with a folder of runs, clips and files of its own;
what measures is stopped as by Ctrl-C after a moment. As root on Linux all but that folder is
read-only, and there is no network; elsewhere words that would lead out of the folder are left out.
Looked at: exit code, one line that tells an error, processor time (10 s, but for what measures),
memory (1 GiB), and that clips and neighbours are as they were. POSIX. Exits 1 for any fault.
"""

import argparse
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import typer

import mezzmark.report.page
import mezzmark.report.site
import mezzmark.runner.run  # noqa: F401 (loaded once, before processes are forked)
from fixtures.clip_zoo import ZOO, make_zoo_clip
from fixtures.fabricated_run import EIGHT, Fabrication, fabricate_run
from fixtures.three_hosts import TINY
from mezzmark.__main__ import main as entry_point
from mezzmark.cli.app import app
from mezzmark.store.run_store import append_trial, create_run
from mezzmark.store.toml_files import shipped_folder
from simulation.interrupted_placing import look, mount
from simulation.mutated_files import LIMIT_BYTES, LIMIT_S, NEEDS, SHOP

INSIDE = "MEZZMARK_COMMANDS_SEALED"
CODES = {0, 10, 11, 12, *range(20, 30)}
MEASURING = ("demo", "measure", "rig", "fleet")
STOPPED_AFTER_S, GIVEN_UP_AFTER_S = 2.0, 120.0

RUNS = ("run", "other", "run", "other", "torn", "odd", "empty", "card", "runs/*")
FOOTAGE = ("card", "card/a.avi", "card/*.avi", "card/broken.avi", "notes.txt", "card/gone.mov", ".")
VALUES: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("runs", "baseline", "candidate", "history", "earlier"), RUNS),
    "footage": FOOTAGE,
    "scenario": ("tiny.toml", "tiny.toml", "odd.toml", "own-footage", "first-look", "shop.toml"),
    "shop": ("shop.toml", "shop.toml", "odd.toml", "gone.toml"),
    "needs": ("needs.toml", "odd.toml", "shop.toml"),
    **dict.fromkeys(("out", "to"), ("out/1", "out/2", "out/3/4", "run", "card", "card/a.avi")),
    "cache": ("cache", "notes.txt", "empty"),
    "root": ("empty", "card", "gone"),
    "template": ("templates", "empty", "notes.txt"),
    "need": ("scrub.jump.p50_ms <= 100", "bit_depth >= 10", "alpha = true", "x < y", "<= 3"),
    "wish": ("less bitrate_bps", "more encode.throughput_fps", "less bitrate_bps = 2", "more"),
    "price": ("bench-a=900 EUR", "run=1", "=", "bench-a=-1 EUR", "other=1e999 USD"),
    "names": ("vc3-sq", "VC-3", "prores_ks", "x264", "original", "*"),
    "clips": ("street at dusk", "gone"),
    "scheduler": ("", "tcp://127.0.0.1:9", "tls://127.0.0.1:9", "x", "tcp://"),
    "certificates": ("empty", "gone"),
    "hosts": ("desk", "local-1"),
    "against": ("python", "notes.txt", "gone"),
    **dict.fromkeys(("tolerance", "planted", "indifference"), ("5%", "0.1", "500%", "0", "nan")),
    "output_format": ("csv", "json", "pytest-benchmark", "parquet", "table", "markdown", "junit"),
    "table": ("cells", "trials", "samples"),
    "time_budget": ("1s", "10min", "1e-9", "inf", "3 parsecs"),
}
NUMBERS = ("0", "1", "2", "3", "0.9", "-1", "1e9", "nan", "99999", "99999999999999999999", "")
ODD = ("", "-", "--", "-x", "--no-such", "=", "\n", "\x1b[2J", "é" * 90, "n" * 5000, "*", "[", "{}")
ODD += ("\u202e", "\udcff\udcfe", "--json=1", "--help", "--version", "0x10", "'", '"', "$(x)", "%s")


def build(folder: Path) -> None:
    """What the commands find, and neighbours outside it."""
    work = folder / "work"
    for name in ("card", "empty", "out", "cache", "tmp", "odd", "torn"):
        (work / name).mkdir(parents=True)
    (folder / "neighbour").mkdir()
    (folder / "neighbour" / "kept.mov").write_bytes(os.urandom(1000))
    clip = make_zoo_clip(ZOO["mjpeg-avi"], work / "card", frame_count=8).rename(work / "card/a.avi")
    data = clip.read_bytes()
    (work / "card" / "broken.avi").write_bytes(data[: len(data) // 2] + bytes(500))
    (work / "notes.txt").write_text("shot list\n" * 50)
    for seed, name in enumerate(("run", "other"), start=1):
        made = Fabrication(encodings=EIGHT[:3], patterns=("jump",), rounds=3, requests=8, seed=seed)
        manifest, trials = fabricate_run(made)
        create_run(work / name, manifest)
        for trial in trials:
            append_trial(work / name, trial)
    manifest_bytes = (work / "run" / "manifest.json").read_bytes()
    (work / "odd" / "manifest.json").write_bytes(manifest_bytes[:-200])
    (work / "torn" / "manifest.json").write_bytes(manifest_bytes)
    lines = (work / "run" / "trials.jsonl").read_bytes()
    (work / "torn" / "trials.jsonl").write_bytes(lines[: len(lines) * 2 // 3])
    (work / "tiny.toml").write_text(TINY.format(rounds=1))
    (work / "odd.toml").write_text(TINY.format(rounds="[1, {") + "\0")
    (work / "shop.toml").write_text(SHOP)
    (work / "needs.toml").write_text(NEEDS)
    shutil.copytree(shipped_folder("report_templates"), work / "templates")


def commands() -> dict[tuple[str, ...], Any]:
    """Every command by the words that call it."""
    found = {}
    left = [((), typer.main.get_command(app))]
    while left:
        words, command = left.pop()
        inner = getattr(command, "commands", {})
        left += [((*words, name), one) for name, one in inner.items()]
        if not inner:
            found[words] = command
    return dict(sorted(found.items()))


def draw(rng: random.Random, known: dict[tuple[str, ...], Any]) -> list[str]:
    """A command line, as a person might type it or not at all."""
    words = list(path := rng.choice(list(known)))
    for param in known[path].params:
        is_asked = param.required or rng.random() < 0.25
        for _ in range(rng.choice((1, 1, 1, 2)) if is_asked and rng.random() < 0.95 else 0):
            if param.param_type_name == "option":
                words.append(rng.choice((*param.opts, *param.secondary_opts)))
            if not getattr(param, "is_flag", False):
                words.append(_value(rng, param))
    if rng.random() < 0.5:
        for _ in range(rng.randint(1, 3)):
            _change(words, rng)
    return [word for word in words if stays_inside(word)]


def _value(rng: random.Random, param: Any) -> str:
    fitting = VALUES.get(param.name, NUMBERS)
    return rng.choice(rng.choice((fitting, fitting, fitting, fitting, NUMBERS, ODD)))


def _change(words: list[str], rng: random.Random) -> None:
    at = rng.randrange(len(words)) if words else 0
    kind = rng.randrange(5)
    if kind == 0 or not words:
        words.insert(at, rng.choice(ODD))
    elif kind == 1:
        del words[at]
    elif kind == 2:
        words.insert(at, words[rng.randrange(len(words))])
    elif kind == 3:
        other = rng.randrange(len(words))
        words[at], words[other] = words[other], words[at]
    elif words[at] and "://" not in words[at]:
        place = rng.randrange(len(words[at]))
        letter = chr(ord(words[at][place]) ^ 1 << rng.randrange(7))
        words[at] = words[at][:place] + letter.replace("\0", "0") + words[at][place + 1 :]


def stays_inside(word: str) -> bool:
    """Whether it leads neither out of the folder nor over a network."""
    path = word.rpartition("=")[2]
    leads_out = path.startswith(("/", "~")) or ".." in word
    return not leads_out and ("://" not in word or word in VALUES["scheduler"])


def run_command(words: list[str], work: Path, *, is_measuring: bool) -> tuple[int, str]:
    """Its exit code, and what is wrong with its answer; empty where nothing is."""
    out, err = work / "tmp" / "stdout", work / "tmp" / "stderr"
    child = os.fork()
    if not child:
        _be_command(words, work, out, err)
    began_s, ended, told = time.monotonic(), 0, not is_measuring
    while not ended:
        time.sleep(0.005)
        ended, status, used = os.wait4(child, os.WNOHANG)
        spent_s = time.monotonic() - began_s
        if not ended and not told and spent_s > STOPPED_AFTER_S:
            told = not os.kill(child, signal.SIGINT)
        if not ended and spent_s > GIVEN_UP_AFTER_S:
            os.kill(child, signal.SIGKILL)
    code, said = os.waitstatus_to_exitcode(status), err.read_text(errors="replace")
    lines = sum(line.startswith("mezzmark: ") for line in said.splitlines())
    cpu_s, peak_bytes = used.ru_utime + used.ru_stime, used.ru_maxrss * 1024
    faults = [
        f"exit code {code}" if code not in CODES else "",
        f"exit code {code} of no verdict" if 10 <= code <= 12 and "regress" not in words else "",
        "a traceback" if "Traceback (most" in said else "",
        f"{lines} lines tell of an error" if lines != (20 <= code <= 29) else "",
        f"{cpu_s:.1f} s of processor time" if cpu_s > LIMIT_S and not is_measuring else "",
        f"{peak_bytes / 2**30:.2f} GiB" if peak_bytes > LIMIT_BYTES else "",
    ]
    if not any(faults):
        return code, ""
    return code, f"{', '.join(filter(None, faults))}: {said[-1200:]}"


def _be_command(words: list[str], work: Path, out: Path, err: Path) -> None:
    """The forked process: its streams, its limits, the entry point."""
    os.chdir(work)
    os.setsid()
    resource.setrlimit(resource.RLIMIT_AS, (2**34, 2**34))
    for number, path, flags in ((0, os.devnull, os.O_RDONLY), (1, out, 0o1101), (2, err, 0o1101)):
        os.dup2(os.open(path, flags, 0o600), number)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["mezzmark", *words]
    try:
        entry_point()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    except BaseException:
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def run_commands(seeds: range, folder: Path) -> tuple[Counter[str], list[str]]:
    """How many of each command and exit code, and what was found."""
    build(folder)
    work, known = folder / "work", commands()
    os.environ |= {"MEZZMARK_CACHE": str(work / "cache"), "HOME": str(work), "COLUMNS": "100"}
    os.environ["TMPDIR"] = tempfile.tempdir = str(work / "tmp")
    before = _kept(folder)
    counts, faults = Counter[str](), list[str]()
    for seed in seeds:
        words = draw(random.Random(seed), known)
        name = words[0] if words and words[0] in {path[0] for path in known} else "other"
        code, fault = run_command(words, work, is_measuring=name in MEASURING)
        counts += Counter((name, f"exit {code}"))
        faults += [f"seed {seed}: {words}: {fault}"] if fault else []
        if _kept(folder) != before:
            faults.append(f"seed {seed}: {words}: clips or neighbours are not as they were")
            break
    return counts, faults


def _kept(folder: Path) -> dict[str, object]:
    """What no command may change: clips, and all beside the folder."""
    found = look(folder / "work" / "card") | look(folder / "neighbour")
    return found | {"names": sorted(path.name for path in folder.iterdir())}


def seal(folder: Path) -> None:
    """Make all but the folder read-only for this process and its children."""
    mount("--make-rprivate", "/")
    mount("--bind", folder, folder)
    points = [line.split()[1] for line in Path("/proc/self/mounts").read_text().splitlines()]
    for point in points:
        if point not in (str(folder), "/dev/shm"):
            mount("-o", "remount,bind,ro", point)
    subprocess.run(("ip", "link", "set", "lo", "up"), check=False, capture_output=True)


def main() -> int:
    """Run them, print counts and faults."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=2000)
    asked = parser.parse_args()
    if INSIDE not in os.environ:
        with tempfile.TemporaryDirectory(prefix="mezzmark-commands-") as name:
            again = [sys.executable, *sys.argv]
            if sys.platform == "linux" and not os.geteuid():
                again = ["unshare", "--net", "--mount", "--kill-child", "--fork", *again]
            variables = {**os.environ, INSIDE: str(Path(name).resolve())}
            return subprocess.run(again, env=variables, check=False).returncode
    folder, began_s = Path(os.environ.pop(INSIDE)), time.monotonic()
    if sys.platform == "linux" and not os.geteuid():
        seal(folder)
    counts, faults = run_commands(range(asked.seed, asked.seed + asked.count), folder)
    print(dict(counts), f"{time.monotonic() - began_s:.0f} s", *faults, sep="\n")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
