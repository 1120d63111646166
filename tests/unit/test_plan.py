"""The plan: which cells a scenario has, and what holds of the order of its rounds."""

import random
from collections import Counter
from itertools import product

import pytest

from mezzmark.model.cell import ALL_CLIPS, KERNEL_CLIP, Cell, Setting, ordered
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.fidelity import FidelitySettings
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.runner.plan import PlannedCell, count_trials, plan_cells, plan_round

CLIPS = ("a", "b")
ENCODINGS = (ORIGINAL, "vc3-sq", "mjpeg-fine")
EVERYTHING = {(clip, encoding) for clip in CLIPS for encoding in ENCODINGS}


def scenario(**changes: object) -> Scenario:
    settings: dict[str, object] = {
        "name": "plan",
        "seed": 7,
        "clips": tuple(ClipSpec(name=name, recipe=Recipe()) for name in CLIPS),
        "encodings": ENCODINGS,
        "scrub": ScrubSettings(patterns=("jump", "near"), threads=(1, "all"), crossed=True),
        "encode": EncodeSettings(threads=(1, "all")),
    }
    return Scenario.model_validate(settings | changes)


def cells_of(plan: Scenario, media: set[tuple[str, str]] | None = None, cores: int = 8):
    pairs = sorted(EVERYTHING if media is None else media)
    return [p.cell for p in plan_cells(plan, media=dict.fromkeys(pairs), core_count=cores)]


def planned_of(plan: Scenario):
    return plan_cells(plan, media=dict.fromkeys(sorted(EVERYTHING)), core_count=8)


def test_every_combination_is_one_cell() -> None:
    """2 clips × 3 encodings × 2 patterns × 2 thread counts scrub, and 2 × 2 × 2 encode; the
    original is never encoded."""
    cells = cells_of(scenario())
    assert Counter(cell.task for cell in cells) == {"scrub": 24, "encode": 8}
    assert len({cell.cell_id for cell in cells}) == 32
    assert ORIGINAL not in {cell.encoding for cell in cells if cell.task == "encode"}


def test_trials_are_counted_by_task() -> None:
    """The cells above and three kernels a round; once what is judged, and three pilot trials of
    each cell of the best player, of which there are 12, by two players."""
    judged = planned_of(scenario(fidelity=FidelitySettings()))
    kernels = {"scrub": 24, "encode": 8, "kernel": 3}
    assert count_trials(judged, 7) == (kernels, {"fidelity": 4})
    best = scenario(scrub=ScrubSettings(patterns=("jump", "near"), players=("best",)), encode=None)
    assert count_trials(planned_of(best), 7) == ({"scrub": 12, "kernel": 3}, {"pilot": 72})


@pytest.mark.parametrize(("cores", "counts"), [(1, {1}), (2, {1, 2}), (3, {1, 3}), (8, {1, 4, 8})])
def test_thread_choices_that_mean_the_same_count_are_one_cell(cores: int, counts: set[int]) -> None:
    """1, "half" and "all" are merged where the machine's cores make them equal."""
    plan = scenario(encode=EncodeSettings(threads=(1, "half", "all")), scrub=None)
    cells = cells_of(plan, cores=cores)
    assert {cell.setting["threads"] for cell in cells} == counts
    assert len(cells) == 4 * len(counts)


def test_what_could_not_be_prepared_is_not_measured() -> None:
    """A clip that has no file in an encoding has no cell of it, and other clips keep theirs."""
    cells = cells_of(scenario(), EVERYTHING - {("a", "vc3-sq")})
    assert {cell.clip for cell in cells if cell.encoding == "vc3-sq"} == {"b"}


