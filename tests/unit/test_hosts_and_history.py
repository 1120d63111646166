"""Several hosts beside each other, and one host over time, on runs whose truth is given."""

import math
from dataclasses import replace

import numpy as np
import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.fabricated_throughput import grid_trial
from fixtures.snapshot import assert_matches_snapshot
from fixtures.two_sides import ENCODE, ENCODE_WIDE, QUIET, SCRUB, Run, run_on
from mezzmark.decide.compare.history import History, trace_history
from mezzmark.decide.compare.host_runs import group_by_host, parse_price
from mezzmark.decide.compare.hosts import HardwareComparison, compare_hosts
from mezzmark.decide.compare.verdicts import Reason
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.throughput.grid import judge_grid
from mezzmark.model.errors import ScenarioError
from mezzmark.report.prose.history import runs_text
from mezzmark.report.sections.comparison import build_comparison, build_history
from mezzmark.report.sections.parts import ComparisonSection


def compared(*runs: Run, prices: tuple[str, ...] = ()) -> HardwareComparison:
    hosts = group_by_host(runs, [f"folder {i}" for i in range(len(runs))], prices)
    return compare_hosts([runs[index] for index in hosts.compared], hosts.labels)


def test_a_host_of_half_the_time_is_twice_as_fast() -> None:
    """Costs at one half in every round: ratio 2, interval holds 2, standing "faster"."""
    slow = run_on("old", {SCRUB: QUIET, ENCODE: QUIET})
    fast = run_on("new", {SCRUB: QUIET[::-1] - math.log(2), ENCODE: QUIET - math.log(2)}, number=1)
    found = compared(slow, fast)
    assert [cell.standing for cell in found.others[0].cells] == ["faster", "faster"]
    for cell in found.others[0].cells:
        assert cell.speedup_ratio.low <= 2 <= cell.speedup_ratio.high
        assert cell.speedup_ratio.point == pytest.approx(2, rel=0.01)
    assert [task.standing for task in found.others[0].tasks] == ["faster", "faster"]


def test_a_slower_host_keeps_the_direction_of_its_ratio() -> None:
    """Twice the time is 0.5 times as fast, and slower."""
    fast = run_on("old", {SCRUB: QUIET})
    slow = run_on("new", {SCRUB: QUIET[::-1] + math.log(2)}, number=1)
    (task,) = compared(fast, slow).others[0].tasks
    assert task.standing == "slower"
    assert task.speedup_ratio.point == pytest.approx(0.5, rel=0.01)


def test_the_same_machine_twice_is_the_same() -> None:
    """Equal costs within 0.5 %: "the same" within the 5 % that do not matter."""
    first = run_on("a", {SCRUB: QUIET})
    second = run_on("b", {SCRUB: QUIET[::-1]}, number=1)
    assert compared(first, second).others[0].cells[0].standing == "the same"


def test_cells_of_one_side_only_are_refused_with_the_reason() -> None:
    """A thread count that the other run lacks is not compared, with which and why."""
    first = run_on("a", {ENCODE: QUIET, ENCODE_WIDE: QUIET})
    second = run_on("b", {ENCODE: QUIET}, number=1)
    comparison = compared(first, second).others[0]
    assert [cell.cell for cell in comparison.cells] == [ENCODE]
    (refusal,) = comparison.refusals
    assert refusal.cells == (ENCODE_WIDE,)
    assert refusal.reasons == (
        Reason(kind="setting_missing", task="encode", place="b", axes=("threads",)),
    )


def test_other_footage_of_the_same_name_is_refused() -> None:
    """A clip of another fingerprint is other footage, whatever it is called."""
    first = run_on("a", {SCRUB: QUIET})
    second = run_on("b", {SCRUB: QUIET}, number=1)
    clips = [clip.model_copy(update={"fingerprint": "0" * 64}) for clip in second.manifest.clips]
    other = second.manifest.model_copy(update={"clips": tuple(clips)})
    found = compared(first, Run(other, second.trials))
    assert not found.is_anything_comparable
    (refusal,) = found.others[0].refusals
    assert [reason.kind for reason in refusal.reasons] == ["other_footage"]


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


