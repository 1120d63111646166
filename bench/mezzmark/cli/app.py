"""The commands: each parses, calls one library function and prints one value. Long because options
and their help are most of a command."""

import errno
import os
import shlex
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Final, NoReturn, cast

import typer
from typer import Argument, Option

from mezzmark import __version__, api
from mezzmark.cli.fleet import fleet_app
from mezzmark.cli.judging import judging
from mezzmark.cli.options import JsonOption, option, takes
from mezzmark.model.errors import EncodingError, MezzmarkError, UsageError
from mezzmark.own_files import storage_error

app = typer.Typer(
    name="mezzmark",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help="Measures what footage costs to edit, so that an intermediate encoding is chosen on "
    "evidence.\n\nStart with `mezzmark demo`. Footage is only ever read; keep camera originals "
    "until two verified copies exist.",
    epilog="Exit codes: 0 done · 10 regressed · 11 slower or inconclusive · 12 not comparable · "
    "20–29 an error that the message explains.",
)


_STOPPED: Final = 130  # what typer makes of KeyboardInterrupt


def pasted(path: Path) -> str:
    """The path as a shell takes it: one word that is no option. Windows has its own quotes."""
    word = f".{os.sep}{path}" if str(path).startswith("-") else str(path)
    return subprocess.list2cmdline([word]) if os.name == "nt" else shlex.quote(word)


def _show_version(is_asked: bool) -> None:
    if is_asked:
        print(f"mezzmark {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, Option("--version", callback=_show_version, is_eager=True, help="Show version.")
    ] = False,
) -> None:
    """Global options."""


@app.command(
    epilog="Examples: `mezzmark demo` · `mezzmark demo --footage card/C0001.MP4 --out results/mine`"
)
@takes(api.demo)
def demo(**given: Any) -> None:
    """Measure a small clip from camera original to report, in a few minutes.

    Makes the footage (or takes yours), encodes it, measures scrubbing and encoding, writes a report
    and says where it is. The same as `measure first-look` followed by `report`.
    """
    from mezzmark.cli.progress import shown_progress

    with shown_progress() as on_event:
        run_dir = api.demo(on_event=on_event, **given)
    report(runs=[run_dir])


@app.command(
    epilog="Examples: `mezzmark measure first-look` · "
    "`mezzmark measure own-footage --footage card --root /mnt/share/tests` · "
    "`mezzmark measure own-footage --out results/cards --resume` (on the same footage)"
)
@takes(
    api.measure_series,
    repeat=option(
        int,
        "So many runs one after the other, in folders that end in -1, -2, …: several a "
        "side find smaller changes. Says before measuring what they can find.",
        min=1,
        max=1000,
    ),
    against=option(
        Path | None,
        "The interpreter of another environment that holds mezzmark: both are measured "
        "in turn, round by round, on the same files.",
        metavar="PYTHON",
    ),
)
def measure(**given: Any) -> None:
    """Measure a scenario and store every sample; Ctrl-C loses no finished trial."""
    from mezzmark.cli.progress import shown_progress

    with shown_progress() as on_event:
        run_dirs = api.measure_series(on_event=on_event, **given)
    print("\n".join(f"Run: {run_dir}" for run_dir in run_dirs))
    if "against" in given:
        sides = " --candidate ".join(map(pasted, run_dirs))
        print(f"Compare them with: mezzmark regress --baseline {sides}")
    else:
        print(f"Report it with: mezzmark report {' '.join(map(pasted, run_dirs))}")


@app.command(
    epilog="Examples: `mezzmark report results/first` · `mezzmark report results/old results/new "
    "--price 'old=900 EUR' --price 'new=2400 EUR'`"
)
@takes(
    api.report,
    runs=Annotated[list[Path], Argument(help="Run folders.")],
    out=option(
        Path | None,
        "Folder of the report (default: report in the run; for several runs, comparison "
        "in the first). Only an earlier report is replaced.",
    ),
    template=option(Path | None, "Folder of your own report templates."),
    price=option(
        list[str] | None,
        'What a host costs, as "HOST=2400 EUR" (its label or its run\'s folder); repeat.',
    ),
    figures=option(
        bool,
        "Write the figures as files too; report.md shows them only then.",
        "--figures/--no-figures",
    ),
)
def report(**given: Any) -> None:
    """Write report.html, report.md, cells.csv and figures from finished trials.

    Several runs are compared first: host beside host, and one host's runs over time.
    """
    from rich.text import Text

    from mezzmark.cli.views import open_terminal
    from mezzmark.report.prose.numbers import visible_text

    paths = api.report(**given)
    open_terminal().print(Text(paths.answer))
    print(f"\nReport: {visible_text(str(paths.html))}")  # whole, to be copied


@app.command(
    epilog="Examples: `mezzmark inspect card/C0001.MP4` · `mezzmark inspect card --seconds 10`"
)
@takes(
    api.inspect,
    footage=Annotated[list[str], Argument(help="Files, folders, or globs in quotes.")],
    seconds=option(float | None, "Look at the first seconds only.", min=0.1),
)
def inspect(as_json: JsonOption = False, **given: Any) -> None:
    """Say what a clip is: codec, size, rate, groups of pictures, tags, bit rate, warnings."""
    from mezzmark.cli.progress import shown_progress
    from mezzmark.cli.views import print_inspections

    with shown_progress() as on_event:
        found = api.inspect(on_event=on_event, **given)
    print_inspections(found, as_json=as_json)


