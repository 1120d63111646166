"""The group `fleet`: many machines over a Dask scheduler."""

from pathlib import Path
from typing import Annotated, Any

import typer
from typer import Option

from mezzmark import api
from mezzmark.cli.options import (
    CacheOption,
    FootageOption,
    OutOption,
    ResumeOption,
    RootOption,
    RoundsOption,
    ScenarioArgument,
    SeedOption,
    TimeBudgetOption,
)

fleet_app = typer.Typer(no_args_is_help=True, help="Measure on many machines.")

SchedulerOption = Annotated[
    str, Option(help="Address of the Dask scheduler: tls://home:8786.", metavar="ADDRESS")
]
CertificatesOption = Annotated[
    Path | None, Option(help="Folder with ca.crt, client.crt and client.key (see the README).")
]
InsecureOption = Annotated[
    bool,
    Option(
        "--insecure",
        help="Do without certificates. Whoever reaches scheduler or workers runs programs there: "
        "only on a network that is closed to everybody else.",
    ),
]
LocalOption = Annotated[
    int, Option(min=0, help="In place of a scheduler: so many workers in this process, to try it.")
]


@fleet_app.command(
    "list",
    epilog="Examples: `mezzmark fleet list --scheduler tls://home:8786 --certificates certs` · "
    "`mezzmark fleet list --local 2 --probe`",
)
def fleet_list(
    scheduler: SchedulerOption = "",
    certificates: CertificatesOption = None,
    insecure: InsecureOption = False,
    local: LocalOption = 0,
    probe: Annotated[
        bool,
        Option("--probe", help="Try what each encodes, and decodes in hardware: a minute each."),
    ] = False,
) -> None:
    """Name the machines: cores, memory, free disk, versions, and why one cannot measure."""
    from mezzmark.cli.views import print_fleet

    given: dict[str, Any] = {"certificates": certificates, "insecure": insecure, "local": local}
    print_fleet(api.fleet_list(scheduler=scheduler, probe=probe, **given))


@fleet_app.command(
    "measure",
    epilog="Examples: `mezzmark fleet measure workstation-check --scheduler tls://home:8786 "
    "--certificates certs --out results/fleet` · `mezzmark fleet measure first-look --local 2`",
)
def fleet_measure(  # noqa: PLR0917  # options, each given by its name
    scenario: ScenarioArgument,
    scheduler: SchedulerOption = "",
    certificates: CertificatesOption = None,
    insecure: InsecureOption = False,
    local: LocalOption = 0,
    hosts: Annotated[
        list[str] | None, Option(help="A worker's name; repeat for more (default: all).")
    ] = None,
    in_turn: Annotated[
        bool,
        Option("--in-turn", help="One host after the other: they share storage, or a fuse."),
    ] = False,
    together: Annotated[
        bool,
        Option("--together", help="One run on all at once: [editors] at them, on a shared root."),
    ] = False,
    patience: Annotated[
        float, Option(min=0, help="Seconds that a host may be away before it is given up.")
    ] = 600.0,
    footage: FootageOption = None,
    root: RootOption = None,
    out: OutOption = None,
    cache: CacheOption = None,
    resume: ResumeOption = False,
    rounds: RoundsOption = None,
    time_budget: TimeBudgetOption = None,
    seed: SeedOption = None,
) -> None:
    """Measure a scenario on every machine, on the same bytes; each trial comes home as it ends.

    Ctrl-C ends it everywhere and loses no finished trial. In --out is a run's folder for each host.
    """
    from mezzmark.cli.app import pasted
    from mezzmark.cli.progress import shown_hosts

    given: dict[str, Any] = {"certificates": certificates, "insecure": insecure, "local": local}
    given |= {
        "hosts": hosts or (),
        "in_turn": in_turn,
        "together": together,
        "patience": patience,
        "resume": resume,
    }
    given |= {"footage": footage or (), "out": out, "cache": cache, "rounds": rounds}
    given |= {"root": root or (), "time_budget": time_budget, "seed": seed}
    with shown_hosts() as on_event:
        found = api.fleet_measure(scenario, scheduler=scheduler, on_event=on_event, **given)
    print("\n".join(f"Run: {run_dir}" for run_dir in found.values()))
    print(f"Report them with: mezzmark report {' '.join(map(pasted, found.values()))}")
