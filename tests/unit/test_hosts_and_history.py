"""Several hosts beside each other, and one host over time, on runs whose truth is given."""

import math
import re

import numpy as np
import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.two_sides import ENCODE, ENCODE_WIDE, QUIET, SCRUB, Run, build_run
from mezzmark.decide.compare.history import trace_history
from mezzmark.decide.compare.host_comparison import HardwareComparison
from mezzmark.decide.compare.host_sides import choose_sides, parse_price
from mezzmark.decide.compare.hosts import compare_hosts
from mezzmark.model.errors import ScenarioError
from mezzmark.report.prose.best_host import price_sentences, unused_price_sentence
from mezzmark.report.prose.hosts import finding_sentences, hardware_headline


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
    assert hardware_headline(found).startswith("new shows a picture 2.00")
    assert hardware_headline(found).endswith("times as fast as old")


def test_a_slower_host_keeps_the_direction_of_its_ratio() -> None:
    """Twice the time: the headline says slower and 0.5, as figure and table do, and begins with a
    capital letter."""
    fast = run_on("old", {SCRUB: QUIET})
    slow = run_on("new", {SCRUB: QUIET[::-1] + math.log(2)}, number=1)
    found = compared(fast, slow)
    headline = hardware_headline(found)
    assert headline.startswith("new is slower than old in time to picture: 0.50")
    ratio = found.others[0].tasks[0].speedup_ratio
    assert ratio.point == pytest.approx(0.5, rel=0.01)


def test_the_same_machine_twice_is_the_same() -> None:
    """Equal costs within 0.5 %: "the same" within the 5 % that do not matter."""
    first = run_on("a", {SCRUB: QUIET})
    second = run_on("b", {SCRUB: QUIET[::-1]}, number=1)
    assert compared(first, second).others[0].cells[0].standing == "the same"


def test_a_cell_that_cannot_be_told_is_counted_so() -> None:
    """One cell twice as fast, one whose rounds differ by half: counted in plain words."""
    wild = QUIET * 100
    slow = run_on("old", {SCRUB: QUIET, ENCODE: wild})
    fast = run_on("new", {SCRUB: QUIET[::-1] - math.log(2), ENCODE: wild[::-1]}, number=1)
    told = [text for text in finding_sentences(compared(slow, fast)) if "cell by cell" in text]
    assert told == ["new, cell by cell: 1 faster, 1 where it cannot be told."]


def test_cells_of_one_side_only_are_refused_with_the_reason() -> None:
    """A thread count that the other run lacks is not compared, and the page says which and why."""
    first = run_on("a", {ENCODE: QUIET, ENCODE_WIDE: QUIET})
    second = run_on("b", {ENCODE: QUIET}, number=1)
    comparison = compared(first, second).others[0]
    assert [cell.cell for cell in comparison.cells] == [ENCODE]
    assert comparison.refused_count == 1
    assert comparison.refusals[0].reason == "encoding with 4 threads was not measured on b"


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


def few_and_many(prices: tuple[str, ...] = ()) -> HardwareComparison:
    """One core, best with one thread, against four, half as fast a core and best with four."""
    few = run_on("few", {ENCODE: QUIET, ENCODE_WIDE: QUIET + math.log(1.5)}, usable_core_count=1)
    many = run_on(
        "many",
        {ENCODE: QUIET + math.log(2), ENCODE_WIDE: QUIET - math.log(2)},
        number=1,
        usable_core_count=4,
    )
    return compared(few, many, prices=prices)


def test_the_answer_tells_each_host_at_its_best_first() -> None:
    """Four cores at their best do twice as much; over equal settings (half as fast with one thread,
    three times with four) it is 1.22 times, the root of 1.5: both in the headline."""
    assert hardware_headline(few_and_many()).startswith(
        "many encodes 2.000 times as much as few when each uses all its cores; core for core it is "
        "faster: 1.22"
    )


