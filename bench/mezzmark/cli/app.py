"""The commands: each parses, calls one library function and prints one value."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from mezzmark import __version__


class RegressionFormat(StrEnum):
    """How verdicts are printed."""

    TABLE = "table"
    MARKDOWN = "markdown"
    JSON = "json"
    JUNIT = "junit"


class ExportFormat(StrEnum):
    """What `export` writes."""

    CSV = "csv"
    JSON = "json"
    PYTEST_BENCHMARK = "pytest-benchmark"


app = typer.Typer(
    name="mezzmark",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help="Measures what footage costs to edit, so that an intermediate encoding is chosen on "
    "evidence.\n\nStart with `mezzmark demo`. Footage is only ever read; keep camera originals "
    "until two verified copies exist.",
    epilog="Exit codes: 0 done · 10 regressed · 11 inconclusive · 12 not comparable · "
    "20–29 an error that the message explains.",
)

ScenarioArgument = Annotated[
    str, typer.Argument(help="A shipped scenario's name, or the path of your own TOML file.")
]
FootageOption = Annotated[
    list[str] | None,
    typer.Option("--footage", help="Your own file, or a glob in quotes; repeat for more."),
]
OutOption = Annotated[
    Path | None, typer.Option("--out", help="Folder of the run (default: results/NAME-TIME).")
]
CacheOption = Annotated[
    Path | None, typer.Option("--cache", help="Folder for made footage and encodings.")
]
ResumeOption = Annotated[bool, typer.Option("--resume", help="Go on with the run in --out.")]
RoundsOption = Annotated[
    int | None, typer.Option("--rounds", min=1, help="At most so many rounds.")
]
BudgetOption = Annotated[
    float | None, typer.Option("--time-budget", min=1, help="Seconds after which no round begins.")
]
SeedOption = Annotated[
    int | None, typer.Option("--seed", min=0, help="Another seed than the scenario's.")
]


def _show_version(is_asked: bool) -> None:
    if is_asked:
        print(f"mezzmark {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show version.")
    ] = False,
) -> None:
    """Global options."""


@app.command(
    epilog="Examples: `mezzmark demo` · `mezzmark demo --footage card/C0001.MP4 --out results/mine`"
)
def demo(
    footage: FootageOption = None,
    out: OutOption = None,
    cache: CacheOption = None,
    resume: ResumeOption = False,
) -> None:
    """Measure a small clip from camera original to report, in a few minutes.

    Makes the footage (or takes yours), encodes it, measures scrubbing and encoding, writes a report
    and says where it is. The same as `measure first-look` followed by `report`.
    """
    from mezzmark import api
    from mezzmark.cli.progress import shown_progress

    with shown_progress() as on_event:
        run_dir = api.demo(
            footage=footage or (), out=out, cache=cache, resume=resume, on_event=on_event
        )
    _print_report(api.report([run_dir]))


@app.command(
    epilog="Examples: `mezzmark measure first-look` · "
    "`mezzmark measure own-footage --footage card/C0001.MP4 --footage 'card/*.MOV'` · "
    "`mezzmark measure own-footage --out results/cards --resume`"
)
def measure(
    scenario: ScenarioArgument,
    footage: FootageOption = None,
    out: OutOption = None,
    cache: CacheOption = None,
    resume: ResumeOption = False,
    rounds: RoundsOption = None,
    time_budget: BudgetOption = None,
    seed: SeedOption = None,
) -> None:
    """Measure a scenario and store every sample; Ctrl-C loses no finished trial."""
    from mezzmark import api
    from mezzmark.cli.progress import shown_progress

    with shown_progress() as on_event:
        run_dir = api.measure(
            scenario,
            footage=footage or (),
            out=out,
            cache=cache,
            resume=resume,
            rounds=rounds,
            time_budget_s=time_budget,
            seed=seed,
            on_event=on_event,
        )
    print(f"Run: {run_dir}")
    print(f"Report it with: mezzmark report {run_dir}")


@app.command(epilog="Examples: `mezzmark report results/first` · `mezzmark report results/*`")
def report(
    runs: Annotated[list[Path], typer.Argument(help="Run folders.")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder of the report (default: in the run).")
    ] = None,
    template: Annotated[
        Path | None, typer.Option("--template", help="Folder of your own report templates.")
    ] = None,
) -> None:
    """Write report.html, report.md, cells.csv and figures from finished trials."""
    from mezzmark import api

    _print_report(api.report(runs, out=out, template=template))


@app.command(
    epilog="Examples: `mezzmark inspect card/C0001.MP4` · `mezzmark inspect *.MOV --seconds 10`"
)
def inspect(
    footage: Annotated[list[str], typer.Argument(help="Files, or globs in quotes.")],
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=0.1, help="Look at the first seconds only.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")] = False,
) -> None:
    """Say what a clip is: codec, size, rate, groups of pictures, tags, bit rate, warnings."""
    from mezzmark import api
    from mezzmark.cli.inspection_view import print_inspections

    print_inspections(api.inspect(footage, seconds=seconds), as_json=as_json)


@app.command(
    epilog="Examples: `mezzmark regress --baseline results/monday --contender results/friday` · "
    "`mezzmark regress --baseline results/a --baseline results/b --contender results/new "
    "--tolerance 3% --format junit > verdicts.xml`"
)
def regress(
    baseline: Annotated[
        list[Path], typer.Option("--baseline", help="A run from before; repeat for several.")
    ],
    contender: Annotated[
        list[Path], typer.Option("--contender", help="A run from now; repeat for several.")
    ],
    tolerance: Annotated[
        str, typer.Option("--tolerance", help="Change of cost that does not matter: 5% or 0.05.")
    ] = "5%",
    level: Annotated[
        float, typer.Option("--level", min=0.5, max=0.999, help="Confidence level.")
    ] = 0.95,
    output_format: Annotated[
        RegressionFormat, typer.Option("--format", help="How to print the verdicts.")
    ] = RegressionFormat.TABLE,
) -> None:
    """Say whether runs got slower: improved, equivalent, regressed, inconclusive, not comparable.

    Exit code 0: nothing got slower; 10: something regressed; 11: inconclusive; 12: not comparable.
    """
    from mezzmark import api
    from mezzmark.report import regression

    found = api.regress(
        baseline=baseline,
        contender=contender,
        tolerance=_fraction(tolerance),
        confidence_level=level,
    )
    if output_format is RegressionFormat.TABLE:
        from mezzmark.cli.regression_view import print_regression

        print_regression(found)
    else:
        writer = {
            RegressionFormat.MARKDOWN: regression.as_markdown,
            RegressionFormat.JSON: regression.as_json,
            RegressionFormat.JUNIT: regression.as_junit,
        }[output_format]
        sys.stdout.write(writer(found))
    raise typer.Exit(found.exit_code)


@app.command(
    epilog="Examples: `mezzmark choose results/uhd` · `mezzmark choose results/uhd "
    '--need "scrub.jump.p95_ms <= 100" --need "bit_depth >= 10" --wish "less bitrate_bps" '
    '--wish "more encode.throughput_fps"` · `mezzmark choose results/uhd '
    '--wish "less bitrate_bps = 2" --wish "less scrub.jump.p50_ms = 1" --json`'
)
def choose(
    runs: Annotated[list[Path], typer.Argument(help="Run folders of one machine.")],
    need: Annotated[
        list[str] | None,
        typer.Option("--need", help='What must hold: "FIGURE <= LIMIT", "alpha = true".'),
    ] = None,
    wish: Annotated[
        list[str] | None,
        typer.Option("--wish", help='"less FIGURE" or "more FIGURE", in order or with "= WEIGHT".'),
    ] = None,
    indifference: Annotated[
        str | None,
        typer.Option("--indifference", help="Difference that leaves the next wish to decide: 5%."),
    ] = None,
    level: Annotated[
        float | None, typer.Option("--level", min=0.5, max=0.999, help="Confidence level.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")] = False,
) -> None:
    """Say which encoding to use: what your needs rule out, what your wishes prefer, how surely.

    Without --need and --wish those of the scenario's [choose] table count, or else the usual
    wishes: less waiting, then less space, then faster encoding.
    """
    from mezzmark import api
    from mezzmark.cli.choose_view import print_choice

    found = api.choose(
        runs,
        needs=need or (),
        wishes=wish or (),
        indifference=None if indifference is None else _fraction(indifference),
        confidence_level=level,
    )
    print_choice(found, as_json=as_json)


def _fraction(text: str) -> float:
    try:
        value = float(text.removesuffix("%")) / (100 if text.endswith("%") else 1)
    except ValueError:
        value = -1.0
    if not 0 < value < 1:
        raise typer.BadParameter(f'"{text}" is not a share such as 5% or 0.05')
    return value


@app.command(
    epilog="Examples: `mezzmark rig` · `mezzmark rig --comparisons 60 --planted 5% --planted 10%`"
    " · `mezzmark rig --comparisons 0`"
)
def rig(
    comparisons: Annotated[
        int, typer.Option("--comparisons", min=0, help="How many; 0 shows facts only.")
    ] = 20,
    rounds: Annotated[int, typer.Option("--rounds", min=2, help="Rounds in each comparison.")] = 6,
    planted: Annotated[
        list[str] | None,
        typer.Option("--planted", help="A slowdown to plant (default 5%); repeat for more."),
    ] = None,
    tolerance: Annotated[
        str, typer.Option("--tolerance", help="As in regress: 5% or 0.05.")
    ] = "5%",
    cache: CacheOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")] = False,
) -> None:
    """Look at this machine: facts, warnings, and what change it could find.

    Compares a player with itself, and with itself slowed by a known share, many times over, and
    counts false alarms and finds. Two to three minutes with the defaults.
    """
    from mezzmark import api
    from mezzmark.cli.rig_view import print_rig, shown_steps

    with shown_steps() as on_progress:
        found = api.rig(
            comparisons=comparisons,
            rounds=rounds,
            planted=[_fraction(text) for text in planted or ["5%"]],
            tolerance=_fraction(tolerance),
            cache=cache,
            on_progress=on_progress,
        )
    print_rig(found, as_json=as_json)


@app.command(
    epilog="Examples: `mezzmark export results/first > cells.csv` · "
    "`mezzmark export results/first --format pytest-benchmark --out bench.json`"
)
def export(
    runs: Annotated[list[Path], typer.Argument(help="Run folders.")],
    output_format: Annotated[
        ExportFormat, typer.Option("--format", help="Tidy table, all samples, or as benchmarks.")
    ] = ExportFormat.CSV,
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write (default: standard output).")
    ] = None,
) -> None:
    """Write runs in a form that other programs read."""
    from mezzmark import api

    text = api.export(runs, output_format=output_format.value)
    if out is None:
        sys.stdout.write(text)
    else:
        _write_new(out, text)


def _write_new(path: Path, text: str) -> None:
    from mezzmark.facts.errors import DestinationError

    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except OSError as problem:
        raise DestinationError(
            where=str(path),
            what=f"it cannot be written ({problem.strerror})",
            remedy="Name a file that does not exist yet, in a folder that does",
        ) from problem


@app.command(
    epilog="Examples: `mezzmark size results/uhd --shop shop.toml` · "
    "`mezzmark scenario show shops/shop-example > shop.toml`"
)
def size(
    runs: Annotated[list[Path], typer.Argument(help="Run folders of one machine.")],
    shop: Annotated[Path, typer.Option("--shop", help="TOML file that describes your shop.")],
    seed: Annotated[int, typer.Option("--seed", min=0, help="Fixes the random draws.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")] = False,
) -> None:
    """Say what each encoding would ask of your shop: ingest hours, storage, network, pay-off."""
    from mezzmark import api
    from mezzmark.cli.sizing_view import print_sizing

    print_sizing(api.size(runs, shop=shop, seed=seed), as_json=as_json)


scenario_app = typer.Typer(no_args_is_help=True, help="List, show and check scenarios.")
app.add_typer(scenario_app, name="scenario")


@scenario_app.command("list", epilog="Example: `mezzmark scenario list`")
def scenario_list() -> None:
    """Name the shipped scenarios and what each is for."""
    from mezzmark import api

    for name, title in api.shipped_scenarios().items():
        print(f"{name:20} {title}")


@scenario_app.command("show", epilog="Example: `mezzmark scenario show own-footage > mine.toml`")
def scenario_show(scenario: ScenarioArgument) -> None:
    """Print a scenario's text, to start your own from."""
    from mezzmark import api

    sys.stdout.write(api.scenario_text(scenario))


