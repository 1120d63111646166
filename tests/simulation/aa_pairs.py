"""Real pairs of runs in which nothing changed, and the same with a slower decoder.

`python tests/simulation/aa_pairs.py FOLDER --measure 24 --pause 1800` measures `workstation-check`
so many times into FOLDER, with so many seconds between (what is there is kept); without --measure
it judges what lies there. Runs pair by time, each in one pair. Listed are every cell of every pair
and, with 15 % added to the decoding of every picture of one encoding in the later run, whether that
was found; then the shares that are promised. --history judges with all runs before the pair.
"""

import argparse
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from mezzmark import api
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.compare.verdicts import CellVerdict
from mezzmark.decide.estimate.observed_run import MeasuredRun, ObservedRun, start_of
from mezzmark.model.tasks.scrub import ScrubMeasurement
from mezzmark.store.run_store import read_run

TOLERANCE = 0.10
SLOWED = "vc3-sq"


def slowed(run: MeasuredRun, share: float) -> ObservedRun:
    """The run as a decoder slower by this share would have made it, of one encoding."""
    trials = []
    for trial in run.trials:
        measured = trial.measurement
        if trial.cell.encoding == SLOWED and isinstance(measured, ScrubMeasurement):
            decode_ns = [round((1 + share) * value) for value in measured.decode_ns]
            measured = measured.model_copy(update={"decode_ns": tuple(decode_ns)})
        trials.append(trial.model_copy(update={"measurement": measured}))
    return ObservedRun(run.manifest, tuple(trials))


def judge(
    first: MeasuredRun, second: MeasuredRun, history: Sequence[MeasuredRun], tolerance: float
) -> tuple[CellVerdict, ...]:
    """The cells of a comparison."""
    found = compare_runs([first], [second], tolerance_fraction=tolerance, history=history)
    return found.cells


def main() -> None:
    """Measure, or list the pairs and sum up."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--measure", type=int, default=0)
    parser.add_argument("--pause", type=float, default=0.0)
    parser.add_argument("--history", action="store_true")
    asked = parser.parse_args()
    for number in range(asked.measure):
        out = asked.folder / f"{number:02d}"
        if not out.exists():
            api.measure("workstation-check", out=out)
            time.sleep(asked.pause)
    runs = sorted((read_run(run) for run in asked.folder.iterdir() if run.is_dir()), key=start_of)
    false, cells, tries = 0, [], []
    for at in range(0, len(runs) - 1, 2):
        past = runs[:at] if asked.history else ()
        judged = judge(runs[at], runs[at + 1], past, TOLERANCE)
        false += any(cell.verdict in ("regressed", "improved") for cell in judged)
        cells += judged
        planted = judge(runs[at], slowed(runs[at + 1], 0.15), past, 0.05)
        hit = [c for c in planted if c.cell.encoding == SLOWED and c.cell.task == "scrub"]
        tries += hit
        print(f"\npair {at // 2 + 1}: {start_of(runs[at])} and {start_of(runs[at + 1])}")
        for cell in judged:
            ratio = cell.cost_ratio
            limits = f"{ratio.point:.3f} [{ratio.low:.3f}, {ratio.high:.3f}]" if ratio else "-"
            detectable = f"{100 * (cell.detectable_fraction or 0):.1f} %"
            withheld = f" (withheld: {cell.withheld_verdict})" if cell.withheld_verdict else ""
            print(f"  {cell.cell.cell_id}: {cell.verdict}{withheld}, {limits}, {detectable}")
        print(f"  15 % slower decoder: {', '.join(cell.verdict for cell in hit)}")
    if not cells:
        return
    equivalent = sum(cell.verdict == "equivalent" for cell in cells)
    found = [sum(cell.verdict == kind for cell in tries) for kind in ("regressed", "slower")]
    print(f"\npairs with a false verdict: {false} of {len(runs) // 2}")
    print(f"cells equivalent at {100 * TOLERANCE:g} %: {equivalent} of {len(cells)}")
    for task in ("encode", "scrub"):
        sizes = [c.detectable_fraction for c in cells if c.cell.task == task]
        print(f"median detectable, {task}: {100 * median(s for s in sizes if s):.1f} %")
    print(f"15 % slower decoder of {len(tries)}: {found[0]} regressed, {found[1]} slower (at 5 %)")


if __name__ == "__main__":
    main()
