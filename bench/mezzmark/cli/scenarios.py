"""Commands about scenarios: list, show, check, schema."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from mezzmark.cli.options import FootageOption, ScenarioArgument

scenario_app = typer.Typer(no_args_is_help=True, help="List, show and check scenarios.")


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