def test_hop_moves_between_clips_and_is_one_cell_an_encoding() -> None:
    """Moving between clips belongs to no clip, and needs two that exist in the encoding."""
    plan = scenario(scrub=ScrubSettings(patterns=("hop",)), encode=None)
    assert [(c.clip, c.encoding) for c in cells_of(plan)] == [(ALL_CLIPS, e) for e in ENCODINGS]
    fewer = cells_of(plan, EVERYTHING - {("b", "vc3-sq")})
    assert {cell.encoding for cell in fewer} == {ORIGINAL, "mjpeg-fine"}


def test_the_null_arm_repeats_the_first_cell_of_each_task() -> None:
    """Its two arms differ in the arm alone, so that any difference found between them is noise."""
    planned = planned_of(scenario(null_arm=True))
    nulls = [p.cell for p in planned if p.arm == "null"]
    assert [cell.task for cell in nulls] == ["scrub", "encode"]
    for null in nulls:
        assert null == next(p.cell for p in planned if p.cell.task == null.task)


def test_all_arms_of_a_round_replay_the_same_requests_and_each_round_new_ones() -> None:
    """The seed of requests is common to encodings, threads and arms of (round, clip, pattern), and
    to nothing else."""
    cells = planned_of(scenario(null_arm=True))
    seeds: dict[tuple[int, str, str | None], set[int]] = {}
    for index in range(4):
        for trial in plan_round(cells, index, 7):
            if trial.cell.task == "scrub":
                key = (index, trial.cell.clip, trial.cell.setting["pattern"])
                seeds.setdefault(key, set()).add(trial.seed)
    assert len(seeds) == 4 * 2 * 2
    assert {len(group) for group in seeds.values()} == {1}
    assert len(set.union(*seeds.values())) == len(seeds)


@pytest.mark.parametrize(("cell_count", "places"), [(4, [0, 5]), (12, [0, 7, 14])])
def test_the_reference_kernel_stands_at_start_middle_and_end(
    cell_count: int, places: list[int]
) -> None:
    """Twice in short rounds, three times in long ones, at the same places in both directions."""
    cells = [PlannedCell(Cell(task="scrub", clip="a", encoding=f"e{k}")) for k in range(cell_count)]
    for index in (0, 1):
        trials = plan_round(cells, index, 3)
        assert [t.position for t in trials if t.cell.clip == KERNEL_CLIP] == places


def test_steady_drift_costs_every_cell_the_same_over_a_pair_of_rounds() -> None:
    """With time running on through both rounds, each cell's mean time is the same: the second
    round mirrors the first."""
    cells = planned_of(scenario())
    pair = [plan_round(cells, 4, 7), plan_round(cells, 5, 7)]
    length = len(pair[0])
    times: dict[Cell, list[int]] = {}
    for which, trials in enumerate(pair):
        for trial in trials:
            if trial.cell.task != "kernel":
                times.setdefault(trial.cell, []).append(which * length + trial.position)
    assert {sum(pair_of_times) for pair_of_times in times.values()} == {2 * length - 1}
    assert {len(pair_of_times) for pair_of_times in times.values()} == {2}


def test_orders_of_pairs_are_drawn_anew_and_by_the_seed() -> None:
    """No two pairs of rounds share an order, nor do two seeds."""
    cells = planned_of(scenario())
    orders = [
        tuple(t.cell for t in plan_round(cells, k, seed)) for k in (0, 2, 4) for seed in (1, 2)
    ]
    assert len(set(orders)) == 6


def test_each_cell_comes_first_about_equally_often() -> None:
    """Over 4,000 pairs the first place of 4 cells is shared out evenly: each count lies within
    four standard errors of 1,000 (binomial, sd 27.4), which chance passes but once in 4,000."""
    cells = [PlannedCell(Cell(task="scrub", clip="a", encoding=f"e{k}")) for k in range(4)]
    firsts = Counter(plan_round(cells, 2 * k, 99)[1].cell.encoding for k in range(4_000))
    assert all(abs(count - 1_000) < 110 for count in firsts.values())
    assert len(firsts) == 4