def test_each_host_at_its_best_and_over_equal_settings() -> None:
    """Four cores at their best do twice as much; over equal settings (half as fast with one thread,
    three times with four) it is 1.22 times, the root of 1.5."""
    found = few_and_many()
    best = {row.label: row for row in found.best}
    assert (best["few"].cell, best["many"].cell) == (ENCODE, ENCODE_WIDE)
    assert best["many"].speedup_ratio.point == pytest.approx(2, rel=0.01)
    assert found.others[0].tasks[0].speedup_ratio.point == pytest.approx(math.sqrt(1.5), rel=0.01)


@pytest.mark.parametrize("price", [1000, 2000, 9000])
def test_the_better_buy_is_a_ratio_of_costs(price: float) -> None:
    """Twice the work for the same money, twice the money and nine times: half, as much and 4.5
    times the cost of a unit."""
    found = few_and_many(("few=1000 EUR", f"many={price} EUR"))
    many = next(row for row in found.best if row.label == "many")
    assert many.per_fps.point == pytest.approx(price / many.throughput.point)
    ratio = many.cost_ratio
    assert ratio.point == pytest.approx(price / 2000, rel=0.01)
    assert ratio.low <= price / 2000 <= ratio.high


@pytest.mark.parametrize(("packets", "tasks"), [((0, 0, 0), set()), ((9, 9, 0), {"grid"})])
def test_who_encoded_nothing_has_no_price_per_frame(
    packets: tuple[int, ...], tasks: set[str]
) -> None:
    """A grid without a packet in its window has no row, and neither figure nor place in a report;
    of three rounds with one such round the others count."""
    runs = []
    for number, made in enumerate([(9, 9, 9), packets]):
        run = run_on("ab"[number], {ENCODE: QUIET}, number=number)
        grids = []
        for index, count in enumerate(made):
            trial = grid_trial("VC-3 SQ", 1, index, 20)
            measured = trial.measurement.model_copy(update={"window_packets": (count,)})
            grids.append(trial.model_copy(update={"position": 900, "measurement": measured}))
        runs.append(replace(run, trials=(*run.trials, *grids)))
    found = compared(*runs, prices=("a=1 EUR", "b=2 EUR"))
    costs = {row.cell.task: row.per_fps for row in found.best if row.label == "b"}
    assert costs.keys() == {"encode"} | tasks
    assert all(0 < cost.point < math.inf for cost in costs.values())
    assert len(judge_grid(ObservedRun(runs[1].manifest, runs[1].trials))) == len(tasks)


def test_prices_of_one_machine_have_no_use() -> None:
    """Prices compare machines: runs of one machine refuse them."""
    with pytest.raises(ScenarioError, match="no use here: prices compare machines"):
        group_by_host([run_on("a", {SCRUB: QUIET})], ["x"], ["a=5 EUR"])


def test_what_differs_between_hosts_is_a_plain_list() -> None:
    """Facts of machine and software that differ, as recorded; the label is no such fact, and facts
    that neither reported are named."""
    first = run_on("a", {SCRUB: QUIET}, governor="performance", gpu_driver=None)
    second = run_on("b", {SCRUB: QUIET}, number=1, governor="powersave", gpu_driver=None)
    comparison = compared(first, second).others[0]
    found = {c.name: (c.before, c.after) for c in comparison.differences}
    assert found == {"governor": (("performance",), ("powersave",))}
    assert "gpu_driver" in comparison.unreported


