"""`scenario check` finds what FFmpeg would refuse, and files that are not there."""

from pathlib import Path
from types import SimpleNamespace

import av
import pytest

import mezzmark
from fixtures.ffmpeg_build import DROPPED
from mezzmark.engines.encode import encoders
from mezzmark.engines.encode.encoders import probe_encoding
from mezzmark.model.catalogue.core import find_encoding, resolve_custom
from mezzmark.model.encoding import CustomEncoding
from mezzmark.model.errors import FootageError, ScenarioError

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

options_told = pytest.mark.skipif(
    not hasattr(av.CodecContext, "supported_options"), reason="PyAV tells options from 18.1 on"
)


def check(folder: Path, text: str) -> str:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return mezzmark.describe_scenario(str(path))


def test_a_good_scenario_has_no_warning(tmp_path: Path) -> None:
    """All encoders work here and no file is asked for."""
    assert "warning" not in check(tmp_path, GOOD)


def test_a_link_is_told_by_its_name(tmp_path: Path) -> None:
    """As reports have it, not field by field."""
    links = '[scrub]\nlinks = ["local", { rate = "1 Gbit/s" }]\n\n[encode]'
    assert "links local, 1 Gbit/s, 0.5 ms;" in check(tmp_path, GOOD.replace("[encode]", links))


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ('"libx264"', '"x264"', ["line 13", "encoder", 'no encoder "x264"', "mean libx264"]),
        ('"libx264"', '"qqqzzz"', ["line 13", 'no encoder "qqqzzz"', "here: dnxhd, "]),
        pytest.param(
            "preset =",
            "prest =",
            ["line 15", "options", "no option prest", "mean preset or "],
            marks=options_told,
        ),
        ("preset =", "qqqzzz =", ["line 15", "no option qqqzzz", "or remove it"]),
        ('"veryfast"', '"fats"', ["line 15", "refuses these options", "value of preset and crf"]),
        pytest.param(
            'preset = "veryfast"',
            'weightp = "clever"',
            ["line 15", 'weightp has no value "clever"; it takes none, simple, smart.'],
            marks=options_told,
        ),
        ('"yuv422p10le"', '"yuv9p"', ["line 14", "pixel_format", "libx264 takes: yuv4"]),
        ('"yuv422p10le"', '"yuva422p10le"', ["line 14", "pixel_format", "yuv422p10le"]),
    ],
)
def test_a_misspelt_encoder_or_option_is_found(
    before: str, after: str, words: list[str], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """One line with file, line, key, finding and the nearest names, or the values that are legal;
    never a program to run that may not be there, nor what an encoder writes of its own accord."""
    with pytest.raises(ScenarioError) as caught:
        check(tmp_path, GOOD.replace(before, after))
    assert "\n" not in str(caught.value)
    for word in ("mine.toml", '"house"', *words):
        assert word in str(caught.value)
    assert "ffmpeg -" not in str(caught.value)
    assert capfd.readouterr().err == ""


def test_a_library_that_tells_no_options_still_has_an_answer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """PyAV 18.0 does not tell an encoder's options: the misspelt one is named all the same."""
    house = CustomEncoding(
        name="house", encoder="libx264", pixel_format="yuv422p10le", options={"prest": "fast"}
    )
    fault = probe_encoding(resolve_custom(house))
    assert fault is not None
    assert (fault.kind, fault.options) == ("unknown options", ("prest",))
    silent = SimpleNamespace(CodecContext=SimpleNamespace(create=lambda *_: object()))
    silent.codec = av.codec
    monkeypatch.setattr(encoders, "av", silent)
    assert encoders.suggest(fault) == ("options", "Check its spelling, or remove it.")


def test_a_glob_without_a_file_is_found(tmp_path: Path) -> None:
    """The pattern is named, as measuring would name it."""
    text = GOOD.replace("recipe = {}", 'files = ["crad/*.MP4"]')
    with pytest.raises(FootageError, match=r"crad/\*\.MP4: no file fits"):
        check(tmp_path, text)


def test_every_encoding_of_the_catalogue_is_tried_by_itself() -> None:
    """`encodings --probe` tries each row and finds nothing wrong on a full FFmpeg build; a row that
    FFmpeg refuses says why."""
    found = mezzmark.encodings(probe=True)
    assert [name for name, (_, refusal) in found.items() if refusal] == [*DROPPED]
    sick = find_encoding("vc3-sq").model_copy(update={"pixel_format": "gray"})
    fault = probe_encoding(sick)
    assert fault is not None
    assert fault.kind == "refused"
    assert "gray" in fault.words


def test_an_encoder_of_television_sizes_only_is_tried_at_one() -> None:
    """VC-3 at a classic rate knows no picture of 320 × 192, and works."""
    custom = CustomEncoding(
        name="classic", encoder="dnxhd", pixel_format="yuv422p", bitrate_bps=120_000_000
    )
    assert probe_encoding(resolve_custom(custom)) is None
