"""A check of many hosts: each against its own earlier runs, at a level over hosts × cells."""

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy import stats
from test_report_page import Page
from typer.testing import CliRunner

import mezzmark
from fixtures.fabricated_run import HOSTILE_NAMES
from fixtures.snapshot import assert_matches_snapshot
from fixtures.two_sides import ENCODE, QUIET, SCRUB, Run, build_run, run_on
from mezzmark.cli.app import app
from mezzmark.decide.compare.fleet import BASELINE_RUNS, FleetCheck, choose_baseline, judge_fleet
from mezzmark.decide.compare.regress import run_evidence
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.errors import DestinationError, RunError
from mezzmark.model.records import HostMoment
from mezzmark.report.page import write_fleet_page
from mezzmark.report.prose.fleet import (
    fleet_cautions,
    fleet_headline,
    fleet_rules,
    fleet_sentences,
    unjudged_fleet_lines,
)
from mezzmark.report.sections.comparison import build_fleet
from mezzmark.report.tables.regression import fleet_markdown
from mezzmark.store import run_store
from mezzmark.store.run_store import MANIFEST_NAME, TRIALS_NAME, create_run, read_checks

SLOWER = math.log(1.3)
Costs = Mapping[Cell, Sequence[float]]


def both(shift: float = 0.0) -> Costs:
    """Two cells; the one that encodes is shifted."""
    return {ENCODE: QUIET + shift, SCRUB: QUIET}


def runs(label: str, *costs: Costs) -> list[Run]:
    return [run_on(label, one, number=n) for n, one in enumerate(costs)]


def judged(hosts: Mapping[str, Sequence[Run]], **given: object) -> FleetCheck:
    """The last run of each host against the others."""
    newest = {host: mine[-1] for host, mine in hosts.items()}
    earlier = {host: mine[:-1] for host, mine in hosts.items() if mine[:-1]}
    return judge_fleet("now", newest, earlier, tolerance_fraction=0.05, **given)


def lay(out: Path, hosts: Mapping[str, Sequence[Run | None]]) -> Path:
    """Checks on disk, a day each; a host without a run in one is left out of it."""
    for host, mine in hosts.items():
        for day, run in enumerate(mine, start=1):
            if run is not None:
                folder = out / f"202603{day:02d}T100000Z" / host
                folder.parent.mkdir(parents=True, exist_ok=True)
                create_run(folder, run.manifest)
                lines = "".join(f"{trial.model_dump_json()}\n" for trial in run.trials)
                (folder / TRIALS_NAME).write_text(lines, encoding="utf-8")
    return out


@pytest.fixture
def checks(tmp_path: Path) -> Path:
    """Three checks: "slow" got slower in the last, "steady" did not, "gone" has none there, "new"
    has only that one."""
    hosts: dict[str, list[Run | None]] = {
        "slow": [*runs("slow", both(), both(), both(SLOWER))],
        "steady": [*runs("steady", both(), both(), both())],
        "gone": [*runs("gone", both(), both()), None],
        "new": [None, None, *runs("new", both())],
    }
    return lay(tmp_path / "checks", hosts)


def test_each_host_is_judged_by_its_own_history(checks: Path) -> None:
    """The slower one regressed by its cell that did, and comes first; the new one has no verdict
    and the absent one is named with its last day; the exit code is that of `regress`."""
    found = mezzmark.fleet_check(judge_only=True, out=checks)
    assert [(h.host, h.verdict, len(h.baseline_utc)) for h in found.hosts] == [
        ("slow", "regressed", 2),
        ("steady", "equivalent", 2),
        ("new", None, 0),
    ]
    assert found.hosts[0].telling_cell.cell == ENCODE
    assert [(host.host, host.label) for host in found.absent] == [("gone", "gone")]
    assert (found.verdict, found.exit_code, found.check) == ("regressed", 10, "20260303T100000Z")
    assert found.family == 4


