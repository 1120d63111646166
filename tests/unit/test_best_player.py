"""The best player: named by pilot trials that enter no figure, played alike when resumed."""

from mezzmark.decide.estimate.best_player import (
    BestPlayer,
    best_players,
    player_costs,
    still_racing,
)
from mezzmark.decide.estimate.observed_run import observe, truncated_round
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.ranking import scrub_settings
from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.records import Trial
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.model.tasks.spec import MediaReference, PreparedFootage
from mezzmark.report.prose.latency import best_player_sentences
from mezzmark.report.prose.terms import player_words
from mezzmark.runner.plan import PILOT_PASSES, plan_cells, plan_round
from mezzmark.runner.rounds import Rounds
from unit.test_request_design import scenario, trial

PLAYERS = ("slice", "frame", "frame-2")
SCRUB = ScrubSettings(
    patterns=("jump", "near"), players=("best", "slice"), pilot_players=PLAYERS, threads=(4,)
)
PLAN = scenario(scrub=SCRUB, encodings=("original",))
CELLS = plan_cells(PLAN, media=[("a", "original")], core_count=4)


def cost_ms(planned: PlannedTrial) -> float:
    """Of jumps `frame` is the fastest; over both patterns `slice` is, and `frame-2` far behind."""
    pattern = planned.cell.setting["pattern"]
    return {"slice": 20.0, "frame": 18.0 if pattern == "jump" else 30.0}.get(planned.player, 60.0)


def played(planned: PlannedTrial, **changes: object) -> Trial:
    made = trial(0, cost_ms(planned), cell=planned.cell, arm=planned.arm)
    place = {name: getattr(planned, name) for name in ("round_index", "position", "player", "seed")}
    return made.model_copy(update=place | changes)


def measure(progress: Rounds, until: int | None = None) -> list[Trial]:
    """What a session of round 0 leaves, stopped after so many trials."""
    for planned in progress.left(0)[:until]:
        if planned.cell.task == "scrub" and not progress.is_left_out(planned):
            progress.note(played(progress.with_player(planned)))
    return progress.trials


def begun(trials: tuple[Trial, ...] = ()) -> Rounds:
    return Rounds(PLAN, CELLS, trials, clock_ns=lambda: 0)


def test_axes_vary_one_at_a_time_unless_crossed() -> None:
    """Jumps of the best player; then `near`, and `slice`, each alone: 3 cells, 4 crossed. Only the
    best player's have pilots, three passes of three players, before the first round."""
    cells = [p.cell.setting for p in CELLS if not p.arm]
    assert [(s["pattern"], s["player"]) for s in cells] == [
        *(("jump", "best"), ("jump", "slice"), ("near", "best"))
    ]
    crossed = SCRUB.model_copy(update={"crossed": True})
    planned = plan_cells(scenario(scrub=crossed), media=[("a", "original")], core_count=4)
    assert sum(not p.arm for p in planned) == 4
    arms = [t.arm for t in plan_round(CELLS, 0, 1)]
    assert arms.count("pilot") == PILOT_PASSES * len(PLAYERS) * 2 == arms.index("")
    assert {t.arm for t in plan_round(CELLS, 1, 1)} == {""}
    passes = [t.seed for t in plan_round(CELLS, 0, 1) if t.cell.setting["pattern"] == "jump"]
    assert [len(set(passes[k : k + 3])) for k in (0, 3, 6)] == [1, 1, 1]
    assert len(set(passes)) == 4


def test_the_best_over_all_patterns_is_named_and_who_falls_behind_stops() -> None:
    """20 and 20 ms beat 18 and 30 (geometric mean 23.2); `frame-2` at 60 plays one pass of three.
    Whoever is named plays every later trial of the cell and no other."""
    progress = begun()
    trials = measure(progress)
    pilots = [t for t in trials if t.arm == "pilot"]
    counts = {name: sum(t.player == name for t in pilots) for name in PLAYERS}
    assert counts == {"slice": 6, "frame": 6, "frame-2": 2}
    (best,) = best_players(trials)
    assert (best.name, best.near, list(best.costs_ms)) == (
        "slice",
        (),
        ["slice", "frame", "frame-2"],
    )
    assert {t.player for t in trials if t.cell.setting["player"] == "best" and not t.arm} == {
        "slice"
    }
    later = [progress.with_player(t) for t in progress.left(1)]
    assert {(t.cell.setting["player"], t.player) for t in later if t.cell.task == "scrub"} == {
        *(("best", "slice"), ("slice", ""))
    }
    assert still_racing({"slice": 1.0, "frame": 1.6}) == ()