@app.command(
    epilog="Examples: `mezzmark encodings` · `mezzmark encodings prores_ks dnxhd` · "
    "`mezzmark encodings --probe` · `mezzmark encodings vc3-sq --command --footage card --out made`"
)
def encodings(
    names: Annotated[
        list[str] | None,
        Argument(help="Only these: our names, a standard's (VC-3), or FFmpeg's (libx264)."),
    ] = None,
    probe: Annotated[
        bool, Option("--probe", help="Try each on this machine, and say why if one fails.")
    ] = False,
    command: Annotated[
        bool, Option("--command", help="Print how FFmpeg's program makes the files, as measured.")
    ] = False,
    footage: Annotated[str, Option(help="With --command: a file, or a folder of them.")] = "",
    out: Annotated[str, Option(help="With --command: the folder of the new files.")] = "",
) -> None:
    """List the catalogue of encodings by standard name."""
    from mezzmark.cli.views import print_catalogue, print_commands

    if command and not names:
        remedy = "Name one, as in: mezzmark encodings vc3-sq --command."
        raise UsageError(where="--command", what="it needs an encoding's name", remedy=remedy)
    found: dict[str, tuple[api.Encoding, str]] = {}
    asked_for: list[list[str]] = [[name] for name in names or ()] or [[]]
    faults = []
    for asked in asked_for:
        try:
            found |= api.encodings(asked, probe=probe)
        except EncodingError as fault:
            faults.append(fault)
    if found and command:
        print_commands([encoding for encoding, _ in found.values()], footage, out)
    elif found:
        print_catalogue(found, is_probed=probe)
    if faults:
        where = ", ".join(fault.where for fault in faults)
        remedy = " ".join(dict.fromkeys(fault.remedy for fault in faults))
        raise EncodingError(where=where, what=faults[0].what, remedy=remedy)


scenario_app = typer.Typer(no_args_is_help=True, help="List, show and check scenarios.")


@scenario_app.command("list", epilog="Example: `mezzmark scenario list`")
def scenario_list() -> None:
    """Name the shipped scenarios and what each is for."""
    for name, title in api.shipped_scenarios().items():
        print(f"{name:20} {title}")


@scenario_app.command("show", epilog="Example: `mezzmark scenario show own-footage > mine.toml`")
@takes(api.scenario_text)
def scenario_show(**given: Any) -> None:
    """Print a scenario's text, to start your own from."""
    sys.stdout.write(api.scenario_text(**given))


@scenario_app.command(
    "check",
    epilog="Examples: `mezzmark scenario check mine.toml` · "
    "`mezzmark scenario check uhd-ingest --earlier results/uhd`",
)
@takes(
    api.describe_scenario,
    earlier=option(Path | None, "A run of it here: tells how long a precision takes."),
)
def scenario_check(**given: Any) -> None:
    """Read a scenario and say what it would measure, without measuring."""
    print(api.describe_scenario(**given))


@scenario_app.command("schema", epilog="Example: `mezzmark scenario schema > scenario.json`")
def scenario_schema() -> None:
    """Print the JSON Schema of scenario files, for editors."""
    sys.stdout.write(api.scenario_schema())


app.add_typer(judging)
app.add_typer(scenario_app, name="scenario")
app.add_typer(fleet_app, name="fleet")


_PLAIN: Final = {
    **{"<bool>": "", "<str>": "TEXT", "<list[str]>": "TEXT", "<path>": "PATH"},
    **{"<list[Path]>": "PATH", "<int range>": "NUMBER", "<float range>": "NUMBER"},
}
"""What help says of a value, by typer's word for its type; a switch takes none."""


def plain_command() -> typer.core.TyperGroup:
    """The command line, whose help speaks of values in plain words."""
    group = cast(typer.core.TyperGroup, typer.main.get_command(app))
    waiting: list[Any] = [group]
    while waiting:
        command = waiting.pop()
        waiting += getattr(command, "commands", {}).values()
        for taken in command.get_params(typer.Context(command)):
            vars(taken)["display_type"] = partial(_plainly, taken.display_type)
    return group


def _plainly(told: Callable[[Any], str], context: Any) -> str:
    return _PLAIN.get(typed := told(context), typed)


def main() -> None:
    """Run the command line; an expected error is one line on stderr and its own exit code. Ends in
    SystemExit, or KeyboardInterrupt when it was stopped."""
    try:
        exit_code = plain_command()(prog_name="mezzmark", standalone_mode=False) or 0
        sys.stdout.flush()
    except typer.TyperException as mistake:
        # A bare group has shown its help, and complains of nothing.
        if not mistake.format_message():
            raise SystemExit(0) from None
        _end_with(mistake.format_message(), UsageError.exit_code)
    except MezzmarkError as problem:
        _end_with(str(problem), problem.exit_code)
    except OSError as error:  # of a place where no better words are known
        if error.errno == errno.ENAMETOOLONG:
            what = "no file system takes so long a name. Most take 255 bytes between two slashes"
            _end_with(f"{str(error.filename)[:40]}…: {what}", UsageError.exit_code)
        where = str(error.filename or "storage")
        remedy = "Check it, and give the command again."
        refused = storage_error(error, where, remedy=remedy, verb="used")
        _end_with(str(refused), refused.exit_code)
    if exit_code == _STOPPED:
        raise KeyboardInterrupt
    raise SystemExit(exit_code)


def _end_with(text: str, exit_code: int) -> NoReturn:
    from mezzmark.report.prose.numbers import visible_text

    # It names what a user or a file called things: it stays one line and moves no cursor.
    print(f"mezzmark: {visible_text(' '.join(text.split()))}", file=sys.stderr)
    raise SystemExit(exit_code) from None