@pytest.mark.parametrize("hosts", [1, 4, 20])
def test_intervals_hold_together_over_hosts_and_cells(hosts: int) -> None:
    """Rounds that are all equal leave the 1 % that runs are taken to differ by: the interval is the
    normal one at an error level divided by hosts × cells; hosts without a history count not."""
    flat = dict.fromkeys((ENCODE, SCRUB), np.zeros(8))
    fleet = {f"h{n}": runs(f"h{n}", flat, flat) for n in range(hosts)}
    found = judged(fleet | {"new": runs("new", both())})
    reach = stats.norm.ppf(1 - 0.05 / 2 / (2 * hosts)) * math.hypot(0.01, 0.01)
    ends = [c.cost_ratio.high for h in found.hosts if h.report for c in h.report.cells]
    assert len(ends) == found.family == 2 * hosts
    assert np.log(ends) == pytest.approx(reach)


def test_hosts_share_what_runs_differ_by() -> None:
    """Three earlier runs each, of levels -d, 0 and d: the variance is d², with two degrees
    of freedom; on two hosts of one cell each together four."""
    d = 0.01
    levels = (-d, 0.0, d, 0.0)
    one, two = (runs(name, *({ENCODE: QUIET + x} for x in levels)) for name in ("a", "b"))
    for fleet, degrees in (({"a": one}, 2), ({"a": one, "b": two}, 4)):
        found = judged(fleet)
        half = stats.t.ppf(1 - 0.05 / 2 / len(fleet), degrees) * d * math.sqrt(1 + 1 / 3)
        for host in found.hosts:
            assert math.log(host.report.cells[0].cost_ratio.high) == pytest.approx(half)


def test_a_restless_host_is_not_judged_by_quiet_ones() -> None:
    """Beside seven hosts whose runs differ by 1 %, one whose runs differ by 4 %: none of its
    intervals is narrower than a spread of 2 % would make it, also where a cell's own few runs
    happen to lie close together."""
    rng = np.random.default_rng(3)
    cells = [ENCODE.but(setting=Setting(threads=n)) for n in range(1, 6)]
    fleet = {
        f"h{n}": runs(f"h{n}", *({c: QUIET + rng.normal(0, sd) for c in cells} for _ in range(4)))
        for n, sd in enumerate((0.04, *[0.01] * 7))
    }
    [restless] = (host for host in judged(fleet).hosts if host.host == "h0")
    ends = [(c.cost_ratio.low, c.cost_ratio.high) for c in restless.report.cells]
    least = stats.norm.ppf(1 - 0.05 / 2 / 40) * 0.02 * math.sqrt(1 + 1 / 3)
    assert min(math.log(high / low) / 2 for low, high in ends) > least


def test_the_baseline_is_of_the_latest_runs_that_compare() -> None:
    """At most so many; one with too few rounds of a cell is passed over while there are others; of
    none that compares the last one, so that the reason is told, with exit code 12."""
    mine = runs("a", *[both()] * (BASELINE_RUNS + 3))
    few = run_on("a", {ENCODE: QUIET, SCRUB: QUIET[:2]}, number=20)
    newest = run_on("a", both(), number=21)
    assert choose_baseline([*mine, few], newest) == mine[-BASELINE_RUNS:]
    assert choose_baseline([few], newest) == [few]
    other = run_on("a", {ENCODE.but(clip="harbour"): QUIET}, number=20)
    found = judged({"a": [other, newest]})
    assert (found.verdict, found.exit_code) == ("not comparable", 12)
    assert run_evidence([other], [newest]) == {}