def test_a_price_takes_a_folder_and_hosts_of_one_label_are_told_apart() -> None:
    """Two machines of one label: each goes by its folder, and its price does too."""
    runs = (
        run_on("desk", {ENCODE: QUIET}, cpu_model="one"),
        run_on("desk", {ENCODE: QUIET}, number=1, cpu_model="two"),
    )
    hosts = group_by_host(runs, ["first", "second"], ["first=5 EUR", "desk (second)=6 EUR"])
    assert [label.label for label in hosts.labels] == ["desk (first)", "desk (second)"]
    assert [label.price.amount for label in hosts.labels if label.price] == [5, 6]


def test_two_runs_of_one_machine_are_two_dates_not_two_hosts() -> None:
    """Two runs of a desk and one of a server: the later desk stands for it, the pair is its own;
    two of a desk alone are no comparison of hosts."""
    late = run_on("desk", {SCRUB: QUIET}, number=2)
    early = run_on("desk", {SCRUB: QUIET}, number=1)
    server = run_on("server", {SCRUB: QUIET})
    hosts = group_by_host([late, early, server], ["late", "early", "server"])
    assert hosts.compared == (0, 2)
    assert hosts.pairs == ((1, 0),)
    assert hosts.histories == ()
    alone = group_by_host([late, early], ["late", "early"])
    assert (alone.compared, alone.pairs) == ((), ((1, 0),))


@pytest.mark.parametrize("text", ["2400", "=5", "a=", "a=-3", "a=zero", "a=0"])
def test_a_price_that_cannot_be_read_is_refused(text: str) -> None:
    """Without a label, an amount, or an amount above 0 there is no price."""
    with pytest.raises(ScenarioError, match="HOST=AMOUNT"):
        parse_price(text)


def test_a_price_of_an_unknown_host_and_two_currencies_are_refused() -> None:
    """Both name what is wrong, the first the hosts there are."""
    runs = (run_on("a", {SCRUB: QUIET}), run_on("b", {SCRUB: QUIET}, number=1))
    with pytest.raises(ScenarioError, match=r'"a" \(folder x\), "b" \(folder y\)'):
        group_by_host(runs, ["x", "y"], ["c=5"])
    with pytest.raises(ScenarioError, match="different units"):
        group_by_host(runs, ["x", "y"], ["a=5 EUR", "b=5 USD"])


def stepped() -> list[Run]:
    """Eight runs, a tenth slower from the sixth on, when the library changed."""
    rng = np.random.default_rng(5)
    manifest = fabricate_manifest(Fabrication())
    runs = []
    for number in range(8):
        level = (math.log(1.1) if number >= 5 else 0.0) + rng.normal(0, 0.005)
        versions = {**manifest.host.library_versions, "av": "18.0.0" if number < 5 else "19.0.2"}
        runs.append(
            run_on("desk", {SCRUB: QUIET + level}, number=number, library_versions=versions)
        )
    return runs


def test_a_history_finds_the_step_and_what_changed_there() -> None:
    """One step, between the fifth and the sixth, with the library beside it."""
    runs = stepped()
    hosts = group_by_host(runs, [str(i) for i in range(8)])
    assert hosts.compared == ()
    assert hosts.histories == (tuple(range(8)),)
    history = trace_history(runs[::-1])
    [cell] = history.cells
    [step] = cell.steps
    assert (step.before, step.after) == (4, 5)
    assert step.cost_ratio.point == pytest.approx(1.1, rel=0.02)
    assert [(c.name, c.before, c.after) for c in step.host_changes] == [
        ("av", ("18.0.0",), ("19.0.2",))
    ]


def test_a_history_of_a_steady_host_has_no_step() -> None:
    """Eight runs that differ by half a percent by chance: no change."""
    rng = np.random.default_rng(6)
    runs = [
        run_on("desk", {SCRUB: QUIET + rng.normal(0, 0.005)}, number=number) for number in range(8)
    ]
    history = trace_history(runs)
    assert [line.steps for line in (*history.tasks, *history.cells)] == [()] * 3


