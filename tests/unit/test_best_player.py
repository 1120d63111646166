"""The best player: named by pilot trials that enter no figure, the same in a resumed run."""

from types import SimpleNamespace

import pytest

from mezzmark.decide.estimate.best_player import BestPlayer, best_players, player_costs
from mezzmark.decide.estimate.observed_run import observe, truncated_round
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.ranking import scrub_settings
from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.records import Trial
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.model.tasks.spec import MediaReference, PreparedFootage
from mezzmark.report.prose.latency import best_player_sentences
from mezzmark.runner.plan import plan_cells, plan_round
from mezzmark.runner.rounds import Rounds
from unit.test_request_design import scenario, trial

PLAYERS = ("slice", "frame", "frame-2")
SCRUB = ScrubSettings(
    patterns=("jump", "near"), players=("best", "slice"), pilot_players=PLAYERS, threads=(4,)
)
PLAN = scenario(scrub=SCRUB, encodings=("original",))
CELLS = plan_cells(PLAN, media=[("a", "original")], core_count=4)
ROUND = [planned for planned in plan_round(CELLS, 0, PLAN.seed) if planned.cell.task == "scrub"]
PILOTS = [planned for planned in ROUND if planned.arm == "pilot"]


def played(planned: PlannedTrial, **changes: object) -> Trial:
    """Of jumps `frame` is fastest; over both patterns `slice` is, and `frame-2` far behind."""
    is_jump = planned.cell.setting["pattern"] == "jump"
    ms = {"slice": 20.0, "frame": 18.0 if is_jump else 30.0}.get(planned.player, 60.0)
    made = trial(0, ms, cell=planned.cell, arm=planned.arm)
    place = {name: getattr(planned, name) for name in ("round_index", "position", "player", "seed")}
    return made.model_copy(update=place | changes)


def begun(trials: list[Trial] | None = None) -> Rounds:
    return Rounds(PLAN, CELLS, trials or [], clock_ns=lambda: 0)


def measure(progress: Rounds, until: int | None = None) -> list[Trial]:
    """What a session of round 0 leaves, stopped after so many trials."""
    for planned in progress.left(0)[:until]:
        if planned.cell.task == "scrub" and not progress.is_left_out(planned):
            progress.note(played(progress.with_player(planned)))
    return progress.trials


def test_axes_vary_one_at_a_time_unless_crossed() -> None:
    """Jumps of the best player; `near`, and `slice`, each alone: 3 cells, 4 crossed. The best has 3
    passes of 3 players and 2 patterns, before round 0 only, each pass with requests of its own."""
    assert [(c.cell.setting["pattern"], c.cell.setting["player"]) for c in CELLS if not c.arm] == [
        *(("jump", "best"), ("jump", "slice"), ("near", "best"))
    ]
    plan = scenario(scrub=SCRUB.model_copy(update={"crossed": True}))
    crossed = plan_cells(plan, media=[("a", "original")], core_count=4)
    assert sum(not p.arm for p in crossed) == 4
    assert [t.arm for t in ROUND] == ["pilot"] * 18 + [""] * 3
    assert {t.arm for t in plan_round(CELLS, 1, PLAN.seed)} == {""}
    assert [len({t.seed for t in PILOTS[k : k + 6]}) for k in (0, 6, 12)] == [2, 2, 2]
    assert len({t.seed for t in PILOTS}) == 6


def test_the_best_over_all_patterns_is_named_and_who_falls_behind_stops() -> None:
    """20 and 20 ms beat 18 and 30 (geometric mean 23.2); `frame-2` at 60 plays one pass of three.
    Who is named plays the cell in every round. No figure, summary or count has a pilot trial."""
    progress = begun()
    trials = measure(progress)
    counts = [sum(t.player == name for t in trials if t.arm) for name in PLAYERS]
    assert counts == [6, 6, 2]
    (best,) = best_players(trials)
    assert (best.name, best.near, tuple(best.costs_ms)) == ("slice", (), PLAYERS)
    later = [progress.with_player(t) for t in progress.left(1) if t.cell.task == "scrub"]
    for done in (later, [t for t in trials if not t.arm]):
        by_player = {(t.cell.setting["player"], t.player) for t in done}
        assert by_player == {("best", "slice"), ("slice", "")}
    assert not any(o.trial and o.trial.arm for o in observe(trials))
    assert sum(s.trial_count for s in summarise_cells(trials)) == 3
    assert scrub_settings(observe(trials))[0]["player"] == "best"
    both = (*trials, *map(played, later))
    run = SimpleNamespace(manifest=SimpleNamespace(stop_reason=""), trials=both)
    assert truncated_round(run) is None


