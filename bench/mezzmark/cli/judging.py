"""Commands that judge what was measured or hand it on, and the rig."""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from typer import Argument, Option

from mezzmark import api
from mezzmark.cli.options import SHARE, FormatOption, JsonOption, option, takes

judging = typer.Typer()


@judging.command(
    epilog="Examples: `mezzmark regress --baseline results/monday --candidate results/friday` · "
    "`mezzmark regress --baseline results/a --baseline results/b --candidate results/new "
    "--tolerance 3% --format junit > verdicts.xml`"
)
@takes(
    api.regress,
    baseline=option(list[Path], "A run from before; repeat for several."),
    candidate=option(list[Path], "A run from now; repeat for several."),
    history=option(
        list[Path] | None,
        "An earlier run of this machine, versions and settings; three or more tell how "
        "much runs differ by themselves, which is else read from the runs' own rounds, "
        "1 % at least.",
    ),
)
def regress(output_format: FormatOption = "table", **given: Any) -> None:
    """Say whether runs got slower: regressed, slower, equivalent, improved, inconclusive.

    Exit code 0: nothing got slower; 10: something regressed; 11: slower, whether beyond the
    tolerance is open, or inconclusive; 12: not comparable.
    """
    from mezzmark.cli.views import print_regression

    found = api.regress(**given)
    print_regression(found, output_format)
    raise typer.Exit(found.exit_code)


@judging.command(
    epilog="Examples: `mezzmark choose results/uhd` · `mezzmark choose results/uhd "
    '--need "scrub.jump.p95_ms <= 100" --need "bit_depth >= 10" --wish "less bitrate_bps" '
    '--wish "more encode.throughput_fps"` · `mezzmark choose results/uhd '
    '--wish "less bitrate_bps = 2" --wish "less scrub.jump.p50_ms = 1" --json`'
)
@takes(
    api.choose,
    runs=Annotated[list[Path], Argument(help="Run folders of one machine.")],
    need=option(list[str] | None, 'What must hold: "FIGURE <= LIMIT", "alpha = true".'),
    wish=option(list[str] | None, '"less FIGURE" or "more FIGURE", in order or with "= WEIGHT".'),
    indifference=option(
        float | None, "Steps in which all wishes but the last count: 25%.", **SHARE
    ),
    needs=option(Path | None, "TOML file of a team's needs and wishes."),
    clips=option(list[str] | None, "A clip that decides; repeat for more (default: all)."),
    shop=option(Path | None, "TOML file of your shop: its needs count too."),
    allow_missing=option(
        bool, "Show encodings that lack a clip beside the others.", "--allow-missing"
    ),
)
def choose(as_json: JsonOption = False, **given: Any) -> None:
    """Say which encoding to use: what your needs rule out, what your wishes prefer, how surely.

    Without --need and --wish those of --needs or of the scenario's [choose] table count, or else
    the usual ones: no visible colour shift; less waiting down to a frame's time, then faster
    encoding, then less space. A need must hold on every clip.
    """
    from mezzmark.cli.views import print_choice

    print_choice(api.choose(**given), as_json=as_json)


@judging.command(
    epilog="Examples: `mezzmark rig` · `mezzmark rig --comparisons 60 --planted 5% --planted 10%`"
    " · `mezzmark rig --comparisons 0`"
)
@takes(
    api.rig,
    comparisons=option(int, "How many; 0: only facts and hardware.", min=0, max=10_000),
    rounds=option(int, "Rounds in each comparison.", min=2, max=1000),
    planted=option(
        list[float] | None, "A slowdown to plant (default 5%); repeat for more.", **SHARE
    ),
)
def rig(as_json: JsonOption = False, **given: Any) -> None:
    """Look at this machine: facts, warnings, and what change it could find.

    Compares a player with itself, and with itself slowed by a known share, many times over, and
    counts false alarms and finds. Two to three minutes with the defaults.
    """
    from mezzmark.cli.progress import shown_steps
    from mezzmark.cli.views import print_rig

    with shown_steps() as on_progress:
        found = api.rig(on_progress=on_progress, **given)
    print_rig(found, as_json=as_json)


@judging.command(
    epilog="Examples: `mezzmark export results/first > cells.csv` · "
    "`mezzmark export results/* --table samples --format parquet --out moves.parquet` · "
    "`mezzmark export results/first --format pytest-benchmark --out bench.json`"
)
@takes(
    api.export,
    runs=Annotated[list[Path], Argument(help="Run folders.")],
    format=option(api.ExportFormat, "Tidy table, all samples, or as benchmarks."),
    table=option(api.ExportTable, "For csv and parquet: a row a figure, a trial or a move."),
    out=option(Path | None, "File to write (default: standard output)."),
)
def export(**given: Any) -> None:
    """Write runs in a form that other programs read."""
    is_printed = "out" not in given
    if given["format"] == "parquet" and is_printed and sys.stdout.isatty():
        what = "parquet is not for a terminal; add --out FILE"
        raise typer.BadParameter(what, param_hint="--format")
    content = api.export(**given)
    if is_printed:
        sys.stdout.flush()
        sys.stdout.buffer.write(content.encode() if isinstance(content, str) else content)


@judging.command(
    epilog="Examples: `mezzmark publish results/check-* --to site` · "
    "`mezzmark publish results/monday results/friday --to /srv/www/footage`"
)
@takes(
    api.publish,
    runs=Annotated[list[Path], Argument(help="Run folders; all that the site is to have.")],
    to=option(Path, "Folder of the site: a new one, or one published into before."),
)
def publish(**given: Any) -> None:
    """Make a static site of many runs: an index, reports, any two hosts, histories, tables.

    Only what changed is made again; runs published before stay at their addresses. The pages show
    names of files, encodings and hosts: look before you put them where others read them.
    """
    from mezzmark.cli.progress import shown_steps

    with shown_steps() as on_progress:
        found = api.publish(on_progress=on_progress, **given)
    print(f"{found.answer}\n\nSite: {found.index}")


@judging.command(
    epilog="Examples: `mezzmark size results/uhd --shop shop.toml` · "
    "`mezzmark size --shop shop.toml --check` · "
    "`mezzmark scenario show shops/shop-example > shop.toml`"
)
def size(
    shop: Annotated[Path, Option(help="TOML file that describes your shop.")],
    runs: Annotated[
        list[Path] | None, Argument(help="Run folders of one machine; none with --check.")
    ] = None,
    check: Annotated[
        bool, Option("--check", help="Only read the shop file and say what it means.")
    ] = False,
    detail: Annotated[
        bool, Option("--detail", help="Every figure of each encoding, every assumption.")
    ] = False,
    seed: Annotated[int, Option(min=0, help="Fixes the random draws.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Say what keeps up with your shop, what is ready in time, what it stores, what pays off.

    First whom `choose` names here, then a row per encoding; everything behind it with --detail, and
    always in JSON.
    """
    from mezzmark.cli.views import print_sizing

    if check:
        from mezzmark.cli.app import pasted

        print(api.describe_shop(shop))
        print(f"Size a run with: mezzmark size RUN --shop {pasted(shop)}")
    else:
        found = api.size(runs or (), shop=shop, seed=seed)
        print_sizing(found, with_detail=detail, as_json=as_json)
