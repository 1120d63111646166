"""Several hosts beside each other, and one host over time, on runs whose truth is given."""

import math

import numpy as np
import pytest
from fabricated_run import Fabrication, fabricate_manifest
from two_sides import ENCODE, ENCODE_WIDE, QUIET, SCRUB, Run, build_run

from mezzmark.decide.hardware import compare_hosts
from mezzmark.decide.hardware_sides import choose_sides, parse_price
from mezzmark.decide.hardware_words import hardware_headline
from mezzmark.decide.history import trace_history
from mezzmark.facts.errors import ScenarioError
from mezzmark.facts.hardware import HardwareComparison


def run_on(label: str, costs, *, number: int = 0, **host) -> Run:
    """A run whose host has this label (and other facts), begun on the `number`th hour."""
    manifest = fabricate_manifest(Fabrication())
    facts = manifest.host.model_copy(update={"host_label": label, **host})
    return build_run(
        costs,
        kernel=QUIET,
        run_id=f"{label}-{number}",
        seed=number + 1,
        start_minute=30 * number,
        manifest=manifest.model_copy(update={"host": facts}),
    )


def compared(*runs: Run, prices: tuple[str, ...] = ()) -> HardwareComparison:
    sides = choose_sides(runs, [f"folder {i}" for i in range(len(runs))], prices)
    return compare_hosts([runs[index] for index in sides.compared], sides.labels)


def test_a_host_of_half_the_time_is_twice_as_fast() -> None:
    """Costs at one half in every round: ratio 2, interval holds 2, standing "faster"."""
    slow = run_on("old", {SCRUB: QUIET, ENCODE: QUIET})
    fast = run_on("new", {SCRUB: QUIET[::-1] - math.log(2), ENCODE: QUIET - math.log(2)}, number=1)
    found = compared(slow, fast)
    assert [cell.standing for cell in found.others[0].cells] == ["faster", "faster"]
    for cell in found.others[0].cells:
        assert cell.speedup_ratio is not None
        assert cell.speedup_ratio.low is not None
        assert cell.speedup_ratio.high is not None
        assert cell.speedup_ratio.low <= 2 <= cell.speedup_ratio.high
        assert cell.speedup_ratio.point == pytest.approx(2, rel=0.01)
    assert "new shows a picture 2.00" in hardware_headline(found)
    assert "times sooner than old" in hardware_headline(found)


def test_the_same_machine_twice_is_the_same() -> None:
    """Equal costs within 0.5 %: "the same" within the 5 % that do not matter."""
    first = run_on("a", {SCRUB: QUIET})
    second = run_on("b", {SCRUB: QUIET[::-1]}, number=1)
    assert compared(first, second).others[0].cells[0].standing == "the same"


def test_cells_of_one_side_only_are_refused_with_the_reason() -> None:
    """A thread count that the other run lacks is not compared, and the page says which and why."""
    first = run_on("a", {ENCODE: QUIET, ENCODE_WIDE: QUIET})
    second = run_on("b", {ENCODE: QUIET}, number=1)
    comparison = compared(first, second).others[0]
    assert [cell.cell for cell in comparison.cells] == [ENCODE]
    assert comparison.refused_count == 1
    assert "thread_count 4" in comparison.refusals[0].reason


def test_other_footage_of_the_same_name_is_refused() -> None:
    """A clip of another fingerprint is other footage, whatever it is called."""
    first = run_on("a", {SCRUB: QUIET})
    second = run_on("b", {SCRUB: QUIET}, number=1)
    clips = [clip.model_copy(update={"fingerprint": "0" * 64}) for clip in second.manifest.clips]
    other = second.manifest.model_copy(update={"clips": tuple(clips)})
    found = compared(first, Run(other, second.trials))
    assert not found.is_anything_comparable
    assert "not the same footage" in found.others[0].refusals[0].reason
    assert "cannot be compared" in hardware_headline(found)


def test_a_price_is_spread_over_the_frames_a_second() -> None:
    """Twice the speed for three times the money costs 1.5 times as much a frame a second."""
    slow = run_on("old", {ENCODE: QUIET})
    fast = run_on("new", {ENCODE: QUIET - math.log(2)}, number=1)
    found = compared(slow, fast, prices=("old=1000 EUR", "new=3000 EUR"))
    dear = next(row for row in found.best if row.label == "new")
    assert dear.per_fps is not None
    assert dear.against_reference is not None
    assert dear.per_fps.point == pytest.approx(3000 / dear.throughput.point)
    assert dear.against_reference.point == pytest.approx(1.5, rel=0.01)


def test_the_answer_tells_each_host_at_its_best() -> None:
    """One machine is best with one thread, the other, half as fast a core, with four: the answer
    names both the equal setting and the best ones."""
    few = run_on("few", {ENCODE: QUIET, ENCODE_WIDE: QUIET + math.log(1.5)})
    many = run_on("many", {ENCODE: QUIET + math.log(2), ENCODE_WIDE: QUIET - math.log(2)}, number=1)
    text = hardware_headline(compared(few, many))
    assert (
        "each at its best number of jobs and threads, many does 2.00 times as much as few" in text
    )


@pytest.mark.parametrize("text", ["2400", "=5", "a=", "a=-3", "a=zero", "a=0"])
def test_a_price_that_cannot_be_read_is_told(text: str) -> None:
    """Without a label, an amount, or an amount above 0 there is no price."""
    with pytest.raises(ScenarioError, match="LABEL=AMOUNT"):
        parse_price(text)


def test_a_price_of_an_unknown_host_and_two_currencies_are_told() -> None:
    """Both name what is wrong, the first the hosts there are."""
    runs = (run_on("a", {SCRUB: QUIET}), run_on("b", {SCRUB: QUIET}, number=1))
    with pytest.raises(ScenarioError, match="The hosts are: a and b"):
        choose_sides(runs, ["x", "y"], ["c=5"])
    with pytest.raises(ScenarioError, match="different units"):
        choose_sides(runs, ["x", "y"], ["a=5 EUR", "b=5 USD"])


def test_a_history_finds_the_step_and_what_changed_there() -> None:
    """Eight runs, a tenth slower from the sixth on, when the library changed: one step, between
    the fifth and the sixth, with the library's name beside it."""
    rng = np.random.default_rng(5)
    manifest = fabricate_manifest(Fabrication())
    runs = []
    for number in range(8):
        level = (math.log(1.1) if number >= 5 else 0.0) + rng.normal(0, 0.005)
        versions = {**manifest.host.library_versions, "av": "18.0.0" if number < 5 else "19.0.2"}
        runs.append(
            run_on("desk", {SCRUB: QUIET + level}, number=number, library_versions=versions)
        )
    sides = choose_sides(runs, [str(i) for i in range(8)])
    assert sides.compared == ()
    assert sides.histories == (tuple(range(8)),)
    history = trace_history(runs[::-1])
    [cell] = history.cells
    [step] = cell.steps
    assert (step.before, step.after) == (4, 5)
    assert step.cost_ratio.point == pytest.approx(1.1, rel=0.02)
    assert [(c.before, c.after) for c in step.host_changes if c.name == "av"] == [
        ("18.0.0", "19.0.2")
    ]


def test_a_history_of_a_steady_host_has_no_step() -> None:
    """Eight runs that differ by half a percent by chance: no change."""
    rng = np.random.default_rng(6)
    runs = [
        run_on("desk", {SCRUB: QUIET + rng.normal(0, 0.005)}, number=number) for number in range(8)
    ]
    history = trace_history(runs)
    assert [line.steps for line in (*history.tasks, *history.cells)] == [()] * 3
