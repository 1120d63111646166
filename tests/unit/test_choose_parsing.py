"""Needs and wishes as people write them, and what they are told when it cannot be read."""

import pytest
from pydantic import ValidationError

from mezzmark.decide.choose.choose import settings_for
from mezzmark.model.errors import ScenarioError
from mezzmark.model.figures import figure_names, parse_figure
from mezzmark.model.request import ChooseSettings, Need, Wish, doubtful_limit, parse_wishes


@pytest.mark.parametrize("name", figure_names())
def test_every_listed_figure_can_be_named(name: str) -> None:
    """Whatever the errors suggest can be written."""
    assert parse_figure(name, where="test").name == name


@pytest.mark.parametrize(
    ("text", "operator", "limit"),
    [
        ("scrub.jump.p95_ms <= 100", "<=", 100),
        ("scrub.jump.p95_ms<0.1 s", "<=", 100),
        ("scrub.step-back.p50_ms ≤ 40 ms", "<=", 40),
        ("encode.throughput_fps >= 30", ">=", 30),
        ("encode.1t.throughput_fps > 30 fps", ">=", 30),
        ("bitrate_bps <= 400e6", "<=", 400_000_000),
        ("bitrate_bps <= 400_000_000", "<=", 400_000_000),
        ("bitrate_bps <= 400 Mbit/s", "<=", 400_000_000),
        ("bitrate_bps <= 400 Mbps", "<=", 400_000_000),
        ("bitrate_bps <= 400Mb/s", "<=", 400_000_000),
        ("bitrate_bps <= 50 MB/s", "<=", 400_000_000),
        ("ingest.makespan_s <= 2 h", "<=", 7200),
        ("fidelity.psnr_db >= 40 dB", ">=", 40),
    ],
)
def test_limits_are_read_with_their_units(text: str, operator: str, limit: float) -> None:
    """A limit is in the figure's own unit, whatever unit it is written in."""
    need = Need.parse(text)
    assert (need.operator, need.limit) == (operator, pytest.approx(limit))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("alpha = true", "true"),
        ("intra == Yes", "true"),
        ("lossless = no", "false"),
        ("bit_depth >= 10", "10"),
        ("bit_depth >= 10bit", "10"),
        ("bit_depth >= 10-bit", "10"),
        ("chroma = 4:2:2", "4:2:2"),
        ("chroma >= 422", "4:2:2"),
        ("chroma >= rgb", "RGB"),
        ('container = "mov"', "mov"),
        ("codec = VC-3", "VC-3"),
    ],
)
def test_facts_are_read(text: str, value: str) -> None:
    """What an encoding is can be asked for as people would write it."""
    need = Need.parse(text)
    assert (need.figure, need.value) == (None, value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("scrub.jmp.p95_ms <= 100", "scrub.jump.p95_ms"),
        ("scrub.p95_ms <= 100", "scrub.jump.p95_ms"),
        ("encode.fps >= 30", "encode.throughput_fps"),
        ("bitdepth >= 10", "bit_depth"),
        ("encode.4j.throughput_fps >= 30", "encode.throughput_fps"),
        ("encode.0t.throughput_fps >= 30", "encode.throughput_fps"),
        ("grid.2t.3t.throughput_fps >= 30", "grid.throughput_fps"),
        ("encode.throughput_fps = 30", "encode.throughput_fps >= 30"),
        ("bitrate_bps <= 400 apples", "Mbit/s"),
        ("bitrate_bps <= 0", "above 0"),
        ("bitrate_bps <= -5", "above 0"),
        ("alpha = maybe", "legal: true, false"),
        ("alpha >= true", "alpha = true"),
        ("bit_depth >= ten", "bit_depth >= 10"),
        ("chroma = 4:2:3", 'Nearest: "chroma = 4:2:'),
        ("chroma = many", "legal: 4:0:0, 4:1:1, 4:2:0, 4:2:2, 4:4:4, RGB"),
        ("bit_depth >= 99", "legal: 1 to 32"),
        ("nobody waits", "scrub.jump.p95_ms <= 100"),
    ],
)
def test_a_need_that_cannot_be_read_is_answered_with_what_can(text: str, told: str) -> None:
    """The error names the need and the nearest thing that may be written."""
    with pytest.raises(ScenarioError) as failure:
        Need.parse(text)
    assert text in failure.value.where
    assert told in failure.value.remedy


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("more scrub.jump.p50_ms", "less scrub.jump.p50_ms"),
        ("less encode.throughput_fps", "more encode.throughput_fps"),
        ("fast", "less scrub.jump.p50_ms"),
        ("less scrub.jump", "scrub.jump.p"),
        ("less bitrate_bps = much", "above 0"),
        ("less bitrate_bps = 0", "above 0"),
        ("less bitrate_bps = nan", "above 0"),
    ],
)
def test_a_wish_that_cannot_be_meant_is_refused(text: str, told: str) -> None:
    """Nobody wishes to wait longer: the error says which way round."""
    with pytest.raises(ScenarioError) as failure:
        Wish.parse(text)
    assert told in failure.value.remedy


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("bitrate_bps <= 300", "300 Mbit/s"),
        ("bitrate_bps <= 50_000", "50_000 kbit/s"),
        ("scrub.jump.p95_ms <= 0.1", "0.1 s"),
        ("bitrate_bps <= 300 bit/s", ""),
        ("bitrate_bps <= 100_000", ""),
        ("scrub.jump.p95_ms <= 1", ""),
        ("fidelity.delta_e_max <= 0.1", ""),
    ],
)
def test_a_limit_far_too_small_asks_for_its_unit(text: str, meant: str) -> None:
    """A bare number below what the figure can be is a question; one with a unit, and one that may
    be meant, are taken as they are."""
    doubt = doubtful_limit(Need.parse(text))
    assert bool(doubt) == bool(meant)
    if doubt:
        assert f'<= {meant}"?' in doubt.remedy
        with pytest.raises(ScenarioError, match="Did you mean"):
            settings_for([], needs=(text,))


