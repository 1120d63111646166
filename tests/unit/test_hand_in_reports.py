"""Dragging, playing and streams of a made-up run: in its section, in choose and in regress."""

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_run
from mezzmark.decide.choose.choose import choose_encoding
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.records import Trial
from mezzmark.model.request import ChooseSettings
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.drag import DragMeasurement, DragSettings, Shown, view_drag
from mezzmark.model.tasks.editors import EditorsSettings
from mezzmark.model.tasks.hand import Stroke
from mezzmark.model.tasks.play import Playback, PlayMeasurement, PlaySettings, view_play
from mezzmark.model.tasks.streams import Level, StreamsMeasurement, StreamsSettings
from mezzmark.report.export.tidy import cells_frame, trials_frame
from mezzmark.report.sections.context import run_context
from mezzmark.report.tables.tasks import cells_table
from mezzmark.report.view import RunView

MS = 1_000_000
LINK = "1 Gbit/s, 0.5 ms"
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


def test_a_picture_after_the_last_refresh_shows_nothing() -> None:
    """The first picture did not come, and the only other one stood when the hand was done."""
    drag = _drag(260, "latest")
    late = Shown(269, 10**9, 10**12, 10, "right")
    pictures = drag.pictures[0]._replace(proof="missing"), late
    assert view_drag(drag) is not None
    assert view_drag(drag.model_copy(update={"pictures": pictures})) is None


def _play(pace_ms: float) -> PlayMeasurement:
    ready = tuple(int(n * pace_ms * MS) for n in range(1, 76))
    times = {"period_ns": 40 * MS, "due_ns": ready[3], "phase_ns": 0, "busy_ns": ready[-1]}
    playback = Playback(speed="1x", start_frame=0, ready_ns=ready, **times)
    return PlayMeasurement(refresh_hz=60, playbacks=(playback,), proof=("right",) * 75, sample_ns=0)


