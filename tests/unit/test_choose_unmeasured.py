"""A need that was not measured: nobody is recommended, and the reader is told what to do."""

from dataclasses import replace

import numpy as np
import pytest
from test_choose import TWO, choose, made, without

from fixtures.fabricated_run import THREE, Fabrication, fabricate_run
from mezzmark.decide.choose.choice import Addition
from mezzmark.decide.choose.choose import list_unmeasured
from mezzmark.decide.estimate.observed_run import observe
from mezzmark.decide.estimate.rounds import estimate_figures
from mezzmark.model.encoding import ORIGINAL, CustomEncoding
from mezzmark.model.request import ChooseSettings
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.fidelity import FidelitySettings
from mezzmark.model.tasks.grid import GridSettings
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.report.prose.answer import run_answer
from mezzmark.report.prose.choice import choosing_warnings, headline, rounds_text
from mezzmark.report.tables.choice import choice_text
from mezzmark.report.view import RunView

COLOUR = "fidelity.delta_e_max <= 1"


def test_nobody_is_recommended_under_a_need_that_was_not_measured() -> None:
    """The need is named with what to add, and who is best by the rest."""
    choice = choose(made(TWO), needs=(COLOUR, "scrub.jump.p50_ms <= 1000"))
    assert (choice.verdict, choice.recommendation, choice.chosen) == ("cannot say", None, ())
    assert choice.by_other_needs == choice.leader == "nimble"
    assert [need.text for need in choice.needs_not_shown] == [COLOUR]
    [missing] = choice.needs_not_shown
    assert choice.how_to_measure == {missing: Addition(task="fidelity", is_new_table=True)}
    assert choice_text(choice).startswith(headline(choice))


def test_nobody_is_said_to_meet_all() -> None:
    """Whether an encoding meets all is not known, and its status claims nothing; the chance by the
    measured needs is kept under its own name, and a miss of one of those still rules out."""
    choice = choose(made(TWO), needs=(COLOUR, "scrub.jump.p50_ms <= 30"))
    nimble, small = choice.find("nimble"), choice.find("small")
    assert (nimble.status, nimble.chance_all, nimble.chance_measured) == ("open", None, 1.0)
    assert (small.status, small.chance_all) == ("ruled out", None)


def test_a_need_alone_leaves_the_wishes() -> None:
    """Without another need the wishes alone speak, and what to add is a pattern."""
    choice = choose(made(TWO), needs=("scrub.step-forward.p95_ms <= 100",))
    assert (choice.leader, choice.needs_not_shown) == ("nimble", choice.needs)
    [addition] = choice.how_to_measure.values()
    assert addition == Addition(task="scrub", key="patterns", value="step-forward")


def test_a_measured_miss_needs_no_further_measuring() -> None:
    """Where every encoding misses a measured need, the answer stands whatever was not measured."""
    choice = choose(made(TWO), needs=(COLOUR, "scrub.jump.p50_ms <= 1"))
    assert (choice.verdict, choice.by_other_needs) == ("none meets", None)


def test_what_was_asked_for_and_never_finished_is_measured_again() -> None:
    """A task of the scenario without a finished trial is not told to be added."""
    run = without(made(TWO), task="encode")
    choice = choose(run, needs=("encode.throughput_fps >= 10",), wishes=("less bitrate_bps",))
    assert (choice.verdict, choice.how_to_measure) == ("cannot say", {})


def test_the_page_does_not_recommend_either() -> None:
    """The answer of a report whose scenario names a figure that it does not measure."""
    manifest, trials = fabricate_run(Fabrication(encodings=THREE, patterns=("jump",)))
    table = ChooseSettings.model_validate({"needs": [COLOUR], "wishes": ["less scrub.jump.p50_ms"]})
    scenario = manifest.scenario.model_copy(update={"choose": table})
    view = RunView(manifest.model_copy(update={"scenario": scenario}), trials)
    assert view.choice is not None
    assert view.choice.verdict == "cannot say"
    assert run_answer(view).headline == headline(view.choice)
    assert {view.role(entry.encoding) for entry in view.choice.encodings} == {"original", "other"}


def test_wishes_decided_without_rounds_say_what_decided() -> None:
    """Of the usual wishes only the size was measured: that decides without a round, and what else
    could be asked is named."""
    run = without(made(TWO), task="scrub")
    choice = choose(without(run, task="encode"))
    assert (choice.recommendation, choice.unit_count) == ("small", 0)
    assert [wish.goal for wish in choice.wishes] == ["less bitrate_bps"]
    encoded = choose(run, wishes=("less bitrate_bps", "less scrub.jump.p50_ms"))
    assert [wish.goal for wish in encoded.wishes_not_measured] == ["less scrub.jump.p50_ms"]
    assert "more encode.throughput_fps" in [wish.goal for wish in encoded.alternatives]


def test_a_partial_last_round_is_no_whole_one() -> None:
    """Six rounds begun, the last without one encoding: five whole rounds."""
    run = without(made(TWO), encoding="small", round_index=5)
    choice = choose(run)
    assert (choice.unit_count, choice.begun_count) == (5, 6)
    assert rounds_text(choice) == "5 whole rounds"
    assert rounds_text(choose(made(TWO))) == "6 rounds"


