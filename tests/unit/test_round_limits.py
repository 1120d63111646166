"""How many rounds a run has: what was asked for, what an earlier run brings, what is warned of."""

from pathlib import Path

import pytest

import mezzmark
from mezzmark import api
from mezzmark.host.common import Clock
from mezzmark.model.errors import DestinationError, ScenarioError, UsageError
from mezzmark.model.footage import ClipSpec
from mezzmark.model.scenario import ROUNDS_RULE, Scenario
from mezzmark.report.prose.footage import limit_warnings_of
from mezzmark.runner.events import Noted
from mezzmark.runner.request import AskedLimits, limit_scenario, plan_demo, plan_measurement
from mezzmark.runner.start import describe_run
from mezzmark.store.run_store import create_run
from mezzmark.store.toml_files import read_scenario
from simulation.synthetic_footage import synthetic_footage


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """A folder of two files that are never opened."""
    folder = tmp_path / "card"
    folder.mkdir()
    for name in ("C0001.MP4", "C0002.MP4"):
        (folder / name).write_bytes(b"")
    return folder


def lay_run(folder: Path, plan: Scenario) -> Path:
    """A run of this scenario without a trial."""
    named = plan.model_copy(update={"clips": (ClipSpec(name="own", files=("x",)),)})
    manifest = describe_run(named, synthetic_footage(named), cache_dir=folder, clock=Clock())
    create_run(folder / "run", manifest.model_copy(update={"scenario": plan}))
    return folder / "run"


def test_fewer_rounds_than_the_minimum_lower_it_with_a_note() -> None:
    """own-footage has a minimum of 5: with 2 rounds it is 2, which a note says; with 6 it stays."""
    plan = read_scenario("own-footage", footage=["a.mov"])
    assert plan.minimum_rounds == 5
    fewer, notes = limit_scenario(plan, AskedLimits(rounds=2))
    assert (fewer.rounds, fewer.minimum_rounds) == (2, 2)
    assert notes == ("minimum_rounds is 5 and lowered to 2, the rounds asked for.",)
    more, notes = limit_scenario(plan, AskedLimits(rounds=6))
    assert (more.rounds, more.minimum_rounds, notes) == (6, 5, ())
    assert limit_scenario(plan, AskedLimits()) == (plan, ())


def test_a_limit_that_cannot_be_is_one_clear_line() -> None:
    """From a program, where no option checks it: no round at all is refused."""
    with pytest.raises(ScenarioError, match=r"rounds: 0 is not legal.*at least 1"):
        limit_scenario(read_scenario("first-look"), AskedLimits(rounds=0))


@pytest.mark.parametrize(
    ("rounds", "minimum", "has_budget", "words"),
    [
        (2, 2, False, "at most 2: its figures will carry none"),
        (8, 2, True, "minimum_rounds is 2: the time budget may end the run"),
        (8, 2, False, ""),
        (8, 3, True, ""),
    ],
)
def test_limits_without_intervals_are_warned_of(
    rounds: int, minimum: int, has_budget: bool, words: str
) -> None:
    """Below 3 rounds there is no interval; a budget can cut a run down to its minimum."""
    limits = {"rounds": rounds, "minimum_rounds": minimum}
    budget = {"time_budget_s": 60.0 if has_budget else None}
    found = limit_warnings_of(read_scenario("first-look").model_copy(update=limits | budget))
    assert bool(found) is bool(words)
    assert all(words in text for text in found)


def test_a_resumed_run_brings_footage_rounds_and_budget(card: Path, tmp_path: Path) -> None:
    """`--resume` with the scenario's name and the folder alone is the plan that was measured; a
    note says so where the scenario itself says otherwise. Footage passed anew counts more."""
    files = [f"{card}/*.MP4"]
    asked = AskedLimits(rounds=2, time_budget_s=200.0)
    plan, _ = plan_measurement("own-footage", asked, footage=files)
    run_dir = lay_run(tmp_path, plan)
    again, notes = plan_measurement("own-footage", AskedLimits(), earlier_run=run_dir)
    assert again == plan
    assert again.clips[0].files == tuple(files)
    rounds = "2 rounds (the scenario now says 5 to 10 rounds)"
    budget = "time budget 200 s (the scenario now says time budget 1800 s)"
    assert notes == (f"resumed with the run's own limits: {rounds}, {budget}.",)
    more, notes = plan_measurement("own-footage", AskedLimits(rounds=6), earlier_run=run_dir)
    assert (more.rounds, more.minimum_rounds, more.time_budget_s) == (6, 5, 200.0)
    assert notes == (f"resumed with the run's own limits: {budget}.",)
    longer, notes = plan_measurement(
        "own-footage", AskedLimits(time_budget_s=900.0), earlier_run=run_dir
    )
    assert (longer.rounds, longer.minimum_rounds, longer.time_budget_s) == (2, 2, 900.0)
    assert notes == (f"resumed with the run's own limits: {rounds}.",)
    both = AskedLimits(rounds=6, time_budget_s=900.0)
    other = [f"{card}/C0001.MP4"]
    again, notes = plan_measurement("own-footage", both, footage=other, earlier_run=run_dir)
    assert (again.clips[0].files, notes) == (tuple(other), ())


