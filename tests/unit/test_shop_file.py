"""Shop files: what is read, what a mistake is answered with, and checking one without a run."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from mezzmark.cli.app import app
from mezzmark.model.errors import ScenarioError
from mezzmark.model.shop import Camera, Shop
from mezzmark.store.toml_files import find_scenario, read_shop

EXAMPLE = Path(__file__).parents[2] / "scenarios" / "shops" / "shop-example.toml"

CAMERA = '[[cameras]]\nname = "a"\nbitrate_bps = 100_000_000\nhours_per_day = 3\n'
GOOD = f'name = "ours"\neditors = 3\n{CAMERA}'


def _changed(changes: dict[str, str]) -> str:
    text = GOOD
    for before, after in changes.items():
        assert before in text
        text = text.replace(before, after)
    return text


def _problem(folder: Path, text: str) -> str:
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_shop(path)
    return str(caught.value)


def test_the_shipped_shop_is_found_by_its_name() -> None:
    """With and without the folder that it ships in."""
    assert find_scenario("shop-example") == find_scenario("shops/shop-example")


def test_the_shipped_shop_is_read_whole() -> None:
    """The example names three kinds of keys (people, network, day) and two cameras."""
    shop = read_shop(EXAMPLE)
    assert [camera.name for camera in shop.cameras] == ["main", "small"]
    assert shop.link_gbps == 10


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"editors = 3": "editors = 3\nlink_gbps = 40"}, "1, 2.5, 10, 25, 100"),
        ({GOOD: "name = "}, "TOML"),
        ({GOOD: 'name = "a"\neditors = 3\ncameras = []\n'}, "at least one entry"),
        (
            {"editors": "editor"},
            'line 2, editor: there is no key "editor". Did you mean "editors"?',
        ),
        ({"hours_per_day": "hour_per_day"}, 'Did you mean "hours_per_day"?'),
        ({"hours_per_day = 3": "hours_per_day = 30"}, "30 is not legal"),
        ({"100_000_000": '"fast"'}, '"fast" is not a quantity'),
        ({"hours_per_day = 3": "hours_per_day = 5e-324"}, "at least 0.01"),
        ({"hours_per_day = 3": "hours_per_day = 3\ncount = 1000\ncards_per_day = 11"}, "10,000"),
    ],
)
def test_a_mistake_is_one_problem_on_one_line(
    tmp_path: Path, changes: dict[str, str], words: str
) -> None:
    """A wrong value, a misspelt key of the shop or of a camera, and broken TOML name the file, the
    finding and the remedy. What follows from it is not counted: a key that is missing because it is
    misspelt, a list of cameras too short because its only one is wrong."""
    found = _problem(tmp_path, _changed(changes))
    assert words in found
    assert "shop.toml" in found
    assert "\n" not in found
    assert "more problem" not in found


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"editors = 3": "editors = 0", "hours_per_day = 3": "hours_per_day = 30"}, "at most 24"),
        ({"editors = 3": "editors = 0\nretention_day = 9"}, 'Did you mean "retention_days"?'),
    ],
)
def test_two_mistakes_are_counted_as_two(
    tmp_path: Path, changes: dict[str, str], words: str
) -> None:
    """The first problem is told and one more is announced; an unknown key comes before a wrong
    value, since what was meant by it may explain the rest."""
    found = _problem(tmp_path, _changed(changes))
    assert words in found
    assert "(1 more problem after this one)" in found


@pytest.mark.parametrize(
    ("written", "bitrate_bps"),
    [
        ("400 Mbit/s", 400_000_000),
        ("1.2 Gbit/s", 1_200_000_000),
        ("66.6 Mbit/s", 66_600_000),
        ("50000 kbit/s", 50_000_000),
        ("100000000", 100_000_000),
        ("400 Mbps", 400_000_000),
        ("50 MB/s", 400_000_000),
        ("400 MBit/s", 400_000_000),
        (100_000_000, 100_000_000),
    ],
)
def test_a_bit_rate_may_carry_its_unit(written: object, bitrate_bps: int) -> None:
    """A camera's bit rate is read as the limit of a need is; the prefixes are decimal."""
    camera = Camera.model_validate({"name": "a", "bitrate_bps": written, "hours_per_day": 1})
    assert camera.bitrate_bps == bitrate_bps


@pytest.mark.parametrize("written", ["10 Gbit/s", "10000 Mbit/s", "10", 10])
def test_a_link_may_carry_its_unit(written: object) -> None:
    """A link's speed is in Gb/s when it is a number, and may be written with a unit."""
    camera = Camera(name="a", bitrate_bps=100_000, hours_per_day=1)
    shop = Shop.model_validate(
        {"name": "s", "editors": 1, "cameras": [camera], "link_gbps": written}
    )
    assert shop.link_gbps == 10


@pytest.mark.parametrize(
    "written", ["400 Mbyte", "400 mb/s", "400 MBPS", "many", "", "-1", "1e999"]
)
def test_a_bit_rate_that_is_none_tells_what_is_legal(tmp_path: Path, written: str) -> None:
    """A unit that is not one of bit rates is refused, with the legal ones named."""
    found = _problem(tmp_path, GOOD.replace("100_000_000", f'"{written}"'))
    assert "line 5, cameras[1].bitrate_bps" in found
    assert f'"{written}" is not a quantity in bit/s' in found
    assert "bit/s, kbit/s, Mbit/s, Gbit/s" in found


def test_a_bare_bit_rate_far_too_small_is_asked_back(tmp_path: Path) -> None:
    """300 is illegal, and was hardly meant as bits a second."""
    assert '"300 Mbit/s"?' in _problem(tmp_path, GOOD.replace("100_000_000", "300"))


def test_a_missing_shop_names_the_path(tmp_path: Path) -> None:
    """A path without a file is an expected error."""
    with pytest.raises(ScenarioError, match=r"none\.toml"):
        read_shop(tmp_path / "none.toml")


def test_a_shop_is_checked_without_a_run(tmp_path: Path) -> None:
    """`size --check` needs no run: it tells the day that the file means (3 h at 100 Mbit/s are
    135 GB), and which values are defaults; a broken file fails as sizing would."""
    path = tmp_path / "shop.toml"
    path.write_text(GOOD, encoding="utf-8")
    done = CliRunner().invoke(app, ["size", "--shop", str(path), "--check"])
    assert done.exit_code == 0, done.output
    assert "3 editors, and a shooting day of 3 h of footage on 2 cards, 135 GB" in done.output
    assert "retention_days = 90" in done.output
    assert "core_counts = none" in done.output
    assert "  editors = 3" not in done.output
    assert f"mezzmark size RUN --shop {path}" in done.output
    path.write_text(GOOD.replace("editors", "editor"), encoding="utf-8")
    done = CliRunner().invoke(app, ["size", "--shop", str(path), "--check"])
    assert isinstance(done.exception, ScenarioError)
