"""`choose` with a shop, by clips, and by a file of needs: one answer with `size`, one clip
named."""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from test_choose import choose, encoding, made

import mezzmark
from fixtures.fabricated_run import Fabrication, fabricate_run
from mezzmark.model.errors import ScenarioError
from mezzmark.report.prose.choice import findings
from mezzmark.store.run_store import append_trial, create_run

SHOP = """
name = "ours"
editors = {editors}
turnaround_hours = {hours}
[[cameras]]
name = "a"
bitrate_bps = 50_000_000
hours_per_day = 2
width_px = 1920
height_px = 1080
frame_rate = 24
"""
PAIR = (
    encoding("original", 300, 50, 0),
    encoding("swift", 20, 120, 100),
    encoding("large", 20, 900),
)


@pytest.fixture(scope="module")
def run_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("run") / "run"
    manifest, trials = fabricate_run(
        Fabrication(encodings=PAIR, patterns=("jump",), encode_threads=(1,), rounds=5)
    )
    create_run(folder, manifest)
    for trial in trials:
        append_trial(folder, trial)
    return folder


@pytest.mark.parametrize(("editors", "hours"), [(3, 14), (20, 14), (3, 0.1), (500, 14), (3, 1.2)])
def test_choose_and_size_say_the_same_of_a_shop(
    run_dir: Path, tmp_path: Path, editors: int, hours: float
) -> None:
    """Whoever serves the shop in all it asks for meets its needs, and whoever does not misses one;
    what cannot be told is open in both. `size` names whom `choose` names, which says without a shop
    that ready time was not asked."""
    shop = tmp_path / "shop.toml"
    shop.write_text(SHOP.format(editors=editors, hours=hours))
    sizing = mezzmark.size(run_dir, shop=shop)
    sized = {found.encoding: found for found in sizing.encodings}
    choice = mezzmark.choose(run_dir, shop=shop)
    alone = mezzmark.choose(run_dir)
    assert (sizing.named_here, sizing.named_alone) == (choice.leader or "", alone.leader)
    asked = [any("--shop" in text for text in findings(one)) for one in (alone, choice)]
    assert asked == [True, False]
    needed = {name: found.figures.get("machines_needed") for name, found in sized.items()}
    wanted = {n: found.high for n, found in needed.items() if found and 1 < found.high < math.inf}
    assert choice.machines_needed == wanted
    said = {"yes": "meets", "no": "ruled out", "cannot tell": "open"}
    for entry in choice.encodings:
        assert entry.status == said[sized[entry.encoding].serves], entry.encoding


def test_a_shop_asks_in_vain_where_no_ingest_was_measured(tmp_path: Path) -> None:
    """Scrubbing alone says nothing of ready time: that the originals need no ingest makes them no
    answer; what to add is named, and `size` calls nobody recommended."""
    manifest, trials = fabricate_run(Fabrication(encodings=PAIR, patterns=("jump",), rounds=5))
    trials = [trial for trial in trials if trial.cell.task != "encode"]
    create_run(tmp_path / "run", manifest)
    for trial in trials:
        append_trial(tmp_path / "run", trial)
    shop = tmp_path / "shop.toml"
    shop.write_text(SHOP.format(editors=3, hours=14))
    choice = mezzmark.choose(tmp_path / "run", shop=shop)
    assert (choice.verdict, choice.by_other_needs) == ("cannot say", "swift")
    assert [a.task for need, a in choice.how_to_measure.items()][:1] == ["ingest"]
    assert not mezzmark.size(tmp_path / "run", shop=shop).is_recommended


def test_a_need_names_the_clip_that_fails_and_clips_can_be_fixed() -> None:
    """10 and 400 ms: the need of 100 ms fails on `slow`, by name; fixed beforehand to the other
    clip it is met. A clip that does not exist is an error."""
    run = made((encoding("one", 10, 100),), clips=("slow", "quick"), rounds=10)
    trials = tuple(
        t.model_copy(update={"measurement": stretched(t.measurement, 40)})
        if t.cell.clip == "slow" and t.cell.task == "scrub"
        else t
        for t in run.trials
    )
    run = replace(run, trials=trials)
    for need in ("scrub.jump.p50_ms <= 100", "scrub.jump.p95_ms <= 100"):
        [result] = choose(run, needs=(need,)).find("one").needs
        assert (result.outcome, result.clip) == ("misses", "slow")
        assert choose(run, needs=(need,), clips=("quick",)).find("one").status == "meets"
    with pytest.raises(ScenarioError, match="no clip of these runs"):
        choose(run, clips=("quack",))


def stretched(measured: object, factor: int) -> object:
    return measured.model_copy(
        update={"decode_ns": tuple(factor * ns for ns in measured.decode_ns)}
    )


def test_one_that_lacks_a_clip_is_named_and_shown_beside() -> None:
    """Without its harder clip an encoding is not judged, the clip is named, and its chance of being
    better is of its own clip alone: there it is surely faster."""
    run = made((encoding("a", 20, 100), encoding("b", 40, 100)), clips=("easy", "hard"))
    lacking = tuple(t for t in run.trials if (t.cell.encoding, t.cell.clip) != ("a", "hard"))
    run = replace(run, trials=lacking)
    wish = ("less scrub.jump.p50_ms",)
    entry = choose(run, wishes=wish).find("a")
    assert (entry.status, entry.lacks[0].clips) == ("not judged", ("hard",))
    beside = choose(run, wishes=wish, allow_missing=True)
    assert beside.recommendation == "b"
    assert (beside.find("a").own_clips, beside.find("a").chance_beside) == (("easy",), 1.0)


def test_a_team_shares_needs_in_a_file(run_dir: Path, tmp_path: Path) -> None:
    """The keys of `[choose]`, at the file's top or in that table; options still go before them, and
    a wrong key is told with its line."""
    for head in ("", "[choose]\n"):
        team = tmp_path / "team.toml"
        team.write_text(
            f'{head}needs = ["bitrate_bps <= 200 Mbit/s"]\nwishes = ["less bitrate_bps"]\n'
        )
        choice = mezzmark.choose(run_dir, needs=team)
        assert [need.text for need in choice.needs] == ["bitrate_bps <= 200 Mbit/s"]
        assert choice.recommendation == "original"
        own = mezzmark.choose(run_dir, needs=team, wish=["less scrub.jump.p50_ms"])
        assert own.recommendation == "swift"
    team.write_text("need = []\n")
    with pytest.raises(ScenarioError) as failure:
        mezzmark.choose(run_dir, needs=team)
    assert failure.value.where.startswith("team.toml, line 1")


def test_originals_that_meet_all_need_no_intermediate() -> None:
    """300 ms meet a need of 500 ms: the originals, though an intermediate is faster; where needs
    say nothing of scrubbing the wishes decide."""
    run = made(PAIR)
    assert choose(run, needs=("scrub.jump.p50_ms <= 500",)).recommendation == "original"
    assert choose(run, needs=("bitrate_bps <= 500 Mbit/s",)).recommendation == "swift"


def test_waits_below_the_floor_are_alike() -> None:
    """At 24 frames a second 10 and 40 ms are both below a frame's time: the quicker encode is
    taken."""
    pair = (encoding("instant", 10, 100, 5), encoding("quick", 40, 100, 60))
    assert choose(made(pair).at(24)).recommendation == "quick"
    assert choose(made(pair).at(120)).recommendation == "instant"
