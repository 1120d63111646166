"""Arguments and options that several commands share, or that take more than a line to state."""

from pathlib import Path
from typing import Annotated

import typer
from typer import Argument, Option


def parse_share(text: str) -> float:
    """A share as people write it: 5% or 0.05."""
    text = str(text)  # a default comes as the number that it is
    try:
        value = float(text.removesuffix("%")) / (100 if text.endswith("%") else 1)
    except ValueError:
        value = -1.0
    if not 0 < value < 1:
        meant = f". Did you mean {text}%?" if 1 <= value < 100 else ""
        raise typer.BadParameter(f'"{text}" is not a share such as 5% or 0.05{meant}')
    return value


def parse_seconds(text: str) -> float:
    """A time as people write it: 600, 10min, 1h."""
    from mezzmark.model.fact import parse_quantity

    try:
        return parse_quantity(text, "s")
    except ValueError as error:
        raise typer.BadParameter(f"{error}.") from None


ScenarioArgument = Annotated[
    str, Argument(help="A shipped scenario's name, or the path of your own TOML file.")
]
FootageOption = Annotated[
    list[str] | None,
    Option(
        help="Your own file, a folder, or a glob in quotes; repeat for more. Of folders and globs, "
        "thumbnails, copies and what is no footage are left out, each with the reason."
    ),
]
RootOption = Annotated[
    list[str] | None,
    Option(
        help="Folder on storage to be measured too, as [[roots]] in the scenario; repeat for more, "
        "and give them again with --resume."
    ),
]
OutOption = Annotated[Path | None, Option(help="Folder of the run (default: results/NAME-TIME).")]
CacheOption = Annotated[Path | None, Option(help="Folder for made footage and encodings.")]
ResumeOption = Annotated[
    bool,
    Option(
        "--resume",
        help="Go on with the run in --out; footage, rounds, time budget and seed are the run's own "
        "unless given anew (another seed is another run and is refused).",
    ),
]
RoundsOption = Annotated[
    int | None,
    Option(
        min=1,
        help="At most so many rounds; fewer than the scenario's minimum_rounds lower that too. "
        "Intervals need 3.",
    ),
]
TimeBudgetOption = Annotated[
    float | None,
    Option(
        parser=parse_seconds,
        metavar="SECONDS",
        # As ROUNDS_RULE of model.scenario, which is too heavy to be imported for a help text.
        help="Of measuring (600, 10min, 1h): at least minimum_rounds rounds are measured "
        "whatever the budget; after that no round begins that would end after it.",
    ),
]
SeedOption = Annotated[int | None, Option(min=0, help="Another seed than the scenario's.")]
ToleranceOption = Annotated[
    float,
    Option(
        parser=parse_share, metavar="SHARE", help="Change of cost that does not matter: 5% or 0.05."
    ),
]
JsonOption = Annotated[bool, Option("--json", help="Print JSON for other programs.")]
LEVEL = Option(min=0.5, max=0.999, help="Confidence level.")