def test_what_was_not_looked_at_is_no_pass(checks: Path) -> None:
    """A run of this check that cannot be read makes it "not comparable" at best; one of an earlier
    check is left out and told; a folder of another name is no check."""
    steady = {"a": runs("a", both(), both())}
    assert judged(steady).exit_code == 0
    assert judged(steady, faults=["a host: lost"]).exit_code == 12
    (checks / "20260301T100000Z" / "slow" / MANIFEST_NAME).write_text("{")
    (checks / "20260303T100000Z" / "steady" / MANIFEST_NAME).write_text("{")
    lay(checks / "elsewhere", {"b": runs("b", both())})
    found = read_checks(checks)
    assert (len(found.left_out), len(found.faults), set(found.newest)) == (1, 1, {"slow", "new"})
    assert len(found.earlier["slow"]) == 1
    assert run_store.newest_check(checks).name == found.name == "20260303T100000Z"
    with pytest.raises(RunError):
        read_checks(checks / "elsewhere" / "20260301T100000Z")


def test_wrong_pictures_are_not_told_as_slower() -> None:
    """A host that shows some where it showed none is regressed, and the headline says by what."""
    costs = both()
    manifest = run_on("a", costs).manifest
    given = {"kernel": QUIET, "run_id": "bad", "manifest": manifest, "start_minute": 30}
    bad = build_run(costs, wrong={SCRUB: 1}, **given)
    found = judged({"a": [run_on("a", costs), bad], "b": runs("b", both(), both())})
    assert (found.hosts[0].verdict, found.exit_code) == ("regressed", 10)
    assert fleet_headline(found) == (
        "a gave wrong pictures, unlike before; no host got slower by more than 5 %"
    )


def test_hosts_of_one_label_are_both_told() -> None:
    """The worst of both bounds what is said of the others."""
    twins = {f"h{n}": runs("twin", both(), both(math.log(1 + 0.01 * n))) for n in (3, 0)}
    ends = [c.cost_ratio.high for h in judged(twins).hosts for c in h.report.cells]
    told = fleet_headline(judged(twins))
    assert f"{math.ceil(1000 * (max(ends) - 1)) / 10:.1f} %" in told


def test_the_page_is_whole(checks: Path) -> None:
    """No id twice, every link has its aim, the same bytes twice; somebody else's page is left."""
    found = mezzmark.fleet_check(judge_only=True, out=checks)
    text = (checks / "fleet.html").read_bytes()
    page = Page(text.decode())
    assert max(page.ids.values()) == 1
    assert page.links
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)
    assert page.tags["svg"] == 1
    write_fleet_page(found, checks)
    assert (checks / "fleet.html").read_bytes() == text
    (checks / "fleet.html").write_text("mine")
    with pytest.raises(DestinationError):
        mezzmark.fleet_check(judge_only=True, out=checks)


def test_more_hosts_take_more_figures() -> None:
    """Ten hosts a figure, each host and cell once, and all figures on one axis."""
    found = build_fleet(judged({f"h{n:02d}": runs(f"h{n:02d}", both(), both()) for n in range(12)}))
    pictures = (*found.pictures, *found.groups[0].pictures)
    assert len(pictures) == 2
    marks = [str(p.page_svg).count('class="mark"') for p in pictures]
    assert marks == [20, 4]


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    """Hosts and clips of any name: in the page no tag and no attribute comes of them, JUnit is
    well-formed."""
    hosts = {}
    for n, name in enumerate(HOSTILE_NAMES):
        cell = ENCODE.but(clip=name)
        hosts[f"h{n}"] = runs(name, {cell: QUIET}, {cell: QUIET + SLOWER * (n % 2)})
    out = lay(tmp_path / "checks", hosts)
    done = CliRunner().invoke(
        app, ["fleet", "check", "--judge-only", "--out", str(out), "--format", "junit"]
    )
    assert done.exit_code == 10
    root = ElementTree.fromstring(done.stdout)
    assert (root.tag, len(root)) == ("testsuites", len(hosts))
    page = Page((out / "fleet.html").read_text(encoding="utf-8"))
    assert page.tags["script"] == 1
    assert not {name for name in page.attributes if name.startswith("on")}
    assert "\x1b" not in done.stdout