def test_roots_are_added_to_those_of_the_scenario(tmp_path: Path) -> None:
    """Each is called as its folder; two of one name, and roots that no task reads, are refused."""
    given = [f"{tmp_path}/films", "disk"]
    plan, _ = plan_measurement("first-look", AskedLimits(), roots=given)
    assert [root.name for root in plan.roots] == ["films", "disk"]
    assert [root.path for root in plan.roots] == [given[0], str(Path("disk").absolute())]
    again, _ = plan_measurement(plan, AskedLimits(), roots=["more"])
    assert [root.name for root in again.roots] == ["films", "disk", "more"]
    with pytest.raises(ScenarioError, match="films"):
        plan_measurement(plan, AskedLimits(), roots=["other/films"])
    with pytest.raises(ScenarioError, match="no task"):
        plan_measurement(plan.but(roots=(), scrub=None), AskedLimits(), roots=given)


def test_a_resumed_run_keeps_its_seed_and_says_so(card: Path, tmp_path: Path) -> None:
    """Where the scenario has another seed by now the run's own is used, and a note names both
    whatever else was asked for; a seed that is asked for is taken, without a note."""
    footage = [f"{card}/*.MP4"]
    plan = read_scenario("own-footage", footage=footage)
    run_dir = lay_run(tmp_path, plan.model_copy(update={"seed": plan.seed + 5}))
    for asked in (AskedLimits(), AskedLimits(rounds=plan.rounds, time_budget_s=1800.0)):
        again, notes = plan_measurement("own-footage", asked, earlier_run=run_dir)
        assert again.seed == plan.seed + 5
        said = f"seed {plan.seed + 5} (the scenario now says seed {plan.seed})"
        assert notes == (f"resumed with the run's own limits: {said}.",)
    given = AskedLimits(seed=77)
    again, notes = plan_measurement("own-footage", given, earlier_run=run_dir)
    assert (again.seed, notes) == (77, ())


def test_without_a_run_there_footage_is_still_asked_for(tmp_path: Path) -> None:
    """A folder that holds no run brings nothing."""
    with pytest.raises(ScenarioError, match="--footage"):
        plan_measurement("own-footage", AskedLimits(), earlier_run=tmp_path)


def test_resuming_needs_the_runs_folder() -> None:
    """`resume` without `out` would begin a new run somewhere else."""
    with pytest.raises(UsageError, match=r"--resume.*--out"):
        mezzmark.measure("first-look", resume=True)


def test_where_nothing_can_be_resumed_a_line_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mistyped folder is named before a new run begins in it, of a fleet too; where a run lies
    nothing is said of it."""
    monkeypatch.setattr("mezzmark.runner.run.run_scenario", lambda _plan, **_: iter(()))
    lay_run(tmp_path / "host", read_scenario("first-look"))
    told: list[str] = []

    def note(event: Noted) -> None:
        told.append(event.message)

    for out in (tmp_path / "typo", tmp_path / "host" / "run"):
        mezzmark.measure("first-look", out=out, resume=True, on_event=note)
    for out in (tmp_path / "typos", tmp_path / "host"):
        api._fleet_plan("first-look", out, lambda _, e: note(e), resume=True, footage=())
    assert [text for text in told if "resume" in text] == [
        f"nothing to resume in {tmp_path / 'typo'}: a new run begins.",
        f"nothing to resume in {tmp_path / 'typos'}: a new run begins.",
    ]


def test_the_demo_on_own_footage_is_called_by_it(card: Path, tmp_path: Path) -> None:
    """The title names the files, two of many, and not the synthetic clip; a resumed demo keeps
    files and title."""
    one = plan_demo([f"{card}/C0001.MP4"])
    assert one.title.startswith("A first look at C0001.MP4:")
    assert [Path(file).name for file in one.clips[0].files] == ["C0001.MP4"]
    two = plan_demo([f"{card}/*.MP4"])
    assert two.title.startswith("A first look at C0001.MP4, C0002.MP4:")
    assert "synthetic" in plan_demo([]).title
    run_dir = lay_run(tmp_path, two)
    assert plan_demo([], earlier_run=run_dir) == two
    for number in range(3, 6):
        (card / f"C000{number}.MP4").write_bytes(b"")
    many = plan_demo([f"{card}/*.MP4"])
    assert many.title.startswith("A first look at C0001.MP4, C0002.MP4 and 3 more:")


def test_check_says_the_rule_of_rounds_and_budget(tmp_path: Path) -> None:
    """The rule stands beside the budget, a warning beside a minimum that carries no interval; three
    files are scrubbed, two of them encoded, and the kernel runs first and last."""
    text = mezzmark.describe_scenario("workstation-check")
    assert "clips (1): quay\n" in text
    assert "7 trials a round (scrub latency 3, reference kernel 2, encoding 2)\n" in text
    assert f"time budget: 330 s; {ROUNDS_RULE}" in text
    mine = tmp_path / "mine.toml"
    shipped = mezzmark.scenario_text("workstation-check").replace(
        "minimum_rounds = 10", "minimum_rounds = 2"
    )
    mine.write_text(shipped, encoding="utf-8")
    assert "warning: an interval needs 3 rounds and minimum_rounds is 2" in (
        mezzmark.describe_scenario(str(mine))
    )


def test_check_refuses_a_root_that_is_not_there(tmp_path: Path) -> None:
    """As measuring would, and by its name."""
    mine, gone = tmp_path / "mine.toml", tmp_path / "not mounted"
    roots = f'\n[[roots]]\nname = "share"\npath = "{gone.as_posix()}"\n'
    mine.write_text(mezzmark.scenario_text("workstation-check") + roots, encoding="utf-8")
    with pytest.raises(DestinationError, match='"share" is not there'):
        mezzmark.describe_scenario(str(mine))
    gone.mkdir()
    assert "7 trials a round" not in mezzmark.describe_scenario(str(mine))
