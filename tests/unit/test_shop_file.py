"""Shop files: what is read, what a mistake is answered with, and checking one without a run."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from mezzmark.cli.app import app
from mezzmark.model.errors import ScenarioError
from mezzmark.model.shop import Camera, Shop
from mezzmark.store.toml_files import read_shop

EXAMPLE = Path(__file__).parents[2] / "scenarios" / "shops" / "shop-example.toml"

CAMERA = '[[cameras]]\nname = "a"\nbitrate_bps = 100_000_000\nhours_per_day = 3\n'
GOOD = f'name = "ours"\neditors = 3\n{CAMERA}'


def _problem(folder: Path, text: str) -> str:
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_shop(path)
    return str(caught.value)


def test_the_shipped_shop_is_read_whole() -> None:
    """The example names three kinds of keys (people, network, day) and two cameras."""
    shop = read_shop(EXAMPLE)
    assert [camera.name for camera in shop.cameras] == ["main", "small"]
    assert shop.link_gbps == 10


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GOOD.replace("editors = 3", "editors = 3\nlink_gbps = 40"), "1, 2.5, 10, 25, 100"),
        (GOOD.replace("editors", "edtors"), 'Did you mean "editors"?'),
        ("name = ", "TOML"),
    ],
)
def test_a_broken_shop_is_one_clear_line(tmp_path: Path, text: str, words: str) -> None:
    """A wrong speed, a misspelt key and broken TOML name the file, the finding and the remedy."""
    found = _problem(tmp_path, text)
    assert words in found
    assert "shop.toml" in found
    assert "\n" not in found


MORE = "(1 more problem after this one)"


@pytest.mark.parametrize(
    ("changes", "words", "count"),
    [
        ({"editors": "editor"}, "shop.toml, line 2, editor", 1),
        ({"editors": "editor"}, 'there is no key "editor". Did you mean "editors"?', 1),
        ({"hours_per_day": "hour_per_day"}, 'Did you mean "hours_per_day"?', 1),
        ({"hours_per_day = 3": "hours_per_day = 30"}, "hours_per_day", 1),
        ({"100_000_000": '"fast"'}, "bitrate_bps", 1),
        ({"editors = 3": "editors = 0", "hours_per_day = 3": "hours_per_day = 30"}, "30 is", 2),
        (
            {"editors = 3": "editors = 0\nretention_day = 9"},
            'Did you mean "retention_days"?',
            2,
        ),
    ],
)
def test_each_mistake_is_one_problem(
    tmp_path: Path, changes: dict[str, str], words: str, count: int
) -> None:
    """A misspelt key is told with its line and the key that was meant, before a wrong value, and is
    not also missing; a wrong value in the only camera does not make the list too short."""
    text = GOOD
    for old, new in changes.items():
        text = text.replace(old, new)
    found = _problem(tmp_path, text)
    assert words in found
    assert (MORE in found) is (count == 2)
    assert ("more problem" in found) is (count == 2)


def test_no_camera_at_all_is_a_list_too_short(tmp_path: Path) -> None:
    """An empty list is a mistake of its own."""
    assert "at least one entry" in _problem(tmp_path, 'name = "a"\neditors = 3\ncameras = []\n')


@pytest.mark.parametrize(
    ("written", "bitrate_bps"),
    [
        ("400 Mbit/s", 400_000_000),
        ("1.2 Gbit/s", 1_200_000_000),
        ("66.6 Mbit/s", 66_600_000),
        ("50000 kbit/s", 50_000_000),
        ("100000000", 100_000_000),
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


@pytest.mark.parametrize("written", ["400 Mbits", "400 MB/s", "many", "", "-1", "1e999"])
def test_a_bit_rate_that_is_none_tells_what_is_legal(tmp_path: Path, written: str) -> None:
    """A unit that is not one of bit rates is refused, with the legal ones named."""
    found = _problem(tmp_path, GOOD.replace("100_000_000", f'"{written}"'))
    assert "line 5, cameras[1].bitrate_bps" in found
    assert f'"{written}" is not a quantity in bit/s' in found
    assert "bit/s, kbit/s, Mbit/s, Gbit/s" in found


def test_a_missing_shop_names_the_path(tmp_path: Path) -> None:
    """A path without a file is an expected error."""
    with pytest.raises(ScenarioError, match=r"none\.toml"):
        read_shop(tmp_path / "none.toml")


def test_a_shop_is_checked_without_a_run(tmp_path: Path) -> None:
    """`size --check` needs no run: it tells the day that the file means (3 h at 100 Mbit/s are
    135 GB), and which values are defaults."""
    path = tmp_path / "shop.toml"
    path.write_text(GOOD, encoding="utf-8")
    done = CliRunner().invoke(app, ["size", "--shop", str(path), "--check"])
    assert done.exit_code == 0, done.output
    assert "3 editors, and a shooting day of 3 h of footage on 2 cards, 135 GB" in done.output
    assert "retention_days = 90" in done.output
    assert "core_counts = none" in done.output
    assert "  editors = 3" not in done.output


def test_a_broken_shop_fails_its_check(tmp_path: Path) -> None:
    """The check ends with the same error as sizing would."""
    path = tmp_path / "shop.toml"
    path.write_text(GOOD.replace("editors", "editor"), encoding="utf-8")
    done = CliRunner().invoke(app, ["size", "--shop", str(path), "--check"])
    assert isinstance(done.exception, ScenarioError)
