"""The printed commands: the pictures that the bench measured, and no name that breaks them."""

import hashlib
import math
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fixtures.ffmpeg_program import find_program, make_clip, needs_program, run_script
from mezzmark.model.catalogue.core import ENTRIES, find_encoding, resolve_custom
from mezzmark.model.encoding import ORIGINAL_ENCODING, CustomEncoding
from mezzmark.model.making import SOURCE, Making, making_of
from mezzmark.report.prose.making import powershell_quoted, scripts_of
from simulation.printed_commands import compare

NAMES = """plain.mov|two  blanks .MP4|it's "quoted".mov|-n.mkv|--.mov|Grün €.mov|line
break.m2ts|$(touch caught);`touch caught`.mov|back\\slash.mov|%04d:[x]*?.mxf""".split("|")  # noqa: SIM905  # one a line else
"""Of clips in one folder."""

COPYING = """\
#!/bin/sh
for o; do [ "$before" = -i ] && i=$o; before=$o; done
[ -s "${i#file:}" ] && cp -- "${i#file:}" "${o#file:}"
"""
"""A stand-in for the program: a file that is not empty is copied to the last argument."""


def making(name: str = "uncompressed-8") -> Making:
    """How a catalogue encoding is made."""
    found = making_of(find_encoding(name))
    assert found is not None
    return found


def power_words(line: str) -> Iterator[str]:
    """The words of a PowerShell line of plain and quoted words, by PowerShell's rules of quoting:
    a text ends at a single quote of any kind, unless the next character is one too."""
    for word in re.findall(r"""(?:'(?:[^'‘’‚‛]|['‘’‚‛]{2})*'|"[^"]*"|[^ '"])+""", line):
        inside = word[1:-1] if word[0] in "'\"" else word
        yield re.sub("['‘’‚‛](['‘’‚‛])", r"\1", inside)


@pytest.fixture(params=["copies", "program"])
def card(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder `-card` of footage with awkward names and a text file, and `ffmpeg` beside it: one
    that copies, or FFmpeg's own."""
    folder = tmp_path / "-card"
    folder.mkdir()
    (folder / "notes.txt").write_text("no footage")
    if request.param == "program":
        if not find_program():
            pytest.skip("no program of FFmpeg 8: name one in MEZZMARK_FFMPEG")
        clip = make_clip(tmp_path / "a.mov", "-c:v", "mjpeg", size=(64, 64), frame_count=1)
        content = clip.read_bytes()
    else:
        content = b"pictures"
        (tmp_path / ".programs").mkdir()
        (tmp_path / ".programs" / "ffmpeg").write_text(COPYING)
        (tmp_path / ".programs" / "ffmpeg").chmod(0o755)
    for name in NAMES:
        (folder / name).write_bytes(content)
    return folder


def test_a_folder_of_awkward_names_is_made_once_and_checked(card: Path) -> None:
    """Each clip is made under its own name, the footage untouched; a second run leaves every byte
    alone and says so; the check line is content, and after a flipped bit names that file alone."""
    before = {path.name: path.read_bytes() for path in card.iterdir()}
    scripts = scripts_of(making(), card.name, "made it's")
    run_script(scripts["POSIX shell"], card.parent)
    made = card.parent / "made it's"
    files = {path.name: path.read_bytes() for path in made.iterdir()}
    assert set(files) == {f"{name}.uncompressed-8.mov" for name in NAMES} | {"SHA256SUMS"}
    again = run_script(scripts["POSIX shell"], card.parent)
    assert {path.name: path.read_bytes() for path in made.iterdir()} == files
    assert again.stderr.count("exists, left alone") == len(NAMES)
    assert {path.name: path.read_bytes() for path in card.iterdir()} == before
    assert not list(card.parent.rglob("caught"))
    plain = "plain.mov.uncompressed-8.mov"
    line = f"{hashlib.sha256(files[plain]).hexdigest()}  {plain}\n"
    assert line in files["SHA256SUMS"].decode()
    check = scripts["POSIX shell, to check"]
    told = run_script(check, card.parent)
    assert (told.returncode, told.stdout.count(": OK\n")) == (0, len(NAMES))
    flipped = bytearray(files[plain])
    flipped[len(flipped) // 2] ^= 1
    (made / plain).write_bytes(flipped)
    found = run_script(check, card.parent)
    assert found.returncode != 0
    assert [line for line in found.stdout.splitlines() if "FAILED" in line] == [f"{plain}: FAILED"]


def test_one_file_is_made_alone_and_a_broken_one_not_at_all(card: Path) -> None:
    """A file in place of the folder is made alone. Where the program fails, the name of a finished
    file is not given and that is said; the other files are made."""
    name = NAMES[2]
    run_script(scripts_of(making(), f"{card.name}/{name}", "one")["POSIX shell"], card.parent)
    file = f"{name}.uncompressed-8.mov"
    assert {path.name for path in (card.parent / "one").iterdir()} == {file, "SHA256SUMS"}
    (card / "plain.mov").write_bytes(b"")
    done = run_script(scripts_of(making(), card.name, "all")["POSIX shell"], card.parent)
    assert "not made: all/plain.mov.uncompressed-8.mov" in done.stderr
    made = {path.name for path in (card.parent / "all").glob("*.uncompressed-8.mov")}
    assert made == {f"{name}.uncompressed-8.mov" for name in NAMES[1:]}


@example("-x it's ‘one’")
@given(st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)), min_size=1))
def test_any_name_is_one_word_in_both_shells(name: str) -> None:
    """A name given by the user comes back whole from the first line of either script."""
    scripts = scripts_of(making(), name, name)
    safe = f"./{name}" if name.startswith("-") else name
    first = shlex.split(scripts["POSIX shell"].partition("\nif [ -d")[0])
    assert first == [f"IN={safe}", f"OUT={safe}"]
    assert list(power_words(powershell_quoted(name))) == [name]


