"""Every broken scenario gives one line that says where, what and what is legal."""

import json
import re
from pathlib import Path

import pytest

import mezzmark
from mezzmark.model.errors import ScenarioError
from mezzmark.model.run import Manifest
from mezzmark.model.scenario import task_tables
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.runner.prepare import resolve_encodings
from mezzmark.store.run_store import as_run_paths
from mezzmark.store.toml_files import read_scenario, write_scenario_schema

GOOD = """\
name = "probe"
seed = 1
rounds = 3
encodings = ["original", "vc3-sq"]

[[clips]]
name = "street"
[clips.recipe]
width_px = 640
height_px = 360

[scrub]
patterns = ["jump"]
requests = 5
threads = [1, "half"]

[encode]
threads = [1]
"""

BROKEN = {
    # change: (text before, text after), what the message must contain
    "syntax": (("seed = 1", "seed = "), ["line 2", "TOML"]),
    "duplicate key": (("seed = 1", "seed = 1\nseed = 2"), ["line 3", "TOML"]),
    "misspelt key": (("rounds", "ronds"), ["line 3", '"ronds"', 'mean "rounds"']),
    "misspelt table": (("[scrub]", "[scrubb]"), ["line 12", '"scrubb"', '"scrub"']),
    "misspelt nested": (("width_px", "width"), ["line 9", '"width"', '"width_px"']),
    "unlike any key": (("rounds = 3", "zzz = 3"), ["line 3", '"zzz"', "Known keys", "rounds"]),
    "missing name": (('name = "probe"\n', ""), ["name", "missing"]),
    "missing seed": (("seed = 1\n", ""), ["seed", "missing"]),
    "text for number": (("rounds = 3", 'rounds = "many"'), ["line 3", '"many"', "whole number"]),
    "fraction for count": (("requests = 5", "requests = 5.5"), ["line 14", "5.5", "whole"]),
    "zero rounds": (("rounds = 3", "rounds = 0"), ["line 3", "at least 1"]),
    "negative seed": (("seed = 1", "seed = -1"), ["line 2", "-1", "at least 0"]),
    "unknown pattern": (('["jump"]', '["jumpp"]'), ["line 13", '"jumpp"', '"jump"', '"near"']),
    "unknown encoding": (('"vc3-sq"', '"vc3-sk"'), ["line 4", '"vc3-sk"', "vc3-sq"]),
    "odd width": (("width_px = 640", "width_px = 641"), ["line 9", "641", "multiple of 2"]),
    "bad threads": (('"half"', '"most"'), ["line 15", '"most"', '"half"', "whole number"]),
    "empty patterns": (('["jump"]', "[]"), ["line 13", "at least one"]),
    "nothing to measure": (("[scrub]", "[[x]]"), ["x"]),
    "two sources": (
        ('name = "street"', 'name = "street"\nfiles = ["a.mov"]'),
        ["street", "both files and a recipe"],
    ),
    "no source": (
        ("[clips.recipe]\nwidth_px = 640\nheight_px = 360\n", ""),
        ["street", "neither files nor a recipe", 'files = ["path"]'],
    ),
    "repeated encoding": (('"vc3-sq"', '"original"'), ["original", "differ"]),
    "minimum above rounds": (("rounds = 3", "rounds = 3\nminimum_rounds = 5"), ["minimum_rounds"]),
    "hop alone": (('["jump"]', '["hop"]'), ["hop", "two"]),
    "newer schema": (("seed = 1", "schema_version = 2\nseed = 1"), ["line 2", "2"]),
    "bytes for bits in a link": (
        ("requests = 5", 'links = ["local", { rate = "1 GiB/s" }]'),
        ["line 14", "scrub.links[2].rate", '"1 GiB/s"'],
    ),
    "one link": (("requests = 5", 'link = { rate = "1" }'), ["scrub", "rate", "at least 100000"]),
    "taken clip name": (('name = "street"', 'name = "all clips"'), ["all clips", "another one"]),
    "taken encoding name": (
        ("[scrub]", '[[custom_encodings]]\nname = "raw storage"\ncodec = "VC-3"\n[scrub]'),
        ["raw storage", "another one"],
    ),
    "a level of all but nothing": (
        ("[scrub]", "[choose]\nconfidence_level = 0.9999999999\n[scrub]"),
        ["at most 0.999"],
    ),
    "step of nothing": (
        ("[scrub]", "[choose]\nindifference_fraction = 1e-17\n[scrub]"),
        ["0.0001"],
    ),
    "bad rate": (("width_px = 640", 'frame_rate = "fast"'), ["line 9", "rate"]),
}


def _write(folder: Path, text: str) -> str:
    path = folder / "broken.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_the_unbroken_scenario_is_read(tmp_path: Path) -> None:
    """The text from which all broken ones are made is itself legal."""
    scenario = read_scenario(_write(tmp_path, GOOD))
    assert scenario.clips[0].recipe is not None
    scrub = scenario.settings(ScrubSettings)
    assert scrub is not None
    assert scrub.threads == (1, "half")


@pytest.mark.parametrize("case", [name for name, (_, words) in BROKEN.items() if words])
def test_a_broken_scenario_is_one_clear_line(case: str, tmp_path: Path) -> None:
    """The message is one line naming the file and containing place, value and remedy."""
    (before, after), words = BROKEN[case]
    assert before in GOOD
    with pytest.raises(ScenarioError) as caught:
        read_scenario(_write(tmp_path, GOOD.replace(before, after, 1)))
    message = str(caught.value)
    assert "\n" not in message
    assert "broken.toml" in message
    for word in words or []:
        assert word in message, message


