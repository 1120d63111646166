"""The group `fleet`: many machines over a Dask scheduler."""

from pathlib import Path
from typing import Annotated, Any

import typer
from typer import Option

from mezzmark import api
from mezzmark.cli.options import FormatOption, option, takes

fleet_app = typer.Typer(no_args_is_help=True, help="Measure on many machines, and check them.")


@fleet_app.command(
    "list",
    epilog="Examples: `mezzmark fleet list --scheduler tls://home:8786 --certificates certs` · "
    "`mezzmark fleet list --local 2 --probe`",
)
@takes(
    api.fleet_list,
    probe=option(bool, "Try what each encodes, and decodes in hardware: a minute each.", "--probe"),
)
def fleet_list(**given: Any) -> None:
    """Name the machines: cores, memory, free disk, versions, and why one cannot measure."""
    from mezzmark.cli.views import print_fleet

    print_fleet(api.fleet_list(**given))


@fleet_app.command(
    "measure",
    epilog="Examples: `mezzmark fleet measure workstation-check --scheduler tls://home:8786 "
    "--certificates certs --out results/fleet` · `mezzmark fleet measure first-look --local 2 "
    "--divide-work`",
)
@takes(
    api.fleet_measure,
    together=option(
        bool, "One run on all at once: [editors] at them, on a shared root.", "--together"
    ),
    divide_work=option(
        bool,
        "Each encoding is made by one host and sent home, each fidelity trial done by one "
        "for all that are alike.",
        "--divide-work",
    ),
)
def fleet_measure(**given: Any) -> None:
    """Measure a scenario on every machine, on the same bytes; each trial comes home as it ends.

    Ctrl-C ends it everywhere and loses no finished trial. In --out is a run's folder for each host.
    """
    from mezzmark.cli.app import pasted
    from mezzmark.cli.progress import shown_hosts

    with shown_hosts() as on_event:
        found = api.fleet_measure(on_event=on_event, **given)
    print("\n".join(f"Run: {run_dir}" for run_dir in found.values()))
    print(f"Report them with: mezzmark report {' '.join(map(pasted, found.values()))}")


@fleet_app.command(
    "check",
    epilog="Examples: `mezzmark fleet check --scheduler tls://home:8786 --certificates certs "
    "--out results/fleet` · `mezzmark fleet check --judge-only --out results/fleet --tolerance 3%`",
)
@takes(
    api.fleet_check,
    judge_only=option(bool, "Measure nothing; judge the newest check in --out.", "--judge-only"),
    resume=option(bool, "Go on with the newest check in --out.", "--resume"),
)
def fleet_check(
    out: Annotated[
        Path, Option(help="Folder of all checks, each in a folder of its own: the history.")
    ] = Path("results/fleet"),
    output_format: FormatOption = "table",
    **given: Any,
) -> None:
    """Say which machines got slower, each against its own earlier checks in --out.

    The first check of a host begins its history. Error rates hold over all hosts × cells. The page
    fleet.html in --out has it all. Exit codes are those of `regress`; 0 for a first check.
    """
    from mezzmark.cli.progress import shown_hosts
    from mezzmark.cli.views import print_fleet_check

    with shown_hosts() as on_event:
        found = api.fleet_check(out=out, on_event=on_event, **given)
    print_fleet_check(found, out, output_format)
    raise typer.Exit(found.exit_code)


@fleet_app.command(
    "ingest",
    epilog="Examples: `mezzmark fleet ingest whole-machine --scheduler tls://home:8786 "
    "--certificates certs --out results/ingest` · `mezzmark fleet ingest whole-machine --local 2 "
    "--no-alone`",
)
@takes(
    api.fleet_ingest,
    alone=option(bool, "Each host by itself too, which takes its time for each."),
    grids=option(
        list[Path] | None, "A host's grid measured earlier in a fleet: its run; repeat for more."
    ),
    storage=option(
        list[Path] | None,
        "A run that measured ([storage]) what all hosts will share; repeat for more.",
    ),
)
def fleet_ingest(**given: Any) -> None:
    """How long a scenario's folder takes over several machines, and what one more would bring.

    Each host's grid is measured, then the folder over all together and each alone, in rounds.
    """
    from mezzmark.cli.app import pasted
    from mezzmark.cli.progress import shown_hosts
    from mezzmark.cli.views import print_makespans

    with shown_hosts() as on_event:
        found = api.fleet_ingest(on_event=on_event, **given)
    print_makespans(found.makespans)
    print(f"Report the rounds with: mezzmark report {pasted(found.run_dirs[''])}")