@pytest.mark.parametrize("form", ["table", "markdown", "json"])
def test_every_form_says_who(checks: Path, form: str) -> None:
    """The slower host by name, with the exit code; JSON holds the report's fields and its words."""
    given = ["fleet", "check", "--judge-only", "--out", str(checks), "--format", form]
    done = CliRunner().invoke(app, given)
    assert done.exit_code == 10
    assert "slow got slower by more than 5 %" in done.stdout
    if form == "json":
        told = json.loads(done.stdout)
        assert told["hosts"][0]["report"]["verdict"] == told["verdict"] == "regressed"
        assert told["sentences"][0].startswith("slow ")


def test_the_first_check_begins_the_history(tmp_path: Path) -> None:
    """Exit code 0, no figure, and said so."""
    out = lay(tmp_path / "checks", {"a": runs("a", both())})
    done = CliRunner().invoke(app, ["fleet", "check", "--judge-only", "--out", str(out)])
    assert done.exit_code == 0
    assert "this check is the baseline of 1 host" in done.stdout
    assert "<svg" not in (out / "fleet.html").read_text(encoding="utf-8")


def test_the_words_of_a_check() -> None:
    """A fleet with every kind of host, as a person has read and accepted it."""
    moved = runs("moved", both(), both(SLOWER))
    trials = tuple(
        t.model_copy(
            update={"measurement": t.measurement.model_copy(update={"wall_ns": (4 * 10**9,) * 3})}
        )
        if t.cell.task == "kernel"
        else t
        for t in moved[-1].trials
    )
    fleet = {
        "slow": runs("slow", both(), both(SLOWER)),
        "fast": runs("fast", both(), both(-SLOWER)),
        "moved": [moved[0], Run(moved[1].manifest, trials)],
        "new": runs("new", both()),
        "part": runs("part", {ENCODE: QUIET}, both()),
        "updated": [
            run_on("updated", both(), kernel="6.8.0-45"),
            run_on("updated", both(), number=1, kernel="6.8.0-50"),
        ],
    }
    found = judged(fleet, left_out=["old: damaged"], faults=["late: no answer"])
    lines = [*fleet_sentences(found), "", *fleet_cautions(found), "", *fleet_rules(found)]
    assert_matches_snapshot("\n".join([*lines, "", fleet_markdown(found)]), "fleet_check")


@pytest.mark.parametrize(
    ("short", "where"),
    [
        ((0,), "earlier checks (a-0)"),
        ((1,), "this check (a-1)"),
        ((0, 1), "earlier checks (a-0) and this check (a-1)"),
    ],
)
def test_too_few_rounds_say_in_which_check_and_what_to_do(short: Sequence[int], where: str) -> None:
    """Only this check can be given more rounds; by it the next one is judged."""
    found = judged({"a": runs("a", *({ENCODE: QUIET[: 2 if k in short else 8]} for k in (0, 1)))})
    [line, *todo] = unjudged_fleet_lines(found)
    assert line == f"a: 1 cell inconclusive: fewer than 3 finished rounds in {where}."
    assert any("--resume and --rounds 3" in text for text in todo) is (1 in short)
    assert any("the next is judged by this one" in text for text in todo) is (0 in short)
    assert len(todo) == len(short)


def test_a_host_that_was_busy_is_named_with_its_load() -> None:
    """On the page before anything else, with the cores that the load is of; an idle host is not."""
    busy, idle = runs("busy", both(), both()), runs("idle", both(), both())
    moment = HostMoment(load_average_1m=15.4)
    trials = tuple(t.model_copy(update={"host_before": moment}) for t in busy[1].trials)
    found = judged({"busy": [busy[0], Run(busy[1].manifest, trials)], "idle": idle})
    [caution] = build_fleet(found).cautions
    assert "busy, 15.4 to 15.4 on 4 cores" in caution
    assert "idle" not in caution