def test_a_core_count_matters_to_the_best_settings_only() -> None:
    """Equal settings of one thread need no more cores than both have; the best ones use four."""
    few = run_on("few", {ENCODE: QUIET}, usable_core_count=2)
    many = run_on("many", {ENCODE: QUIET, ENCODE_WIDE: QUIET - 1}, number=1, usable_core_count=4)
    found = compared(few, many)
    [cores] = [d for d in found.others[0].differences if d.name == "usable cores"]
    [bearing] = cores.bearings
    assert bearing.weight == "matters"
    assert bearing.reason.startswith("not with equal settings")
    assert "up to 4 threads work at once and one machine has 2 cores" in bearing.reason


@pytest.mark.parametrize(
    ("price", "told"),
    [
        ("many=1000 EUR", "many is the better buy for encoding"),
        ("many=9000 EUR", "few is the better buy for encoding"),
        ("many=2000 EUR", "Which of many and few is the better buy for encoding cannot be told"),
    ],
)
def test_the_better_buy_is_a_sentence(price: str, told: str) -> None:
    """Twice the work for the same money, nine times the money, and twice the money: more, less,
    and as much for it, with the ratio of costs and its interval."""
    [text] = price_sentences(few_and_many(("few=1000 EUR", price)))
    assert text.startswith(told)
    factor = float(price.removeprefix("many=").removesuffix(" EUR")) / 2000
    point, low, high = re.search(r"([0-9.]+) \[([0-9.]+), ([0-9.]+)\]", text).groups()
    assert float(point) == pytest.approx(factor, rel=0.01)
    assert float(low) <= factor <= float(high)


def test_prices_that_lead_to_nothing_are_told() -> None:
    """Scrubbing alone has no price a unit; one price of two asks for the other; none is silent."""
    runs = (run_on("a", {SCRUB: QUIET}), run_on("b", {SCRUB: QUIET}, number=1))
    useless = compared(*runs, prices=("a=5 EUR", "b=6 EUR"))
    assert unused_price_sentence(useless).startswith("The prices have no use here")
    assert "give a price for few too" in unused_price_sentence(few_and_many(("many=5 EUR",)))
    assert unused_price_sentence(compared(*runs)) == ""
    with pytest.raises(ScenarioError, match="no use here: prices compare machines"):
        choose_sides([runs[0]], ["x"], ["a=5 EUR"])


def test_a_price_takes_a_folder_and_hosts_of_one_label_are_told_apart() -> None:
    """Two machines of one label: each goes by its folder, and its price does too."""
    runs = (
        run_on("desk", {ENCODE: QUIET}, cpu_model="one"),
        run_on("desk", {ENCODE: QUIET}, number=1, cpu_model="two"),
    )
    sides = choose_sides(runs, ["first", "second"], ["first=5 EUR", "desk (second)=6 EUR"])
    assert [label.label for label in sides.labels] == ["desk (first)", "desk (second)"]
    assert [label.price.amount for label in sides.labels if label.price] == [5, 6]


def test_two_runs_of_one_machine_are_two_dates_not_two_hosts() -> None:
    """Two runs of a desk and one of a server: the later desk stands for it, the pair is its own;
    two of a desk alone are no comparison of hosts."""
    late = run_on("desk", {SCRUB: QUIET}, number=2)
    early = run_on("desk", {SCRUB: QUIET}, number=1)
    server = run_on("server", {SCRUB: QUIET})
    sides = choose_sides([late, early, server], ["late", "early", "server"])
    assert sides.compared == (0, 2)
    assert sides.pairs == ((1, 0),)
    assert sides.histories == ()
    alone = choose_sides([late, early], ["late", "early"])
    assert (alone.compared, alone.pairs) == ((), ((1, 0),))


@pytest.mark.parametrize("text", ["2400", "=5", "a=", "a=-3", "a=zero", "a=0"])
def test_a_price_that_cannot_be_read_is_told(text: str) -> None:
    """Without a label, an amount, or an amount above 0 there is no price."""
    with pytest.raises(ScenarioError, match="HOST=AMOUNT"):
        parse_price(text)


def test_a_price_of_an_unknown_host_and_two_currencies_are_told() -> None:
    """Both name what is wrong, the first the hosts there are."""
    runs = (run_on("a", {SCRUB: QUIET}), run_on("b", {SCRUB: QUIET}, number=1))
    with pytest.raises(ScenarioError, match=r'"a" \(folder x\) and "b" \(folder y\)'):
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
