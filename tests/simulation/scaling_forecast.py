"""Prints what a fit from few cores foretells of more: `python … RUN --up-to 8`.

For a run whose grid has many job counts of one thread: each encoding's scaling law is fitted to
the job counts up to `--up-to`, and its forecast stands beside what was measured above that.
"""

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.figures import figures_of
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.statistics.intervals import log_t_interval
from mezzmark.statistics.scaling import fit_scaling, predict_throughput
from mezzmark.store.run_store import read_run


def measured_fps(folder: Path) -> dict[str, dict[int, list[float]]]:
    """Frames a second of grid trials of one thread, in order of rounds, by encoding and jobs."""
    found: dict[str, dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    for trial in read_run(folder).trials:
        measured = trial.measurement
        if isinstance(measured, GridMeasurement) and trial.cell.setting["threads"] == 1:
            fps = figures_of(measured)["throughput_fps"]
            found[trial.cell.encoding][trial.cell.setting["jobs"]].append(fps)
    return found


def main() -> None:
    """Print one line for each encoding and job count that was left out of the fit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("run", type=Path)
    parser.add_argument("--up-to", type=int, default=8)
    asked = parser.parse_args()
    for encoding, by_jobs in measured_fps(asked.run).items():
        used = sorted(jobs for jobs in by_jobs if jobs <= asked.up_to)
        for law in ("usl", "amdahl"):
            fit = fit_scaling(used, np.column_stack([by_jobs[jobs] for jobs in used]), law=law)
            for jobs in sorted(set(by_jobs) - set(used)):
                ahead = predict_throughput(fit, jobs, confidence_level=0.95)
                there = log_t_interval(by_jobs[jobs], confidence_level=0.95)
                print(
                    f"{encoding}, {law}, {jobs} jobs: foretold {ahead.point:.0f} fps "
                    f"[{ahead.interval.low:.0f}, {ahead.interval.high:.0f}]"
                    if ahead.interval
                    else f"{encoding}, {law}, {jobs} jobs: foretold {ahead.point:.0f} fps",
                    f"· measured {there.point:.0f} [{there.low:.0f}, {there.high:.0f}]",
                )


if __name__ == "__main__":
    main()