@pytest.mark.parametrize("name", [entry.name for entry in ENTRIES])
def test_both_shells_are_given_the_same_arguments(name: str) -> None:
    """Of every encoding: what a POSIX shell and PowerShell read are the arguments of the list."""
    made = making(name)
    scripts = scripts_of(made)
    [posix] = re.findall(r"^  (ffmpeg .*) &&$", scripts["POSIX shell"], re.MULTILINE)
    [power] = re.findall(r"^  & (ffmpeg '-v' .*)$", scripts["PowerShell"], re.MULTILINE)
    *told, _ = (word.replace(SOURCE, "file:$f") for word in made.arguments)
    reel = "reel_name=$reel"
    end = ["-metadata", reel, "-metadata:s:v:0", reel, "file:$part"]
    assert shlex.split(posix) == told + end
    assert [word.replace("($f.FullName)", "f") for word in power_words(power)] == told + end


def test_a_command_says_what_it_is_for() -> None:
    """A bit rate that follows the picture, MXF's sound and rate, RGB's matrix are told; the
    original is not made."""
    rgb = CustomEncoding(name="a b", codec="vc3-444", pixel_format="gbrp10le", container="mxf")
    found = making_of(resolve_custom(rgb))
    assert found is not None
    assert found.limits == ("matrix", "siting", "progressive", "even rate", "turned", "silence")
    assert found.suffix == ".a-b.mxf"
    assert making("vc2-good").limits == ("bit rate", "progressive", "even rate")
    assert making("vc3-sq").limits == ("progressive",)
    assert making_of(ORIGINAL_ENCODING) is None


@needs_program
@pytest.mark.parametrize(
    "custom",
    [
        {"codec": "vc3-sq"},
        {"codec": "rdd36-lt-fast", "container": "mxf"},
        {"codec": "hevc-long", "container": "mp4"},
        {"codec": "vc2-good"},
        {"codec": "vc3-444", "pixel_format": "gbrp10le"},
        {"codec": "avc-intra-fast", "scale": 0.5},
        {"codec": "ffv1", "container": "mkv"},
    ],
)
def test_the_command_makes_the_measured_pictures(custom: dict[str, str], tmp_path: Path) -> None:
    """To the bit, with both sound tracks, timecode and reel; all encodings:
    `tests/simulation/printed_commands.py`."""
    encoding = resolve_custom(CustomEncoding.model_validate({"name": "x", **custom}))
    clip = make_clip(tmp_path / "clip.mov", "-c:v", "libx264", size=(256, 128))
    found = compare(encoding, clip, tmp_path)
    assert (found.picture_counts, found.psnr_db) == ((3, 3), math.inf)
    reel = "" if encoding.container == "mp4" else "A001"
    assert (found.sound_tracks, found.timecode, found.reel) == (2, "10:11:12:13", reel)