def test_a_resumed_run_names_the_same_player() -> None:
    """Stopped after each number of trials and gone on with: the same trials as in one go; and a
    name that is on disk stays though pilots would now say otherwise."""
    whole = [(t.position, t.player) for t in measure(begun())]
    for until in range(1, len(whole)):
        first = list(measure(begun(), until))
        assert [(t.position, t.player) for t in measure(begun(first))] == whole
    kept = begun([t.model_copy(update={"player": "frame"}) for t in measure(begun()) if not t.arm])
    assert {kept.with_player(t).player for t in kept.left(0) + kept.left(1)} == {"", "frame"}


def test_who_shows_a_wrong_picture_or_cannot_play_is_not_named() -> None:
    """`slice` shows one wrong picture in one trial, `frame` lacks a pattern; where nobody can,
    the first is taken, whose trial says why. A pilot plays 8 moves with its own threads."""
    trials = [played(t) for t in PILOTS if t.player != "frame" or "jump" in t.cell.cell_id]
    bad = next(t for t in trials if t.player == "slice").measurement
    object.__setattr__(bad, "proof", ("wrong", *bad.proof[1:]))
    assert [list(costs) for costs in player_costs(trials).values()] == [["frame-2"]]
    failed = begun([played(t, outcome="failed", measurement=None) for t in PILOTS])
    main = next(t for t in ROUND[18:] if t.cell.setting["player"] == "best")
    assert failed.with_player(main).player == "slice"
    media = {("a", "original"): MediaReference(media_path="", index_path="")}
    footage = PreparedFootage(clips=["a"], frame_counts={"a": 144}, media=media, encodings=())
    for arm, moves in (("pilot", 8), ("", 24)):
        planned = main.model_copy(update={"arm": arm, "player": "frame-2"})
        job = TASKS["scrub"].job(planned, SCRUB, footage)
        assert (len(job.requests), job.player.name, job.thread_count) == (moves, "frame-2", 2)


def test_the_best_player_is_told() -> None:
    """One sentence over encodings; where clips differ each is named; a second within 5 % is."""
    cell = Cell(task="scrub", clip="a", encoding="x", setting=Setting(threads=4, player="best"))
    rows = [("a", "x", "frame", 20.9), ("b", "x", "cuda-skipping", 30), ("b", "y", "frame", 30)]
    found = [
        BestPlayer(cell=cell.but(clip=c, encoding=e), name=n, costs_ms={n: 20, "slice": ms})
        for c, e, n, ms in rows
    ]
    assert best_player_sentences(found) == [
        "Best player, by pilot trials: frame threads for x (a, 4 threads) and y; cuda, slice "
        "threads (unreferenced pictures skipped) for x (b, 4 threads). Within 5 % of it: slice "
        "threads for x (a, 4 threads)."
    ]


@pytest.mark.parametrize("quick", ["slice", "frame"])
def test_of_named_players_the_one_with_the_fastest_encoding_leads(quick: str) -> None:
    """Whose names come in which order says nothing: one encoding at 9 ms leads, not 40 and 12."""
    slow = {"slice": "frame", "frame": "slice"}[quick]
    costs_ms = {(quick, "a"): 40.0, (quick, "b"): 9.0, (slow, "a"): 12.0, (slow, "b"): 14.0}
    observations = [
        SimpleNamespace(cell=scrub_cell(encoding, player), figures={"p50_ms": cost_ms})
        for (player, encoding), cost_ms in costs_ms.items()
    ]
    assert scrub_settings(observations)[0]["player"] == quick


def scrub_cell(encoding: str, player: str) -> Cell:
    """A jump of one clip."""
    setting = Setting(pattern="jump", policy="roll", threads=2, player=player, viewer_height=540)
    return Cell(task="scrub", clip="a", encoding=encoding, setting=setting)