def test_a_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    """Bytes that are no UTF-8 give a clear error instead of a traceback."""
    path = tmp_path / "broken.toml"
    path.write_bytes(b'name = "\xff\xfe"')
    with pytest.raises(ScenarioError, match="UTF-8"):
        read_scenario(str(path))


def test_a_media_file_is_not_told_to_become_text(tmp_path: Path) -> None:
    """Bytes with zeros among them are no badly saved text: the error leads to `inspect`."""
    path = tmp_path / "C0001.MP4"
    path.write_bytes(b"\x00\x00\x00\x20ftypmp42\xff\xfe" * 10)
    with pytest.raises(
        ScenarioError, match=r"C0001.MP4: it is no text.*mezzmark inspect"
    ) as caught:
        read_scenario(str(path))
    assert "UTF-8" not in str(caught.value)


CUSTOM = """
[[custom_encodings]]
name = "house"
codec = "VC-3"
profile = "HQX"
container = "mxf"
"""


def test_a_custom_encoding_may_be_listed_too(tmp_path: Path) -> None:
    """Listed among `encodings` or not, it is measured once; a profile's capitals do not matter."""
    plain = read_scenario(_write(tmp_path, GOOD + CUSTOM))
    listed = read_scenario(_write(tmp_path, GOOD.replace('"vc3-sq"', '"vc3-sq", "house"') + CUSTOM))
    assert listed == plain
    assert [encoding.name for encoding in resolve_encodings(listed)] == ["vc3-sq", "house"]
    house = resolve_encodings(listed)[-1]
    assert (house.codec, house.profile, house.container) == ("VC-3", "hqx", "mxf")


@pytest.mark.parametrize("taken", ["vc3-sq", "original"])
def test_a_custom_encoding_cannot_share_a_listed_name(taken: str, tmp_path: Path) -> None:
    """The catalogue's encoding and a custom one of its name would be two under one name."""
    with pytest.raises(ScenarioError, match=f'share the encoding name "{taken}"'):
        read_scenario(_write(tmp_path, GOOD + CUSTOM.replace("house", taken)))


@pytest.mark.parametrize(("rounds", "minimum"), [(1, 1), (2, 2), (3, 3), (9, 3)])
def test_the_minimum_left_out_is_three_or_all_rounds(
    rounds: int, minimum: int, tmp_path: Path
) -> None:
    """Nobody is told of a key that was never written."""
    text = GOOD.replace("rounds = 3", f"rounds = {rounds}")
    assert read_scenario(_write(tmp_path, text)).minimum_rounds == minimum


def test_a_missing_scenario_names_the_shipped_ones(tmp_path: Path) -> None:
    """An unknown name is answered with the names that exist."""
    with pytest.raises(ScenarioError, match="first-look"):
        read_scenario(str(tmp_path / "nothing.toml"))


def test_own_footage_must_be_passed(tmp_path: Path) -> None:
    """The placeholder without --footage, and --footage without placeholder, are both refused."""
    own = GOOD.replace("[clips.recipe]\nwidth_px = 640\nheight_px = 360\n", 'files = ["{footage}"]')
    with pytest.raises(ScenarioError, match="--footage"):
        read_scenario(_write(tmp_path, own))
    with pytest.raises(ScenarioError, match="no clip"):
        read_scenario(_write(tmp_path, GOOD), footage=["a.mov"])
    scenario = read_scenario(_write(tmp_path, own), footage=["a.mov", "b/*.mp4"])
    assert [Path(file).name for file in scenario.clips[0].files] == ["a.mov", "*.mp4"]


def test_a_home_of_nobody_is_a_folder_of_that_name(tmp_path: Path) -> None:
    """Where no user has the name, `~name` is a path as it is written: of files, footage and roots,
    and of runs. The package asks `os.path` alone, for `pathlib` raises an error of its own."""
    files = 'files = ["~nosuchuser/a.mov", "{footage}"]'
    own = GOOD.replace("[clips.recipe]\nwidth_px = 640\nheight_px = 360\n", files)
    root = '[[roots]]\nname = "share"\npath = "~nosuchuser/r"\n'
    found = read_scenario(_write(tmp_path, f"{own}{root}"), footage=["~nosuchuser/b.mov"])
    paths = [*found.clips[0].files, found.roots[0].path]
    ends = [Path("~nosuchuser") / name for name in ("a.mov", "b.mov", "r")]
    assert [
        Path(path).relative_to(folder)
        for path, folder in zip(paths, (tmp_path, Path.cwd(), tmp_path), strict=True)
    ] == ends
    assert as_run_paths("~nosuchuser/run") == [Path("~nosuchuser/run")]
    package = Path(mezzmark.__file__).parent
    assert [p for p in package.rglob("*.py") if ".expanduser()" in p.read_text("utf-8")] == []


def test_the_schema_of_scenarios_is_whole() -> None:
    """Each part that it refers to is there, and each task's table."""
    schema = json.loads(write_scenario_schema())
    named = set(re.findall(r'"\$ref": "#/\$defs/(\w+)"', json.dumps(schema)))
    assert "LinkSettings" in named
    assert named <= schema["$defs"].keys()
    assert schema["properties"]["scrub"]["properties"]["requests"]["type"] == "integer"
    assert task_tables().keys() <= schema["properties"].keys()


def test_of_what_is_written_a_schema_says_that_it_is_a_table() -> None:
    """A scenario writes itself by a function of its own, of which no schema knows the keys."""
    assert Manifest.model_json_schema(mode="serialization")["$defs"]["Scenario"]["type"] == "object"