def test_a_run_that_measured_otherwise_is_left_out_of_a_history() -> None:
    """Three runs have both cells; a fourth of other footage is refused by name, with its cells."""
    costs = {SCRUB: QUIET, ENCODE: QUIET}
    runs = [run_on("desk", costs, number=number) for number in range(4)]
    manifest = runs[3].manifest
    clips = [clip.model_copy(update={"fingerprint": "0" * 64}) for clip in manifest.clips]
    runs[3] = Run(manifest.model_copy(update={"clips": tuple(clips)}), runs[3].trials)
    history = trace_history(runs)
    (refusal,) = history.refusals
    assert refusal.cells == (ENCODE, SCRUB)
    assert [(r.kind, r.place) for r in refusal.reasons] == [("other_footage", "desk-3")]
    assert {len(line.points) for line in history.cells} == {3}
    assert runs_text(history) == "3 of 4 runs"


def text_of(section: ComparisonSection) -> str:
    """All that a section says, its tables' rows among it."""
    lines = [section.headline, section.basis, *(f"! {text}" for text in section.cautions)]
    for group in section.groups:
        lines += ["", group.title, *(f"- {text}" for text in group.sentences)]
        for table in (*group.tables, *group.folded):
            heads = " | ".join(column.head for column in table.columns)
            lines += [f"[{table.title}. {table.note}]", heads]
            lines += [" | ".join(entry.text for entry in row) for row in table.rows]
    return "\n".join(lines)


def test_hosts_in_words() -> None:
    """A faster host, a slower one and one that cannot be told; prices; refusals; what differs."""
    wild = QUIET * 100
    runs = [
        run_on("old", {SCRUB: QUIET, ENCODE: wild, ENCODE_WIDE: QUIET}, usable_core_count=4),
        run_on("new", {SCRUB: QUIET[::-1] - math.log(2), ENCODE: wild[::-1]}, number=1),
        run_on("slow", {SCRUB: QUIET[::-1] + math.log(2)}, number=2, library_versions={"av": "1"}),
    ]
    prices = ("old=900 EUR", "new=2000 EUR")
    (three,) = build_comparison(runs, ["a", "b", "c"], prices=prices)
    few = run_on("few", {ENCODE: QUIET, ENCODE_WIDE: QUIET + math.log(1.5)}, usable_core_count=1)
    many = run_on("many", {ENCODE: QUIET + math.log(2), ENCODE_WIDE: QUIET - math.log(2)}, number=1)
    texts = [text_of(three)]
    for amount in (1000, 2000, 9000):
        (two,) = build_comparison(
            [few, many], ["a", "b"], prices=("few=1000 EUR", f"many={amount} EUR")
        )
        texts.append("\n".join([two.headline, *two.groups[0].sentences]))
    only_one = build_comparison([few, many], ["a", "b"], prices=["many=5 EUR"])
    texts.append("\n".join(only_one[0].cautions))
    assert_matches_snapshot("\n\n".join(texts), "hosts")


def test_one_host_before_and_after_in_words() -> None:
    """Scrubbing takes a fifth more time; encoding is too wild to say anything of it; a third cell
    is missing from the later run."""
    wild = np.array([-0.4, 0.5, 0.1, -0.6, 0.3, -0.2, 0.6, -0.3])
    later = {SCRUB: QUIET[::-1] + math.log(1.2), ENCODE: wild[::-1]}
    (section,) = build_comparison(
        [
            run_on("desk", {SCRUB: QUIET, ENCODE: wild, ENCODE_WIDE: QUIET}),
            run_on("desk", later, number=1),
        ],
        ["monday", "friday"],
    )
    assert_matches_snapshot(text_of(section), "before_after")


def test_a_history_in_words() -> None:
    """A step with what changed there, of the cell and not of the kernel; and too few runs."""
    runs = stepped()

    def said(history: History) -> str:
        return text_of(build_history(history, prefix="history1"))

    assert_matches_snapshot(
        "\n\n".join([said(trace_history(runs)), said(trace_history(runs[:3]))]), "history"
    )