def test_pilot_trials_enter_no_figure() -> None:
    """Figures, summaries, settings and the blocks to come are those of the main arm alone, and a
    first round that holds pilots is no reason to call the second one cut off."""
    trials = measure(begun())
    assert all(o.trial and not o.trial.arm for o in observe(trials))
    assert sum(s.trial_count for s in summarise_cells(trials) if s.cell.task == "scrub") == 3
    assert scrub_settings(observe(trials))[0]["player"] == "best"
    progress = begun(tuple(trials))
    second = [played(progress.with_player(t)) for t in progress.left(1)]

    class Run:
        manifest = type("M", (), {"stop_reason": ""})
        trials = (*begun(tuple(measure(begun()))).trials, *second)

    assert truncated_round(Run()) is None


def test_a_resumed_run_names_the_same_player() -> None:
    """Stopped after each number of trials and gone on with: the same trials as in one go, and a
    name that is on disk stays although pilots would now say otherwise."""
    whole = [(t.position, t.player) for t in measure(begun())]
    for until in range(1, len(whole)):
        first = tuple(measure(begun(), until))
        assert [(t.position, t.player) for t in measure(begun(first))] == whole
    kept = tuple(
        t.model_copy(update={"player": "frame"}) if t.player and not t.arm else t
        for t in measure(begun())
    )
    assert {begun(kept).with_player(t).player for t in begun(kept).left(1)} == {"", "frame"}


def test_who_shows_a_wrong_picture_or_cannot_play_is_not_named() -> None:
    """`slice` shows one wrong picture in one pilot trial; `frame` never finishes; where nobody can,
    the first is taken, and its trial says why."""
    pilots = [t for t in plan_round(CELLS, 0, 1) if t.arm == "pilot"]
    trials = [played(t) for t in pilots if t.player != "frame"]
    bad = next(k for k, t in enumerate(trials) if t.player == "slice")
    proof = ("wrong", *trials[bad].measurement.proof[1:])
    wrong = trials[bad].measurement.model_copy(update={"proof": proof})
    trials[bad] = trials[bad].model_copy(update={"measurement": wrong})
    (costs,) = player_costs(trials).values()
    assert list(costs) == ["frame-2"]
    failed = [played(t, outcome="failed", measurement=None) for t in pilots]
    main = next(
        t for t in plan_round(CELLS, 0, 1) if t.cell.setting["player"] == "best" and not t.arm
    )
    assert begun(tuple(failed)).with_player(main).player == "slice"


def test_a_pilot_plays_few_moves_by_its_own_player() -> None:
    """Eight moves of its player with its own threads; a named player plays all."""
    footage = PreparedFootage(
        clips=["a"],
        frame_counts={"a": 144},
        media={("a", "original"): MediaReference(media_path="", index_path="")},
        encodings=(),
    )
    cell = Cell(task="scrub", clip="a", encoding="original", setting=CELLS[0].cell.setting)
    assert cell.setting == Setting(
        pattern="jump", policy="roll", threads=4, player="best", viewer_height=540
    )
    for arm, moves in (("pilot", 8), ("", 24)):
        planned = PlannedTrial(
            round_index=0, position=0, cell=cell, arm=arm, player="frame-2", seed=3
        )
        job = TASKS["scrub"].job(planned, SCRUB, footage)
        assert (len(job.requests), job.player.name, job.thread_count) == (moves, "frame-2", 2)


def test_the_best_player_is_told() -> None:
    """One sentence over encodings; where clips differ each is named; a second within 5 % is."""
    setting = Setting(threads=4, player="best")

    def best(clip: str, encoding: str, name: str, **costs_ms: float) -> BestPlayer:
        cell = Cell(task="scrub", clip=clip, encoding=encoding, setting=setting)
        return BestPlayer(cell=cell, name=name, costs_ms=costs_ms)

    found = [
        best("a", "original", "frame", frame=20, slice=20.9),
        best("b", "original", "slice", slice=20, frame=30),
        *(best(clip, "vc3-sq", "slice", slice=5, frame=9) for clip in "ab"),
    ]
    assert best_player_sentences(found) == [
        "Best player, by pilot trials: frame threads for original (a, 4 threads); slice threads "
        "for original (b, 4 threads) and vc3-sq. Within 5 % of it: slice threads for original "
        "(a, 4 threads)."
    ]
    assert player_words("cuda-skipping") == "cuda, slice threads (unreferenced pictures skipped)"
