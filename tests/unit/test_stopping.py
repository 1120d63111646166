"""When rounds end, and what is expected of them."""

from collections.abc import Sequence
from unittest.mock import patch

import pytest

from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.kernel import KernelMeasurement
from mezzmark.runner.plan import PlannedCell
from mezzmark.runner.rounds import GIVE_UP_AFTER, Rounds, stop_at_precision

KERNEL = Cell(task="kernel", clip="no clip", encoding="reference kernel")
S_NS = 1_000_000_000


def scenario(**changes: object) -> Scenario:
    settings: dict[str, object] = {
        "name": "stops",
        "seed": 1,
        "rounds": 10,
        "minimum_rounds": 3,
        "clips": (ClipSpec(name="a", recipe=Recipe()),),
        "encode": EncodeSettings(),
    }
    return Scenario.model_validate(settings | changes)


def trial(cell: Cell, *, index: int = 0, wall_s: float = 1, outcome: str = "finished", ns: int = 5):
    return Trial(
        round_index=index,
        position=0,
        cell=cell,
        seed=0,
        started_utc="",
        wall_ns=int(wall_s * S_NS),
        outcome=outcome,
        measurement=KernelMeasurement(wall_ns=(ns,)) if outcome == "finished" else None,
    )


def rounds(plan: Scenario, trials: Sequence[Trial] = (), **changes) -> Rounds:
    cell = Cell(task="encode", clip="a", encoding="x")
    return Rounds(plan, [PlannedCell(cell)], trials, clock_ns=lambda: 0, **changes)


def reason(plan: Scenario, round_count: int, **changes) -> str:
    settings = {"elapsed_s": 0.0, "next_round_s": 1.0, "stop_when": lambda trials: ""} | changes
    found = rounds(plan, stop_when=settings["stop_when"])
    next_round_s = settings["next_round_s"]
    with patch.multiple(
        Rounds, elapsed_s=settings["elapsed_s"], expected_s=lambda *_: next_round_s
    ):
        return found.stop_reason(round_count)


def test_rounds_go_on_until_they_are_all_done() -> None:
    """Without precision or budget every round is measured and no more."""
    assert [reason(scenario(), count) for count in range(10)] == [""] * 10
    assert reason(scenario(), 10) == "all 10 rounds are done"


def test_precision_is_looked_at_after_whole_pairs_and_the_minimum_only() -> None:
    """An odd number of rounds is not balanced, and fewer than the minimum are not looked at."""
    looks = [count for count in range(10) if reason(scenario(), count, stop_when=lambda _: "yes")]
    assert looks == [4, 6, 8]


def test_the_reason_of_a_rule_is_kept_in_its_own_words() -> None:
    """What an injected rule says stands in the reason."""
    text = reason(scenario(), 4, stop_when=lambda _: "narrow enough")
    assert text == "narrow enough (after 4 rounds)"


@pytest.mark.parametrize(
    ("elapsed_s", "next_round_s", "stops"),
    [(80, 19.0, False), (80, 21.0, True), (101, 0.0, True), (99, 0.0, False)],
)
def test_no_round_begins_that_would_not_end_in_the_budget(
    elapsed_s: float, next_round_s: float, stops: bool
) -> None:
    """Of 100 s, 80 spent leave room for a round of 19 s and none for one of 21 s."""
    plan = scenario(time_budget_s=100)
    text = reason(plan, 3, elapsed_s=elapsed_s, next_round_s=next_round_s)
    assert bool(text) is stops
    assert ("time budget of 100 s" in text) is stops


def test_the_minimum_of_rounds_outlasts_the_budget() -> None:
    """Fewer rounds than the minimum carry no interval, so the budget cannot cut them off."""
    assert reason(scenario(time_budget_s=1), 2, elapsed_s=500) == ""


def test_the_usual_rule_wants_narrow_intervals_at_two_looks() -> None:
    """Equal kernel times have no width, and are believed after 12 rounds, not after 8; times of
    5 and 6 µs in turn stay ±10 % wide."""
    steady = [trial(KERNEL, index=k, ns=5_000) for k in range(12)]
    spread = [trial(KERNEL, index=k, ns=5_000 + 1_000 * (k % 2)) for k in range(12)]
    late = spread[:8] + [trial(KERNEL, index=k, ns=5_500) for k in range(8, 12)]
    rule = stop_at_precision(scenario(precision_fraction=0.02, minimum_rounds=2))
    assert rule(steady) == "precision reached: every interval is within ±0.02 of its value"
    assert [rule(steady[:count]) for count in range(12)] == [""] * 12
    assert rule(spread) == ""
    assert rule(late) == ""


def test_a_cell_that_always_fails_is_given_up_and_one_that_once_finished_is_not() -> None:
    """Three failures and no finish end a cell; one finish keeps it."""
    bad = KERNEL.model_copy(update={"clip": "bad"})
    progress = rounds(scenario())
    for count in range(GIVE_UP_AFTER):
        assert not progress.is_given_up(trial(bad))
        progress.note(trial(bad, index=count, outcome="timed_out"))
        progress.note(trial(KERNEL, index=count, outcome="crashed"))
        if count == 0:
            progress.note(trial(KERNEL))
    assert progress.is_given_up(trial(bad))
    assert not progress.is_given_up(trial(KERNEL))


def test_what_has_no_decoder_is_not_tried_again() -> None:
    """One refusal of cuda ends all cells of that device and encoding, in other clips too; of the
    original, whose codec may differ, in that clip alone; software goes on."""

    def cell(encoding: str, clip: str, player: str) -> Cell:
        setting = Setting(pattern="jump", player=player)
        return Cell(task="scrub", clip=clip, encoding=encoding, setting=setting)

    progress = rounds(scenario())
    for encoding in ("vc3-sq", "original"):
        refused = trial(cell(encoding, "a", "cuda"), outcome="failed")
        progress.note(refused.model_copy(update={"flags": ("no_decoder",)}))
    given_up = {
        (name, clip, player): progress.is_given_up(trial(cell(name, clip, player)))
        for name in ("vc3-sq", "original", "mjpeg")
        for clip in ("a", "b")
        for player in ("cuda-frame", "slice")
    }
    gone = {("vc3-sq", "a"), ("vc3-sq", "b"), ("original", "a")}
    assert {key for key, is_gone in given_up.items() if is_gone} == {
        (*pair, "cuda-frame") for pair in gone
    }


def test_expected_time_is_by_cell_and_by_the_mean_for_unknown_ones() -> None:
    """Cells of 2 s and 4 s: both and an unknown one take 2 + 4 + mean of all trials (10/3 s)."""
    slow, new = (KERNEL.model_copy(update={"clip": name}) for name in ("slow", "new"))
    walls_s = ((KERNEL, 2), (slow, 3), (slow, 5))
    progress = rounds(scenario(), [trial(cell, wall_s=wall_s) for cell, wall_s in walls_s])
    planned = [
        PlannedTrial(round_index=1, position=k, cell=cell, seed=0)
        for k, cell in enumerate((KERNEL, slow, new))
    ]
    assert progress.expected_s(planned) == pytest.approx(2 + 4 + 10 / 3)
    assert rounds(scenario()).expected_s(planned) == 0
    assert progress.elapsed_s == pytest.approx(10)
