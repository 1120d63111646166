"""The group `fleet`: many machines over a Dask scheduler."""

from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from typer import Option

from mezzmark import api
from mezzmark.cli.options import (
    LEVEL,
    CacheOption,
    FootageOption,
    OutOption,
    ResumeOption,
    RootOption,
    RoundsOption,
    ScenarioArgument,
    SeedOption,
    TimeBudgetOption,
    ToleranceOption,
)

fleet_app = typer.Typer(no_args_is_help=True, help="Measure on many machines, and check them.")

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
    int,
    Option(
        min=0, max=64, help="In place of a scheduler: so many workers in this process, to try it."
    ),
]

HostsOption = Annotated[
    list[str] | None, Option(help="A worker's name; repeat for more (default: all).")
]
InTurnOption = Annotated[
    bool, Option("--in-turn", help="One host after the other: they share storage, or a fuse.")
]
PatienceOption = Annotated[
    float, Option(min=0, help="Seconds that a host may be away before it is given up.")
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
    "--certificates certs --out results/fleet` · `mezzmark fleet measure first-look --local 2 "
    "--divide-work`",
)
def fleet_measure(  # noqa: PLR0917  # options, each given by its name
    scenario: ScenarioArgument,
    scheduler: SchedulerOption = "",
    certificates: CertificatesOption = None,
    insecure: InsecureOption = False,
    local: LocalOption = 0,
    hosts: HostsOption = None,
    in_turn: InTurnOption = False,
    together: Annotated[
        bool,
        Option("--together", help="One run on all at once: [editors] at them, on a shared root."),
    ] = False,
    divide_work: Annotated[
        bool,
        Option(
            "--divide-work",
            help="Each encoding is made by one host and sent home, each fidelity trial done by one "
            "for all that are alike.",
        ),
    ] = False,
    patience: PatienceOption = 600.0,
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
        "divide_work": divide_work,
        "patience": patience,
        "resume": resume,
    }
    given |= {"footage": footage or (), "out": out, "cache": cache, "rounds": rounds}
    given |= {"root": root or (), "time_budget": time_budget, "seed": seed}
    with shown_hosts() as on_event:
        found = api.fleet_measure(scenario, scheduler=scheduler, on_event=on_event, **given)
    print("\n".join(f"Run: {run_dir}" for run_dir in found.values()))
    print(f"Report them with: mezzmark report {' '.join(map(pasted, found.values()))}")


@fleet_app.command(
    "check",
    epilog="Examples: `mezzmark fleet check --scheduler tls://home:8786 --certificates certs "
    "--out results/fleet` · `mezzmark fleet check --judge-only --out results/fleet --tolerance 3%`",
)
def fleet_check(  # noqa: PLR0917  # options, each given by its name
    scenario: ScenarioArgument = "workstation-check",
    scheduler: SchedulerOption = "",
    certificates: CertificatesOption = None,
    insecure: InsecureOption = False,
    local: LocalOption = 0,
    hosts: HostsOption = None,
    in_turn: InTurnOption = False,
    patience: PatienceOption = 600.0,
    out: Annotated[
        Path, Option(help="Folder of all checks, each in a folder of its own: the history.")
    ] = Path("results/fleet"),
    cache: CacheOption = None,
    resume: Annotated[
        bool, Option("--resume", help="Go on with the newest check in --out.")
    ] = False,
    rounds: RoundsOption = None,
    judge_only: Annotated[
        bool, Option("--judge-only", help="Measure nothing; judge the newest check in --out.")
    ] = False,
    tolerance: ToleranceOption = 0.05,
    level: Annotated[float, LEVEL] = 0.95,
    output_format: Annotated[
        Literal["table", "markdown", "json", "junit"],
        Option("--format", help="How to print the verdicts."),
    ] = "table",
) -> None:
    """Say which machines got slower, each against its own earlier checks in --out.

    The first check of a host begins its history. Error rates hold over all hosts × cells. The page
    fleet.html in --out has it all. Exit codes are those of `regress`; 0 for a first check.
    """
    from mezzmark.cli.progress import shown_hosts
    from mezzmark.cli.views import print_fleet_check

    given: dict[str, Any] = {"certificates": certificates, "insecure": insecure, "local": local}
    given |= {"hosts": hosts or (), "in_turn": in_turn, "patience": patience, "resume": resume}
    given |= {"out": out, "cache": cache, "rounds": rounds, "judge_only": judge_only}
    given |= {"tolerance": tolerance, "level": level}
    with shown_hosts() as on_event:
        found = api.fleet_check(scenario, scheduler=scheduler, on_event=on_event, **given)
    print_fleet_check(found, out, output_format)
    raise typer.Exit(found.exit_code)


@fleet_app.command(
    "ingest",
    epilog="Examples: `mezzmark fleet ingest whole-machine --scheduler tls://home:8786 "
    "--certificates certs --out results/ingest` · `mezzmark fleet ingest whole-machine --local 2 "
    "--no-alone`",
)
def fleet_ingest(  # noqa: PLR0917  # options, each given by its name
    scenario: ScenarioArgument,
    scheduler: SchedulerOption = "",
    certificates: CertificatesOption = None,
    insecure: InsecureOption = False,
    local: LocalOption = 0,
    hosts: HostsOption = None,
    alone: Annotated[
        bool, Option(help="Each host by itself too, which takes its time for each.")
    ] = True,
    grids: Annotated[
        list[Path] | None,
        Option(help="A host's grid measured earlier in a fleet: its run; repeat for more."),
    ] = None,
    storage: Annotated[
        list[Path] | None,
        Option(help="A run that measured ([storage]) what all hosts will share; repeat for more."),
    ] = None,
    patience: PatienceOption = 600.0,
    footage: FootageOption = None,
    out: OutOption = None,
    cache: CacheOption = None,
    resume: ResumeOption = False,
    rounds: RoundsOption = None,
) -> None:
    """How long a scenario's folder takes over several machines, and what one more would bring.

    Each host's grid is measured, then the folder over all together and each alone, in rounds.
    """
    from mezzmark.cli.app import pasted
    from mezzmark.cli.progress import shown_hosts
    from mezzmark.cli.views import print_makespans

    given: dict[str, Any] = {"certificates": certificates, "insecure": insecure, "local": local}
    given |= {
        "hosts": hosts or (),
        "alone": alone,
        "grids": grids or (),
        "storage": storage or (),
    }
    given |= {"patience": patience, "resume": resume, "footage": footage or ()}
    given |= {"out": out, "cache": cache, "rounds": rounds}
    with shown_hosts() as on_event:
        found = api.fleet_ingest(scenario, scheduler=scheduler, on_event=on_event, **given)
    print_makespans(found.makespans)
    print(f"Report the rounds with: mezzmark report {pasted(found.run_dirs[''])}")