def test_the_point_of_p95_is_that_of_all_moves() -> None:
    """Two clips of which one is ten times slower: the p95 over both is the slow clip's, as the
    report has it, and no mean of the two."""
    run = made(TWO, clips=("street", "forest"))
    slow = tuple(
        trial.model_copy(
            update={
                "measurement": trial.measurement.model_copy(
                    update={"decode_ns": tuple(10 * ns for ns in trial.measurement.decode_ns)}
                )
            }
        )
        if trial.cell.task == "scrub" and trial.cell.clip == "forest"
        else trial
        for trial in run.trials
    )
    choice = choose(type(run)(run.manifest, slow), needs=("scrub.jump.p95_ms <= 100",))
    mine = [
        o
        for o in observe(slow)
        if o.cell.encoding == "nimble"
        and (o.cell.setting["pattern"], o.cell.clip) == ("jump", "forest")
    ]
    moves = np.concatenate([o.work.latencies_ms for o in mine])
    result = choice.find("nimble").needs[0]
    told = result.value
    assert told is not None
    assert (result.clip, result.rounds_missing) == ("forest", 4)
    assert told.point == pytest.approx(np.quantile(moves, 0.95, method="median_unbiased"))
    assert told == estimate_figures(mine, confidence_level=0.95)["p95_ms"]
    assert result.margin_fraction == pytest.approx(1 - told.point / 100)


def test_a_round_that_only_one_has_is_its_own_noise() -> None:
    """A sixth round of one encoding moves its point, as in the report, and widens its spread."""
    run = made(TWO)
    partial = without(run, encoding="small", round_index=5)
    whole, part = choose(run), choose(partial)
    name = "scrub.jump.p50_ms"
    assert part.find("nimble").figures[name] == whole.find("nimble").figures[name]
    assert part.find("small").figures[name].round_count == 5


def plan(**changes: object) -> Scenario:
    base: dict[str, object] = {
        "name": "test",
        "seed": 1,
        "clips": [{"name": "c", "files": ["c.mov"]}],
        "scrub": ScrubSettings(patterns=("jump",)),
        "encode": EncodeSettings(threads=(1, 4)),
    }
    return Scenario.model_validate(base | changes)


@pytest.mark.parametrize(
    ("need", "changes", "missing"),
    [
        (COLOUR, {}, Addition(task="fidelity", is_new_table=True)),
        (COLOUR, {"fidelity": FidelitySettings()}, None),
        (
            "fidelity.ssim >= 0.9",
            {"fidelity": FidelitySettings(metrics=("psnr",))},
            Addition(task="fidelity", key="metrics", value="ssim"),
        ),
        (
            "scrub.near.p95_ms <= 9",
            {},
            Addition(task="scrub", key="patterns", value="near"),
        ),
        (
            "scrub.near.p95_ms <= 9",
            {"scrub": None},
            Addition(task="scrub", key="patterns", value="near", is_new_table=True),
        ),
        ("scrub.jump.p95_ms <= 9", {}, None),
        ("encode.2t.throughput_fps >= 9", {}, Addition(task="encode", key="threads", value=2)),
        ("encode.4t.throughput_fps >= 9", {}, None),
        ("scrub.jump.2t.p95_ms <= 9", {}, None),
        ("ingest.makespan_s <= 9", {}, Addition(task="ingest", is_new_table=True)),
        (
            "grid.3j.throughput_fps >= 9",
            {"grid": GridSettings(jobs=(1, 2))},
            Addition(task="grid", key="jobs", value=3),
        ),
        ("bitrate_bps <= 9e6", {}, None),
        ("bit_depth >= 10", {}, None),
    ],
)
def test_a_scenario_says_what_it_does_not_measure(
    need: str, changes: dict[str, object], missing: Addition | None
) -> None:
    """Each need that no run could answer, with what to add; `all` may be any count."""
    table = ChooseSettings.model_validate({"needs": [need]})
    found = list_unmeasured(plan(choose=table, **changes))
    assert found == (() if missing is None else ((table.needs[0], missing),))


def test_warnings_are_of_needs_wishes_and_names() -> None:
    """One line each: a need and a wish that are not measured, and a codec that nothing here has; a
    codec that the scenario itself brings is none."""
    custom = CustomEncoding(name="mine", encoder="libother", pixel_format="yuv420p")
    table = ChooseSettings.model_validate(
        {
            "needs": [COLOUR, "codec = VC3X", "codec = libother"],
            "wishes": ["less scrub.near.p50_ms"],
        }
    )
    told = choosing_warnings(plan(choose=table, custom_encodings=(custom,)))
    assert [text.startswith("warning: [choose] ") for text in told] == [True] * 3
    assert "fidelity.delta_e_max" in told[0]
    assert "scrub.near.p50_ms" in told[1]
    assert "Nearest: VC-3" in told[2]
    assert choosing_warnings(plan()) == ()


def test_the_original_is_listed_before_its_first_trial() -> None:
    """While a run that plays it is not over; where the run is over, or only encodes, nothing of it
    will come."""
    run = without(made(THREE), encoding=ORIGINAL)
    going_on = replace(run, manifest=run.manifest.model_copy(update={"stop_reason": ""}))
    assert choose(going_on).find(ORIGINAL).status == "not judged"
    only = {"tasks": {"encode": run.manifest.scenario.tasks["encode"]}}
    encoding = going_on.manifest.scenario.model_copy(update=only)
    encodes = going_on.manifest.model_copy(update={"scenario": encoding})
    for manifest in (run.manifest, encodes):
        judged = choose(replace(run, manifest=manifest)).encodings
        assert {entry.encoding for entry in judged} == {one.name for one in THREE[1:]}
