"""What a site costs: `python tests/simulation/site_of_runs.py OUT [COUNT]` publishes so many runs
(100), then one more: copies of the examples with other ids, dates and hosts (of five runs each)."""

import json
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import mezzmark

MANIFESTS = sorted((Path(__file__).parents[2] / "results").rglob("manifest.json"))


def copy_run(number: int, folder: Path) -> Path:
    """Run `number`: its id, the host of five such runs, a week later each time."""
    host, week = divmod(number, 5)
    example = MANIFESTS[host % len(MANIFESTS)].parent
    run_dir = folder / f"run-{number}"
    run_dir.mkdir(parents=True, exist_ok=True)
    manifest = json.loads((example / "manifest.json").read_text(encoding="utf-8"))
    manifest["run_id"] = f"{number:032x}"
    manifest["host"]["host_label"] = f"machine {host + 1}"
    (run_dir / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    with (run_dir / "trials.jsonl").open("w", encoding="utf-8") as file:
        for trial in map(json.loads, (example / "trials.jsonl").open(encoding="utf-8")):
            begun = datetime.fromisoformat(trial["started_utc"]) + timedelta(weeks=week)
            file.write(json.dumps(trial | {"started_utc": begun.isoformat()}) + "\n")
    return run_dir


if __name__ == "__main__":
    out = Path(sys.argv[1])
    runs = [copy_run(number, out / "runs") for number in range(int([*sys.argv, "100"][2]) + 1)]
    for named in (runs[:-1], runs):
        begun_s = time.process_time()
        found = mezzmark.publish(named, to=out / "site")
        print(f"{found.answer} {time.process_time() - begun_s:.1f} s of CPU")
    sizes = [path.stat().st_size for path in (out / "site").rglob("*") if path.is_file()]
    print(f"{sum(sizes) / 1e6:.1f} MB in {len(sizes)} files")