def test_a_player_with_threads_of_its_own_plays_with_them_once() -> None:
    """Asked for 1, 2 and 4 threads, `frame-4` has one cell of 4 threads beside three of `frame`;
    ids tell them and `frame-skipping` apart."""
    settings = ScrubSettings(
        patterns=("jump",),
        threads=(1, 2, 4),
        players=("frame", "frame-4", "frame-skipping"),
        crossed=True,
    )
    cells = cells_of(scenario(scrub=settings, encode=None), {("a", ORIGINAL)})
    ways = [(cell.setting["player"], cell.setting["threads"]) for cell in cells]
    assert sorted(ways) == [
        *(("frame", count) for count in (1, 2, 4)),
        ("frame-4", 4),
        *(("frame-skipping", count) for count in (1, 2, 4)),
    ]
    assert len({cell.cell_id for cell in cells}) == len(cells)


def test_numbers_inside_names_are_sorted_by_their_size() -> None:
    """Links stand by their rate whatever its unit, files as they lie first; clips and encodings by
    the numbers in their names. Names that read alike stay apart."""
    links = ("", "100 Mbit/s, 10 ms", "1 Gbit/s, 0.5 ms", "1 Gbit/s, 2 ms", "2.5 Gbit/s, 0.5 ms")
    clips = ("clip-2", "clip-02b", "clip-10", "d")
    encodings = ("avc-intra-50", "avc-intra-100")
    cells = [
        Cell(task="scrub", clip=clip, encoding=name, setting=Setting(link=link or None))
        for clip, name, link in product(clips, encodings, (*links, "10 Gbit/s, 0.5 ms"))
    ]
    shuffled = random.Random(1).sample(cells, len(cells))
    assert sorted(shuffled, key=lambda cell: cell.sort_key) == cells
    conditions = [cell.setting.condition for cell in cells[:6]]
    assert sorted(conditions) == conditions
    assert [any(condition) for condition in conditions] == [False, *[True] * 5]
    assert ordered("a1") != ordered("a01")


def test_each_root_has_cells_of_its_own_but_no_copy_of_own_footage() -> None:
    """The first setting comes once more on each root and raw storage whole; an original that is the
    user's file is on none, so that nobody hops between originals there; "local" can be left out."""
    roots = [{"name": name, "path": name} for name in ("share", "disk")]
    scrub = {"patterns": ["jump", "hop"], "threads": [1]}
    clips = [ClipSpec(name="a", files=("a.mp4",))]
    clips += [ClipSpec(name=name, recipe=Recipe()) for name in "bc"]
    asked = {
        "clips": clips,
        "roots": roots,
        "encode": None,
        "storage": {"readers": [1], "writers": []},
    }
    plan = scenario(**asked, scrub=scrub)
    media = [(clip, encoding) for clip in "abc" for encoding in ENCODINGS]
    cells = [p.cell for p in plan_cells(plan, media=media, core_count=2)]
    found = Counter((c.task, c.setting["root"]) for c in cells)
    assert found["scrub", None] == 3 * 3 + 3
    assert found["scrub", "share"] == found["scrub", "disk"] == 3 * 3 - 1
    assert found["storage", None] == found["storage", "share"] == found["storage", "disk"] == 3
    assert not any((c.clip, c.encoding) == ("a", ORIGINAL) for c in cells if c.setting["root"])
    hops = scenario(**asked, scrub={"patterns": ["hop"], "threads": [1], "roots": ["share"]})
    shared = [p.cell for p in plan_cells(hops, media=media, core_count=2)]
    assert {c.encoding for c in shared if c.task == "scrub"} == {"vc3-sq", "mjpeg-fine"}
    assert {c.setting["root"] for c in shared if c.task == "scrub"} == {"share"}
    with pytest.raises(ValueError, match="elsewhere"):
        scenario(**asked, scrub={"roots": ["elsewhere"]})
    with pytest.raises(ValueError, match="local"):
        scenario(roots=[{"name": "local", "path": "x"}])
