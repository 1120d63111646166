"""What a choice says, in every form that it can take: one snapshot, which a person reads."""

from dataclasses import replace

import pytest
from test_choose import QUIET, TWO, choose, encoding, made, without
from test_choose_unmeasured import COLOUR, plan

from fixtures.fabricated_run import EIGHT, THREE, FabricatedEncoding, Spread
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.choose.choice import Choice, NeedResult
from mezzmark.decide.choose.choose import choose_encoding
from mezzmark.decide.machine.noise import Disturbance
from mezzmark.model.encoding import ORIGINAL, CustomEncoding
from mezzmark.model.estimate import Estimate
from mezzmark.model.request import ChooseSettings, Need
from mezzmark.report.prose.choice import (
    against_text,
    basis_text,
    choice_sentences,
    choosing_warnings,
    findings,
    headline,
    standing,
)
from mezzmark.report.prose.method import disturbance_text
from mezzmark.report.prose.needs import margin_text

WAIT, SIZE = "less scrub.jump.p50_ms", "less bitrate_bps"


def choices() -> dict[str, Choice]:
    """One of each verdict, and of what may stand beside it."""
    two, three, eight = made(TWO), made(THREE), made(EIGHT, rounds=10)
    alike = made((encoding("one", 20, 100), encoding("two", 20, 100), encoding("slow", 80, 100)))
    noisy = made((encoding("edge", 20, 100), encoding("sure", 15, 200)), spread=Spread())
    limit = choose(noisy).find("edge").figures["scrub.jump.p50_ms"].point
    edge = f"scrub.jump.p50_ms <= {limit:.6f}"
    liar = FabricatedEncoding(name="liar", jump_ms=1, bitrate_bps=1e6, wrong_fraction=0.2)
    lacking = without(made((*TWO, liar)), encoding="small", task="encode")
    runs = [made(THREE, seed=seed, spread=QUIET) for seed in (1, 2, 3)]
    return {
        "recommended by needs": choose(
            eight, needs=("scrub.jump.p95_ms <= 100", "bitrate_bps <= 400 Mbit/s")
        ),
        "recommended by weights": choose(two, weights={WAIT: 1.5, SIZE: 1.0}),
        "the original": choose(three, needs=("encode.throughput_fps >= 1000",), wishes=(SIZE,)),
        "two alike": choose(alike, wishes=(WAIT,)),
        "one more is open": choose(noisy, needs=(edge,), wishes=(SIZE,)),
        "leader is open": choose(without(noisy, encoding="sure"), needs=(edge,), wishes=(SIZE,)),
        "none meets": choose(eight, needs=("intra = true", "bit_depth >= 12", "chroma = 4:4:4")),
        "nearly meets": choose(two, needs=("scrub.jump.p50_ms <= 10", "bitrate_bps <= 50 Mbit/s")),
        "nothing to judge": choose(made((liar, replace(liar, name="another liar")))),
        "too few rounds": choose(made(TWO, rounds=2), needs=("scrub.jump.p95_ms <= 5",)),
        "need not measured": choose(two, needs=(COLOUR, "scrub.jump.p95_ms <= 1000")),
        "need alone not measured": choose(alike, needs=("scrub.hop.p95_ms <= 9",), wishes=(WAIT,)),
        "need asked for, never finished": choose(
            without(two, task="encode"), needs=("encode.throughput_fps >= 10",), wishes=(SIZE,)
        ),
        "neither need nor first wish measured": choose(
            without(two, task="encode"),
            needs=("encode.throughput_fps >= 10",),
            wishes=("less fidelity.delta_e_max", SIZE),
        ),
        "wish not measured": choose(two, wishes=("less fidelity.delta_e_max", SIZE)),
        "without rounds": choose(without(without(two, task="scrub"), task="encode")),
        "not judged": choose(lacking),
        "two runs": choose_encoding(runs[:2], ChooseSettings()),
        "three runs": choose_encoding(runs, ChooseSettings()),
    }


