"""What a site of many runs costs: its size, a first build, and a second one with one run more.

    python tests/simulation/site_of_runs.py OUT --runs 100

The runs are copies of the example runs under other ids, hosts (five runs each) and dates; their
figures say nothing. Prints the CPU time of both builds, and the size of the site.
"""

import argparse
import hashlib
import json
import shutil
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import mezzmark

RESULTS = Path(__file__).parents[2] / "results"
EXAMPLES = (
    *("example-natural", "example-uhd-ingest", "example-long-gop-2160p"),
    *("example-two-hosts/two-cores", "example-two-hosts/sixteen-cores"),
)
RUNS_A_HOST = 5


def copy_run(number: int, folder: Path) -> Path:
    """Run `number` of so many: another id, a host of five runs, a week later each time."""
    host, turn = divmod(number, RUNS_A_HOST)
    example = RESULTS / EXAMPLES[host % len(EXAMPLES)]
    later = timedelta(weeks=turn)
    run_dir = folder / f"run-{number}"
    run_dir.mkdir(parents=True)
    manifest = json.loads((example / "manifest.json").read_text(encoding="utf-8"))
    manifest["run_id"] = hashlib.sha256(f"{number}".encode()).hexdigest()[:32]
    manifest["host"]["host_label"] = f"machine {host + 1}"
    manifest["created_utc"] = _shifted(manifest["created_utc"], later)
    (run_dir / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    with (run_dir / "trials.jsonl").open("w", encoding="utf-8") as file:
        for line in (example / "trials.jsonl").read_text(encoding="utf-8").splitlines():
            trial = json.loads(line)
            trial["started_utc"] = _shifted(trial["started_utc"], later)
            file.write(json.dumps(trial, separators=(",", ":")) + "\n")
    return run_dir


def _shifted(moment: str, later: timedelta) -> str:
    return (datetime.fromisoformat(moment) + later).isoformat()


def main() -> None:
    """Build twice and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--runs", type=int, default=100)
    asked = parser.parse_args()
    shutil.rmtree(asked.out / "runs", ignore_errors=True)
    runs = [copy_run(number, asked.out / "runs") for number in range(asked.runs + 1)]
    seconds = []
    for named in (runs[:-1], runs):
        begun = time.process_time()
        found = mezzmark.publish(named, to=asked.out / "site")
        seconds.append(time.process_time() - begun)
        print(f"{found.run_count} runs, {found.built_count} made: {seconds[-1]:.1f} s of CPU")
    files = [path for path in (asked.out / "site").rglob("*") if path.is_file()]
    print(f"one run more: {100 * seconds[1] / seconds[0]:.1f} % of the first build")
    print(f"{sum(path.stat().st_size for path in files) / 1e6:.1f} MB in {len(files)} files")


if __name__ == "__main__":
    sys.exit(main())
