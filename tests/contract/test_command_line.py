"""The command line keeps its promises: light help, examples, documented commands, clear errors."""

import subprocess
import sys
from pathlib import Path

import pytest
import typer

from mezzmark.cli.app import app, main

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
        [sys.executable, "-m", "mezzmark", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        encoding="utf-8",
    )


@pytest.mark.parametrize("name", _commands())
def test_every_command_shows_an_example_in_its_help(name: str) -> None:
    """`--help` of each command holds a command line that begins with its own name."""
    command = _commands()[name]
    assert command.help
    assert f"mezzmark {name}" in (command.epilog or "")


@pytest.mark.parametrize("name", _commands())
def test_the_readme_shows_every_command(name: str) -> None:
    """The README has a line with each command in use."""
    readme = Path(__file__).parents[2] / "README.md"
    assert f"mezzmark {name}" in readme.read_text(encoding="utf-8")


def test_help_loads_no_heavy_library() -> None:
    """Asking for help imports none of the libraries that take long to load."""
    code = (
        "import sys; from mezzmark.cli.app import app\n"
        "try: app(['--help'])\n"
        "except SystemExit: pass\n"
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, encoding="utf-8"
    )
    assert "LOADED []" in done.stdout


def test_a_users_mistake_is_one_line_and_its_own_exit_code() -> None:
    """An unknown scenario ends with code 20, one line on stderr and no traceback."""
    done = _run("measure", "no-such-scenario")
    assert done.returncode == 20
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert "no-such-scenario" in done.stderr
    assert "Traceback" not in done.stderr


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


def test_a_missing_clip_has_its_own_exit_code(tmp_path: Path) -> None:
    """Inspecting a file that is not there ends with code 21 and names it."""
    done = _run("inspect", str(tmp_path / "absent.mov"))
    assert done.returncode == 21
    assert "absent.mov" in done.stderr
    assert "Traceback" not in done.stderr


def test_shipped_scenarios_are_listed_shown_and_legal(tmp_path: Path) -> None:
    """Each shipped scenario is listed with a title, printed as text, and passes its own check."""
    clip = tmp_path / "clip.mov"
    clip.write_bytes(b"")
    listed = _run("scenario", "list").stdout.splitlines()
    names = [line.split()[0] for line in listed]
    assert {"first-look", "uhd-ingest", "own-footage", "long-gop-vs-intra"} <= set(names)
    for name in names:
        assert f'name = "{name}"' in _run("scenario", "show", name).stdout
        footage = ("--footage", str(clip)) if name == "own-footage" else ()
        checked = _run("scenario", "check", name, *footage)
        assert checked.returncode == 0, checked.stderr
        assert "encodings" in checked.stdout
