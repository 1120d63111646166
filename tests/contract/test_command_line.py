"""The command line keeps its promises: light help, examples, documented commands, clear errors."""

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from mezzmark.cli.app import app, main, pasted, plain_command
from mezzmark.model.errors import EncodingError

HEAVY = ("av", "numpy", "scipy", "pandas", "matplotlib", "seaborn", "pydantic", "colour")


def _commands() -> dict[str, typer.core.TyperCommand]:
    group = typer.main.get_command(app)
    found = {}
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            found |= {f"{name} {inner}": sub for inner, sub in command.commands.items()}
        else:
            found[name] = command
    return found


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        encoding="utf-8",
    )


def test_an_unknown_encoding_hides_no_other() -> None:
    """The known names are answered, FFmpeg's among them, and the unknown ones are an error."""
    done = CliRunner().invoke(app, ["encodings", "nosuch", "dnxhr", "x264", "neither"])
    assert all(name in done.output for name in ("vc3-hqx", "avc-intra"))
    assert isinstance(done.exception, EncodingError)
    assert done.exception.where == 'encoding "nosuch", encoding "neither"'


@pytest.mark.parametrize("name", _commands())
def test_every_command_shows_an_example_in_its_help(name: str) -> None:
    """`--help` and the README hold a line with each command in use."""
    command = _commands()[name]
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    assert command.help
    assert f"mezzmark {name}" in (command.epilog or "")
    assert f"mezzmark {name}" in readme


def test_help_loads_no_heavy_library() -> None:
    """Asking for help imports none of the libraries that take long to load."""
    code = (
        "import sys; from mezzmark.cli.app import app\n"
        "try: app(['--help'])\n"
        "except SystemExit: pass\n"
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    assert "LOADED []" in _run("-c", code).stdout


@pytest.mark.parametrize(
    ("typed", "code"),
    [(("measure", "no-such-scenario"), 20), (("inspect", "no-such-clip.mov"), 21)],
)
def test_a_users_mistake_is_one_line_and_its_own_exit_code(
    typed: tuple[str, str], code: int
) -> None:
    """What is not there ends with its own code and one line on stderr that names it."""
    done = _run("-m", "mezzmark", *typed)
    assert (done.returncode, done.stdout) == (code, "")
    assert len(done.stderr.strip().splitlines()) == 1
    assert typed[1] in done.stderr


USAGE_MISTAKES = {
    # what is typed: what the one line names
    "--nope": ["--nope"],
    "mesure first-look": ["mesure", "measure"],
    "measure": ["scenario"],
    "measure first-look --ouy x": ["--ouy", "--out"],
    "report run --out": ["--out"],
    "measure first-look --rounds 0": ["--rounds", "1"],
    "measure first-look --rounds few": ["--rounds", "integer"],
    "regress --baseline a": ["--candidate"],
    "regress --baseline a --contender b": ["--contender"],
    "regress --baseline a --candidate b --format jsn": ["--format", "jsn", "json"],
    "regress --baseline a --candidate b --tolerance 5": ["--tolerance", '"5"', "5%"],
    "rig --planted most": ["--planted", '"most"', "0.05"],
    "choose run --level 2": ["--level", "0.999"],
    "demo extra": ["extra"],
    "scenario lst": ["lst", "list"],
    "measure first-look --resume": ["--resume", "--out"],
}


@pytest.mark.parametrize("typed", USAGE_MISTAKES)
def test_a_mistyped_command_is_one_line_and_code_28(
    typed: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The line names the option or command and what is legal; nothing is printed besides."""
    monkeypatch.setattr(sys, "argv", ["mezzmark", *typed.split()])
    with pytest.raises(SystemExit) as ended:
        main()
    printed = capsys.readouterr()
    assert ended.value.code == 28
    assert printed.out == ""
    assert printed.err.startswith("mezzmark: ")
    assert len(printed.err.splitlines()) == 1
    for words in USAGE_MISTAKES[typed]:
        assert words in printed.err


@pytest.mark.parametrize("typed", [[], ["scenario"], ["--help"], ["measure", "--help"]])
def test_asking_for_help_is_no_mistake(
    typed: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A bare group and --help show the usage and end with 0."""
    monkeypatch.setattr(sys, "argv", ["mezzmark", *typed])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    assert "Usage: mezzmark" in capsys.readouterr().out


def test_help_names_values_in_plain_words() -> None:
    """No option's help names a type of the programming language: a switch takes nothing, others
    a text, a path, a number, one of a few words, or what the option says."""
    waiting: list[Any] = [plain_command()]
    said = set()
    while waiting:
        command = waiting.pop()
        waiting += getattr(command, "commands", {}).values()
        context = typer.Context(command)
        said |= {taken.display_type_rich(context) for taken in command.get_params(context)}
    assert {"", "TEXT", "PATH", "NUMBER"} <= said
    plain = re.compile(r"[A-Z]*|<[\w-]+(\|[\w-]+)+>")
    assert [words for words in said if not plain.fullmatch(words)] == []


def test_shipped_scenarios_are_listed_shown_and_legal(tmp_path: Path) -> None:
    """Each shipped scenario is listed with a title, printed as text, and passes its own check."""
    clip = tmp_path / "clip.mov"
    clip.write_bytes(b"")
    names = [line.split()[0] for line in _typed("scenario", "list").splitlines()]
    assert {"first-look", "uhd-ingest", "own-footage", "long-gop-vs-intra"} <= set(names)
    for name in names:
        assert f'name = "{name}"' in _typed("scenario", "show", name)
        footage = ("--footage", str(clip)) if name == "own-footage" else ()
        assert "encodings" in _typed("scenario", "check", name, *footage)


def _typed(*arguments: str) -> str:
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.mark.skipif(os.name == "nt", reason="quotes of a POSIX shell")
@pytest.mark.parametrize(
    ("path", "shown"),
    [("results/a", "results/a"), ("my runs/a's", "'my runs/a'\"'\"'s'"), ("-x", "./-x")],
)
def test_a_path_is_shown_as_a_shell_takes_it(path: str, shown: str) -> None:
    """What is printed for pasting is one word, and no option."""
    assert pasted(Path(path)) == shown