def test_wishes_have_weights_all_or_none() -> None:
    """A list with one weight has no meaning, and is not guessed at."""
    with pytest.raises(ScenarioError, match="this one has none"):
        parse_wishes(["less bitrate_bps = 2", "less scrub.jump.p50_ms"])
    with pytest.raises(ScenarioError, match="twice"):
        parse_wishes(["less bitrate_bps", "less  bitrate_bps"])
    weighed = parse_wishes(["less bitrate_bps = 2", "less scrub.jump.p50_ms × 0.5"])
    assert [wish.weight for wish in weighed] == [2, 0.5]
    table = ChooseSettings.model_validate({"weights": {"less bitrate_bps": 2}})
    assert table.goals == parse_wishes(["less bitrate_bps = 2"])


def test_the_table_refuses_what_the_command_refuses() -> None:
    """A scenario's [choose] table is checked when it is read, not after hours of measuring."""
    for table, told in (
        ({"needs": ["scrub.jmp.p95_ms <= 100"]}, r"Nearest: scrub\.jump\.p95_ms"),
        ({"wishes": ["less bitrate_bps"], "weights": {"less bitrate_bps": 1}}, "one of the two"),
        ({"weights": {"less bitrate_bps": 0}}, "above 0"),
        ({"wishes": ["less bitrate_bps = 2", "less gb_per_hour"]}, "this one has none"),
    ):
        with pytest.raises(ValidationError, match=told):
            ChooseSettings.model_validate(table)


def test_a_table_is_stored_as_text() -> None:
    """Needs and wishes stand in files as people write them, and read back equal."""
    table = ChooseSettings.model_validate(
        {"needs": ["scrub.jump.p95_ms<0.1 s", "alpha = Yes"], "weights": {"less bitrate_bps": 2}}
    )
    stored = table.model_dump(mode="json")
    assert stored["needs"] == ["scrub.jump.p95_ms <= 0.1 s", "alpha = true"]
    assert (stored["wishes"], stored["weights"]) == ([], {"less bitrate_bps": 2.0})
    assert ChooseSettings.model_validate(stored) == table
    weighed = ChooseSettings.model_validate({"wishes": ["less bitrate_bps = 2"]})
    assert ChooseSettings.model_validate(weighed.model_dump(mode="json")) == weighed


@pytest.mark.parametrize(
    ("need", "met", "missed"),
    [
        ("bit_depth >= 10", ("10", "12"), ("8", "", "many")),
        ("bit_depth = 10", ("10",), ("8", "12")),
        ("bit_depth <= 10", ("8", "10"), ("12", "many")),
        ("chroma >= 4:2:2", ("4:2:2", "RGB"), ("4:2:0", "4:1:1")),
        ("codec = vc-3", ("VC-3",), ("RDD",)),
        ("alpha = false", ("false",), ("true",)),
    ],
)
def test_facts_are_compared(need: str, met: tuple[str, ...], missed: tuple[str, ...]) -> None:
    """Depth and chroma have an order, other facts are equal or not; what has no place in the order
    misses."""
    asked = Need.parse(need)
    assert [asked.is_met_by(value) for value in (*met, *missed)] == (
        [True] * len(met) + [False] * len(missed)
    )


@pytest.mark.parametrize(
    ("typed", "meant"), [("ssim", "fidelity.ssim"), ("psnr", "fidelity.psnr_db")]
)
def test_a_figure_without_its_task_is_found(typed: str, meant: str) -> None:
    """The last part of a name alone is answered with the whole name first."""
    with pytest.raises(ScenarioError) as caught:
        parse_figure(typed, where="need")
    assert f"Nearest: {meant}" in caught.value.remedy