def _editors(count: int) -> StreamsMeasurement:
    """Beyond `count` hands see pictures of 300 ms, and four fifths of their time are waiting."""
    levels = [
        Level(n, 75 * (n // 2), 0, 0, *((60.0, 10, 2, 0) if n <= count else (300.0, 10, 8, 0)))
        for n in range(1, 8)
    ]
    limits = {"task": "editors", "duration_s": 3, "age_limit_ms": 100}
    return StreamsMeasurement(**limits, levels=tuple(levels), proof=("right",))


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
            ("editors", "link", LINK): _editors(COUNTS[name][index]),
        }
        for place, ((task, axis, value), measurement) in enumerate(measured.items(), start=100):
            setting = Setting(**axes, **{axis: value})
            cell = Cell(task=task, clip=clip, encoding=name, setting=setting)
            changes = {"cell": cell, "measurement": measurement, "position": place + 10 * len(more)}
            more.append(trials[0].model_copy(update={**changes, "round_index": index}))
    tables = {"drag": DragSettings(), "play": PlaySettings(), "streams": StreamsSettings()}
    tables["editors"] = EditorsSettings()
    data = manifest.scenario.model_dump() | {n: t.model_dump() for n, t in tables.items()}
    scenario = Scenario.model_validate(data)
    return ObservedRun(manifest.model_copy(update={"scenario": scenario}), (*trials, *more))


def test_the_section_answers_with_figures_and_tables(run: ObservedRun) -> None:
    """The best encoding in its best service beside the original; streams are whole; strokes and
    curve are drawn; what was measured is no longer called untested."""
    context = run_context(RunView(run.manifest, run.trials))
    section = next(one for one in context.sections if one.anchor == "hand")
    assert len(section.tables) == 4
    assert [p.file_stem for p in section.pictures] == ["strokes", "streams", "editors"]
    first, *others = (section.headline, *section.sentences)
    assert "VC-3 SQ" in first
    assert any("5 streams [4, 6]" in text for text in others)
    assert any("5 editors [4, 6]" in text and "80 %" in text for text in others)
    untested = " ".join(context.answer.not_tested)
    assert "several streams" not in untested
    assert "several editors" not in untested
    assert "sound" in untested


def test_shares_keep_within_their_ends(run: ObservedRun) -> None:
    """Two rounds of six with every picture in time and four with nearly none: the mean, between
    limits that are shares."""
    paces = (10, 10, 60, 60, 60, 60)
    cell = next(trial.cell for trial in run.trials if trial.cell.task == "play")
    trials = [t for t in run.trials if t.cell == cell]
    made = [
        trial.model_copy(update={"measurement": _play(pace)})
        for trial, pace in zip(trials, paces, strict=True)
    ]
    each = [view_play(_play(pace))["on_time_fraction"] for pace in paces]
    found = summarise_cells(made)[0].estimates["on_time_fraction"]
    assert found.point == pytest.approx(sum(each) / 6)
    assert 0 < found.low < found.point < found.high < 1


def test_needs_are_judged_in_the_best_service(run: ObservedRun) -> None:
    """Age and streams are needs; a queue, whose pictures are many and old, is nobody's best; no
    stream at all is a number that misses."""
    needs = ["drag.age_p95_ms <= 100", "streams.count >= 3", "play.on_time_fraction >= 0.99"]
    needs.append("editors.count >= 3")
    wishes = ["more drag.pictures_per_s"]
    settings = ChooseSettings.model_validate({"needs": needs, "wishes": wishes})
    choice = choose_encoding([run], settings)
    outcomes = {name: [result.outcome for result in choice.find(name).needs] for name in PACE_MS}
    assert outcomes[ORIGINAL] == ["misses"] * 4
    assert outcomes["VC-3 SQ"] == ["meets"] * 4
    assert choice.leader == "VC-3 SQ"
    shown = choice.find(ORIGINAL).estimate(settings.goals[0].figure)
    in_queue, latest = (
        view_drag(_drag(pace_ms, service))["pictures_per_s"]
        for pace_ms, service in ((0.6 * 260, "queue"), (260, "latest"))
    )
    assert in_queue > 1.5 * latest
    assert shown.point == pytest.approx(latest, rel=0.1)


def _capped(run: ObservedRun, most: int) -> ObservedRun:
    """The same run, in which no more streams were tried."""
    scenario = run.manifest.scenario
    table = {"streams": StreamsSettings(most=most).model_dump()}
    scenario = Scenario.model_validate(scenario.model_dump() | table)
    trials = [
        trial.model_copy(
            update={
                "measurement": trial.measurement.model_copy(
                    update={"levels": trial.measurement.levels[:most]}
                )
            }
        )
        if trial.cell.task == "streams"
        else trial
        for trial in run.trials
    ]
    manifest = run.manifest.model_copy(update={"scenario": scenario})
    return ObservedRun(manifest, tuple(trials))


def test_a_number_that_was_capped_is_told_as_at_least(run: ObservedRun) -> None:
    """Of no more than three streams all that were tried played: the table, the export of cells and
    that of trials say so; 0 of the original's are all it plays."""
    capped = _capped(run, 3)
    view = RunView(capped.manifest, capped.trials)
    shown = {row[0].text: str(row) for row in cells_table(view, "streams").rows}
    assert "at least 3 streams" in shown["VC-3 SQ"]
    assert "at least" not in shown[ORIGINAL]
    cells = cells_frame([capped])
    counts = cells[(cells["task"] == "streams") & (cells["figure"] == "count")]
    assert dict(zip(counts["encoding"], counts["capped_at"].fillna(0), strict=True)) == {
        ORIGINAL: 0,
        "VC-3 SQ": 3,
        "RDD 36 standard": 3,
    }
    trials = trials_frame([capped])
    assert trials[trials["encoding"] == "VC-3 SQ"]["capped_at"].dropna().tolist() == [3] * 6


@pytest.mark.parametrize(("need", "outcome"), [(">= 3", "meets"), (">= 4", "not shown")])
def test_at_least_three_meets_three_and_leaves_four_open(
    run: ObservedRun, need: str, outcome: str
) -> None:
    """What was not tried is not missed, and is told as such; who plays none misses either."""
    settings = ChooseSettings.model_validate({"needs": [f"streams.count {need}"]})
    choice = choose_encoding([_capped(run, 3)], settings)
    (found,), (original,) = (choice.find(n).needs for n in ("VC-3 SQ", ORIGINAL))
    assert (found.outcome, original.outcome) == (outcome, "misses")
    assert outcome == "meets" or (found.lack.kind, found.lack.have) == ("capped", 3)


def test_more_than_was_tried_everywhere_is_no_better(run: ObservedRun) -> None:
    """Three of three tried in one run and five of seven in another: the next wish decides."""
    settings = ChooseSettings.model_validate(
        {"wishes": ["more streams.count", "less encode.peak_rss_bytes"]}
    )
    parts = [
        ObservedRun(
            one.manifest,
            tuple(t for t in one.trials if t.cell.task != "streams" or t.cell.encoding == name),
        )
        for name, one in (("VC-3 SQ", run), ("RDD 36 standard", _capped(run, 3)))
    ]
    choice = choose_encoding(parts, settings)
    assert choice.decided_by.figure.name == "encode.peak_rss_bytes"


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
    assert {"drag", "play", "streams", "editors"} <= {c.cell.task for c in same.cells}
    found = compare_runs([run], [ObservedRun(run.manifest, tuple(slow))], tolerance_fraction=0.05)
    verdicts = {
        (c.cell.encoding, c.cell.setting["service"]): c
        for c in found.cells
        if c.cell.task == "drag"
    }
    assert verdicts[ORIGINAL, "latest"].cost_ratio.point > 1.5


def test_files_as_they_lie_lead_over_a_link(run: ObservedRun) -> None:
    """Drags over a link, though their pictures are made twice as fast, are not what is judged."""
    linked = []
    for trial in (t for t in run.trials if t.cell.task == "drag"):
        setting = trial.cell.setting.but(link=LINK)
        measured = _drag(PACE_MS[trial.cell.encoding] / 2, "latest")
        changes = {"cell": trial.cell.but(setting=setting), "measurement": measured}
        linked.append(trial.model_copy(update=changes))
    local, both = (RunView(run.manifest, (*run.trials, *more)) for more in ((), linked))
    assert both.at_best["drag"] == local.at_best["drag"]
    of_links = RunView(run.manifest, tuple(linked)).at_best["drag"]
    assert {cell.setting["link"] for cell, _ in of_links.values()} == {LINK}


def test_exported_trials_tell_service_and_carrier(run: ObservedRun) -> None:
    """Each has its columns, with its figures beside them."""
    frame = trials_frame([run])
    drags = frame[frame["task"] == "drag"]
    assert set(drags["service"]) == {"latest", "queue"}
    assert drags["age_p95_ms"].notna().all()
    assert set(frame[frame["task"] == "streams"]["carrier"]) == {"threads"}
    editors = frame[frame["task"] == "editors"]
    assert set(editors["link"]) == {LINK}
    assert editors["wait_fraction"].tolist() == [0.8] * len(editors)
