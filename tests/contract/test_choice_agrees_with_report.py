"""What `choose` shows of a figure is what the report shows of it, in the runs that ship."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from mezzmark.decide.choose.choose import choose_encoding
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.estimate.over_clips import pool_clips
from mezzmark.decide.throughput.grid import judge_grid
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.request import ChooseSettings
from mezzmark.report.view import RunView
from mezzmark.store.run_store import Run, read_run

RESULTS = Path(__file__).parents[2] / "results"
RUNS = sorted(manifest.parent for manifest in RESULTS.glob("example-*/**/manifest.json"))


def reported(run: Run, view: RunView) -> Iterator[tuple[str, str, Estimate]]:
    """Name of a figure, encoding and estimate: of the tables that a report has over all clips."""
    for ranking in view.rankings:
        lead = next(r for r in view.rankings if r.setting["pattern"] == ranking.setting["pattern"])
        for entry in ranking.entries if ranking is lead else ():
            for figure in ("p50_ms", "p95_ms"):
                name = f"scrub.{ranking.setting['pattern']}.{figure}"
                yield name, entry.encoding, entry.estimates[figure]
    for encoding, by_threads in view.encodes.items():
        speeds = {threads: figures["throughput_fps"] for threads, figures in by_threads.items()}
        best = max(speeds.values(), key=lambda estimate: estimate.point)
        yield "encode.throughput_fps", encoding, best
        for threads, estimate in speeds.items():
            yield f"encode.{threads}t.throughput_fps", encoding, estimate
    found = judge_grid(ObservedRun.of(run))
    for grid in found:
        splits = {(s.job_count, s.thread_count): s.figures for s in grid.splits}
        yield "grid.throughput_fps", grid.encoding, splits[grid.best]["throughput_fps"]
    exports = [o for o in view.observations if o.cell.task == "delivery" and not o.cell.arm]
    quickest: dict[str, Estimate] = {}
    for cell, estimates in pool_clips(exports, run.manifest).items():
        known = quickest.get(cell.encoding)
        if known is None or estimates["throughput_fps"].point > known.point:
            quickest[cell.encoding] = estimates["throughput_fps"]
    for encoding, estimate in quickest.items():
        yield "delivery.throughput_fps", encoding, estimate
    for encoding, (_, figures) in view.at_best["drag"].items():
        for name in ("distance_p95_frames", "age_p95_ms"):
            yield f"drag.{name}", encoding, figures[name]


@pytest.mark.parametrize("folder", RUNS, ids=lambda folder: folder.name)
def test_every_figure_is_the_reports_own(folder: Path) -> None:
    """Point, interval and counts of each encoding: the same estimate in both places; and bit rates
    are those of the files over all clips, known exactly."""
    run = read_run(folder)
    view = RunView(run.manifest, run.trials)
    cells = list(reported(run, view))
    assert cells
    compared = 0
    for name in {name for name, _, _ in cells}:
        better = "more" if name.endswith("_fps") else "less"
        choice = choose_encoding(
            [run], ChooseSettings.model_validate({"wishes": [f"{better} {name}"]}), draw_count=10
        )
        for figure, encoding, estimate in cells:
            if figure == name and not (encoding == ORIGINAL and better == "more"):
                assert choice.find(encoding).figures[name] == estimate
                compared += 1
    assert compared >= 2
    settings = ChooseSettings.model_validate({"wishes": ["less bitrate_bps"]})
    figures = {e.encoding: e.figures for e in choose_encoding([run], settings).encodings}
    shown = {name: found["bitrate_bps"].point for name, found in figures.items() if found}
    assert shown
    assert shown == pytest.approx({name: view.bitrates_bps[name] for name in shown})