def told(choice: Choice) -> list[str]:
    against = (
        f"  {entry.encoding}: {entry.status}: {text}"
        for entry in choice.encodings
        if (text := against_text(choice, entry))
    )
    return [*choice_sentences(choice), *against, basis_text(choice)]


def test_disturbed_trials_stand_beside_what_is_certain() -> None:
    """Where others would be chosen without them no number of rounds is said to settle it."""
    found = choices()["one more is open"].model_copy(update={"rounds_missing": 2})
    doubt = Disturbance(
        disturbed_count=3, trial_count=9, leaders={"sure"}, leaders_without={"edge"}
    )
    doubted = found.model_copy(update={"disturbance": doubt})
    assert ("more rounds" in headline(found), "more rounds" in headline(doubted)) == (True, False)
    assert findings(doubted)[0] == disturbance_text(doubt)
    two = choices()["recommended by weights"].model_copy(update={"disturbance": doubt})
    assert sum("with 3 of 9 trials disturbed" in text for text in standing(two)) == 1


def test_originals_that_hardly_meet_a_need_are_not_said_to_meet_all() -> None:
    """Where nothing else is left, and the original will meet a need at 1 in 100."""
    found = choices()["the original"]
    assert headline(found).startswith("No intermediate is needed")
    encodings = [
        entry.model_copy(update={"chance_measured": 0.01} if entry.encoding == ORIGINAL else {})
        for entry in found.encodings
    ]
    unsure = found.model_copy(update={"encodings": tuple(encodings), "chance_best": 0.01})
    assert headline(unsure).startswith("Nothing is likely to meet every need; original comes")


def test_the_choice_reads_well() -> None:
    """Every verdict with its findings, tipping points and what speaks against each encoding."""
    blocks = ["\n".join([f"[{name}]", *told(choice)]) for name, choice in choices().items()]
    assert_matches_snapshot("\n\n".join(blocks), "choice")


def test_warnings_of_a_scenario_read_well() -> None:
    """What to add, as a table, a pattern, a metric and a count; and a codec that nothing has."""
    table = ChooseSettings.model_validate(
        {
            "needs": [
                *(COLOUR, "ingest.makespan_s <= 9", "encode.2t.throughput_fps >= 9"),
                *("codec = VC3X", "codec = libother"),
            ],
            "wishes": ["less scrub.near.p50_ms"],
        }
    )
    custom = CustomEncoding(name="mine", encoder="libother", pixel_format="yuv420p")
    found = (
        *choosing_warnings(plan(choose=table, custom_encodings=(custom,))),
        *choosing_warnings(plan(choose=table, scrub=None)),
    )
    assert_matches_snapshot("\n".join(found), "choice_warnings")


@pytest.mark.parametrize(
    ("need", "value", "expected"),
    [
        ("scrub.jump.p95_ms <= 100", 88.0, "12 % below the limit"),
        ("scrub.jump.p95_ms <= 100", 112.0, "12 % above the limit"),
        ("scrub.jump.p95_ms <= 100", 845.0, "8.4× the limit"),
        ("encode.throughput_fps >= 30", 45.0, "50 % above the limit"),
        ("encode.throughput_fps >= 30", 29.0, "3.3 % below the limit"),
        ("encode.throughput_fps >= 30", 12.0, "60 % below the limit"),
        ("fidelity.psnr_db >= 40", 38.75, "1.2 dB below the limit"),
    ],
)
def test_a_margin_names_its_side(need: str, value: float, expected: str) -> None:
    """Where the value lies towards the limit, whichever way the need reads."""
    asked = Need.parse(need)
    assert asked.limit is not None
    assert asked.figure is not None
    room = (asked.limit - value) * (1 if asked.operator == "<=" else -1)
    is_db = asked.figure.unit == "dB"
    result = NeedResult(
        need=asked,
        outcome="open",
        value=Estimate.exact(value, asked.figure.unit),
        margin_db=room if is_db else None,
        margin_fraction=None if is_db else room / asked.limit,
    )
    assert margin_text(result) == expected