@scenario_app.command(
    "check",
    epilog="Examples: `mezzmark scenario check mine.toml` · "
    "`mezzmark scenario check uhd-ingest --earlier results/uhd`",
)
def scenario_check(
    scenario: ScenarioArgument,
    footage: FootageOption = None,
    earlier: Annotated[
        Path | None,
        typer.Option("--earlier", help="A run of it here: tells how long a precision takes."),
    ] = None,
) -> None:
    """Read a scenario and say what it would measure, without measuring."""
    from mezzmark import api

    print(api.describe_scenario(scenario, footage=footage or (), earlier_run=earlier))


@scenario_app.command("schema", epilog="Example: `mezzmark scenario schema > scenario.json`")
def scenario_schema() -> None:
    """Print the JSON Schema of scenario files, for editors."""
    from mezzmark import api

    sys.stdout.write(api.scenario_schema())


@app.command(epilog="Examples: `mezzmark encodings` · `mezzmark encodings --probe`")
def encodings(
    probe: Annotated[
        bool, typer.Option("--probe", help="Try each on this machine's FFmpeg libraries.")
    ] = False,
) -> None:
    """List the catalogue of encodings by standard name."""
    from mezzmark import api
    from mezzmark.cli.catalogue_view import print_catalogue

    print_catalogue(api.encodings(probe=probe))


def _print_report(paths: "object") -> None:
    from mezzmark.report.page import ReportPaths

    assert isinstance(paths, ReportPaths)
    print(paths.answer)
    print(f"\nReport: {paths.html}")


def main() -> None:
    """Run the command line; an expected error is one line on stderr and its own exit code."""
    from mezzmark.facts.errors import MezzmarkError

    for stream in (sys.stdout, sys.stderr):
        # A console that cannot show a character must not end the run.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        app()
    except MezzmarkError as problem:
        print(f"mezzmark: {problem}", file=sys.stderr)
        raise SystemExit(problem.exit_code) from None
    except BrokenPipeError:
        raise SystemExit(0) from None


if __name__ == "__main__":
    main()
