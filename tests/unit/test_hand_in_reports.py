"""Dragging, playing and streams of a made-up run: in its section, in choose and in regress."""

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_run
from mezzmark.decide.choose.choose import choose_encoding
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.records import Trial
from mezzmark.model.request import ChooseSettings
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.drag import DragMeasurement, DragSettings, Shown, view_drag
from mezzmark.model.tasks.hand import Stroke
from mezzmark.model.tasks.play import Playback, PlayMeasurement, PlaySettings
from mezzmark.model.tasks.streams import Level, StreamsMeasurement, StreamsSettings
from mezzmark.report.export.tidy import trials_frame
from mezzmark.report.sections.context import run_context
from mezzmark.report.view import RunView

MS = 1_000_000
STROKES = (Stroke(0, 90, 60, 30), Stroke(90, 10, 60, 120))
PACE_MS = {ORIGINAL: 260, "VC-3 SQ": 12, "RDD 36 standard": 30}
"""What a picture takes."""

COUNTS = {ORIGINAL: (0, 0, 1, 0, 0, 0), "VC-3 SQ": (5, 5, 6, 5, 4, 5), "RDD 36 standard": (3,) * 6}


def _drag(pace_ms: float, service: str) -> DragMeasurement:
    """Each picture is of the frame wanted when the one before stood; in a queue all come."""
    blank = DragMeasurement(
        refresh_hz=60,
        strokes=STROKES,
        pictures=(Shown(0, 0, 0, 0, "right"),),
        first_ns=1,
        sample_ns=0,
    )
    wanted = blank.screen.wanted.tolist()
    shown, request = list(blank.pictures), 0
    done_ns = 0
    while request < len(wanted) - 1:
        newest = int(done_ns * 60 // 10**9)
        request = min(
            request + 1 if service == "queue" else max(newest, request + 1), len(wanted) - 1
        )
        start_ns = max(done_ns, request * 10**9 // 60)
        done_ns = start_ns + int(pace_ms * MS)
        shown.append(Shown(request, start_ns, done_ns, wanted[request], "right"))
    return blank.model_copy(update={"pictures": tuple(shown)})


def _play(pace_ms: float) -> PlayMeasurement:
    ready = tuple(int(n * pace_ms * MS) for n in range(1, 76))
    times = {"period_ns": 40 * MS, "due_ns": ready[3], "phase_ns": 0, "busy_ns": ready[-1]}
    playback = Playback(speed="1x", start_frame=0, ready_ns=ready, **times)
    return PlayMeasurement(refresh_hz=60, playbacks=(playback,), proof=("right",) * 75, sample_ns=0)


def _streams(count: int) -> StreamsMeasurement:
    levels = [
        Level(n, 75 * n, 0 if n <= count else 40 * n, 0 if n <= count else 40) for n in range(1, 8)
    ]
    return StreamsMeasurement(duration_s=3, levels=tuple(levels), proof=("right",))


@pytest.fixture(scope="module")
def run() -> ObservedRun:
    """Six rounds of each task, dragging by two services; paces differ by 1 % a round."""
    manifest, trials = fabricate_run(Fabrication(patterns=("jump",), encode_threads=(1,)))
    clip, axes = manifest.clips[0].clip, {"threads": 4, "player": "slice"}
    more: list[Trial] = []
    for index, (name, usual_ms) in [(i, item) for i in range(6) for item in PACE_MS.items()]:
        pace_ms = usual_ms * (1 + index / 100)
        measured = {
            ("drag", "service", "latest"): _drag(pace_ms, "latest"),
            ("drag", "service", "queue"): _drag(0.6 * pace_ms, "queue"),
            ("play", "jobs", 1): _play(pace_ms),
            ("streams", "carrier", "threads"): _streams(COUNTS[name][index]),
        }
        for place, ((task, axis, value), measurement) in enumerate(measured.items(), start=100):
            setting = Setting(**axes, **{axis: value})
            cell = Cell(task=task, clip=clip, encoding=name, setting=setting)
            changes = {"cell": cell, "measurement": measurement, "position": place + 10 * len(more)}
            more.append(trials[0].model_copy(update={**changes, "round_index": index}))
    tables = {"drag": DragSettings(), "play": PlaySettings(), "streams": StreamsSettings()}
    data = manifest.scenario.model_dump() | {n: t.model_dump() for n, t in tables.items()}
    scenario = Scenario.model_validate(data)
    return ObservedRun(manifest.model_copy(update={"scenario": scenario}), (*trials, *more))


def test_the_section_answers_with_figures_and_tables(run: ObservedRun) -> None:
    """The best encoding in its best service beside the original; streams are whole; strokes and
    curve are drawn; what was measured is no longer called untested."""
    context = run_context(RunView(run.manifest, run.trials))
    section = next(one for one in context.sections if one.anchor == "hand")
    assert len(section.tables) == 3
    assert [p.file_stem for p in section.pictures] == ["strokes", "streams"]
    first, *others = (section.headline, *section.sentences)
    assert "VC-3 SQ" in first
    assert any("5 streams [4, 6]" in text for text in others)
    untested = " ".join(context.answer.not_tested)
    assert "several streams" not in untested
    assert "sound" in untested


def test_needs_are_judged_in_the_best_service(run: ObservedRun) -> None:
    """Age and streams are needs; a queue, whose pictures are many and old, is nobody's best; no
    stream at all is a number that misses."""
    needs = ["drag.age_p95_ms <= 100", "streams.count >= 3", "play.on_time_fraction >= 0.99"]
    wishes = ["more drag.pictures_per_s"]
    settings = ChooseSettings.model_validate({"needs": needs, "wishes": wishes})
    choice = choose_encoding([run], settings)
    outcomes = {name: [result.outcome for result in choice.find(name).needs] for name in PACE_MS}
    assert outcomes[ORIGINAL] == ["misses"] * 3
    assert outcomes["VC-3 SQ"] == ["meets"] * 3
    assert choice.leader == "VC-3 SQ"
    shown = choice.find(ORIGINAL).estimate(settings.goals[0].figure)
    in_queue, latest = (
        view_drag(_drag(pace_ms, service))["pictures_per_s"]
        for pace_ms, service in ((0.6 * 260, "queue"), (260, "latest"))
    )
    assert in_queue > 1.5 * latest
    assert shown.point == pytest.approx(latest, rel=0.1)


def test_equal_runs_are_the_same_and_slower_ones_are_not(run: ObservedRun) -> None:
    """Against itself no cell regresses; with pictures that take twice as long dragging does."""
    slow = []
    for trial in run.trials:
        if trial.cell.task == "drag":
            pace_ms = 2 * PACE_MS[trial.cell.encoding] * (1 + trial.round_index / 100)
            measured = _drag(pace_ms, trial.cell.setting["service"])
            slow.append(trial.model_copy(update={"measurement": measured}))
        else:
            slow.append(trial)
    same = compare_runs([run], [run], tolerance_fraction=0.05)
    assert {c.verdict for c in same.cells} <= {"unchanged", "inconclusive"}
    assert {"drag", "play", "streams"} <= {c.cell.task for c in same.cells}
    found = compare_runs([run], [ObservedRun(run.manifest, tuple(slow))], tolerance_fraction=0.05)
    verdicts = {
        (c.cell.encoding, c.cell.setting["service"]): c
        for c in found.cells
        if c.cell.task == "drag"
    }
    assert verdicts[ORIGINAL, "latest"].cost_ratio.point > 1.5


def test_exported_trials_tell_service_and_carrier(run: ObservedRun) -> None:
    """Each has its columns, with its figures beside them."""
    frame = trials_frame([run])
    drags = frame[frame["task"] == "drag"]
    assert set(drags["service"]) == {"latest", "queue"}
    assert drags["age_p95_ms"].notna().all()
    assert set(frame[frame["task"] == "streams"]["carrier"]) == {"threads"}
