"""`scenario check` finds what FFmpeg would refuse, and files that are not there."""

from pathlib import Path

import pytest

import mezzmark
from mezzmark.engines.encoders import probe_encoding
from mezzmark.facts.catalogue import find_encoding, resolve_custom
from mezzmark.facts.encoding import CustomEncoding
from mezzmark.facts.errors import FootageError, ScenarioError

GOOD = """\
name = "probe"
seed = 1
encodings = ["original", "vc3-sq"]

[[clips]]
name = "street"
recipe = {}

[encode]

[[custom_encodings]]
name = "house"
encoder = "libx264"
pixel_format = "yuv422p10le"
options = { preset = "veryfast", crf = 16 }
"""


def check(folder: Path, text: str) -> str:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return mezzmark.describe_scenario(str(path))


def test_a_good_scenario_has_no_warning(tmp_path: Path) -> None:
    """All encoders work here and no file is asked for."""
    assert "warning" not in check(tmp_path, GOOD)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ('"libx264"', '"x264"', ["line 13", "encoder", 'no encoder "x264"', "mean libx264"]),
        ("preset =", "prest =", ["line 15", "options", "no option prest"]),
        ('"veryfast"', '"fats"', ["line 15", "refuses these options"]),
        ('"yuv422p10le"', '"yuv9p"', ["line 14", "pixel_format", "yuv9p"]),
    ],
)
def test_a_misspelt_encoder_or_option_is_found(
    before: str, after: str, words: list[str], tmp_path: Path
) -> None:
    """One line with file, line, key, finding and the nearest name or where to look."""
    with pytest.raises(ScenarioError) as caught:
        check(tmp_path, GOOD.replace(before, after))
    assert "\n" not in str(caught.value)
    for word in ("mine.toml", '"house"', *words):
        assert word in str(caught.value)


def test_a_glob_without_a_file_is_found(tmp_path: Path) -> None:
    """The pattern is named, as measuring would name it."""
    text = GOOD.replace("recipe = {}", 'files = ["crad/*.MP4"]')
    with pytest.raises(FootageError, match=r"crad/\*\.MP4: no file fits"):
        check(tmp_path, text)


def test_every_encoding_of_the_catalogue_is_tried_by_itself() -> None:
    """`encodings --probe` tries each row and finds nothing wrong on a full FFmpeg build; a row that
    FFmpeg refuses says why."""
    found = mezzmark.encodings(probe=True)
    assert {name: refusal for name, (_, refusal) in found.items() if refusal} == {}
    sick = find_encoding("vc3-sq").model_copy(update={"pixel_format": "gray"})
    assert "gray" in probe_encoding(sick)


def test_an_encoder_of_television_sizes_only_is_tried_at_one() -> None:
    """VC-3 at a classic rate knows no picture of 320 × 192, and works."""
    custom = CustomEncoding(
        name="classic", encoder="dnxhd", pixel_format="yuv422p", bitrate_bps=120_000_000
    )
    assert probe_encoding(resolve_custom(custom)) == ""
