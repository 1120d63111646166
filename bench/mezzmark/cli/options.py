"""Arguments and options that several commands share, and how a command takes them."""

from collections.abc import Callable
from functools import wraps
from inspect import Signature, signature
from pathlib import Path
from typing import Annotated, Any, Final, Literal

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


def option(kind: Any, help_text: str, *names: str, **how: Any) -> Any:
    """An option for `takes`: what it takes, what help says of it, and the rest as typer has it."""
    return Annotated[kind, Option(*names, help=help_text, **how)]


FormatOption = Annotated[
    Literal["table", "markdown", "json", "junit"],
    Option("--format", help="How to print the verdicts."),
]
JsonOption = Annotated[bool, Option("--json", help="Print JSON for other programs.")]

SHARE: Final[dict[str, Any]] = {"parser": parse_share, "metavar": "SHARE"}

OPTIONS: Final[dict[str, Any]] = {
    "scenario": Annotated[
        str, Argument(help="A shipped scenario's name, or the path of your own TOML file.")
    ],
    "scheduler": option(str, "Address of the Dask scheduler: tls://home:8786.", metavar="ADDRESS"),
    "certificates": option(
        Path | None, "Folder with ca.crt, client.crt and client.key (see the README)."
    ),
    "insecure": option(
        bool,
        "Do without certificates. Whoever reaches scheduler or workers runs programs "
        "there: only on a network that is closed to everybody else.",
        "--insecure",
    ),
    "local": option(
        int, "In place of a scheduler: so many workers in this process, to try it.", min=0, max=64
    ),
    "hosts": option(list[str] | None, "A worker's name; repeat for more (default: all)."),
    "in_turn": option(
        bool, "One host after the other: they share storage, or a fuse.", "--in-turn"
    ),
    "patience": option(float, "Seconds that a host may be away before it is given up.", min=0),
    "footage": option(
        list[str] | None,
        "Your own file, a folder, or a glob in quotes; repeat for more. Of folders and "
        "globs, thumbnails, copies and what is no footage are left out, each with the reason.",
        metavar="PATH",
    ),
    "root": option(
        list[str] | None,
        "Folder on storage to be measured too, as [[roots]] in the scenario; repeat for "
        "more, and give them again with --resume.",
        metavar="PATH",
    ),
    "out": option(Path | None, "Folder of the run (default: results/NAME-TIME)."),
    "cache": option(Path | None, "Folder for made footage and encodings."),
    "resume": option(
        bool,
        "Go on with the run in --out; footage, rounds, time budget and seed are the run's "
        "own unless given anew (another seed is another run and is refused).",
        "--resume",
    ),
    "rounds": option(
        int | None,
        "At most so many rounds; fewer than the scenario's minimum_rounds lower that too. "
        "Intervals need 3.",
        min=1,
    ),
    "time_budget": option(
        float | None,
        # As ROUNDS_RULE of model.scenario, which is too heavy to be imported for a help text.
        "Of measuring (600, 10min, 1h): at least minimum_rounds rounds are measured "
        "whatever the budget; after that no round begins that would end after it.",
        parser=parse_seconds,
        metavar="SECONDS",
    ),
    "seed": option(int | None, "Another seed than the scenario's.", min=0),
    "tolerance": option(float, "Change of cost that does not matter: 5% or 0.05.", **SHARE),
    "level": option(float | None, "Confidence level.", min=0.5, max=0.999),
}
"""What several commands take, by the name that the library's functions have for it."""


def takes(
    function: Callable[..., Any], **own: Any
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Let a command take what a library function takes, by the same names and with the same
    defaults: what `OPTIONS` and `own` declare, beside what the command names itself. It is handed
    what was given, so that the function's own defaults count."""
    declared = OPTIONS | own

    def take(command: Callable[..., None]) -> Callable[..., None]:
        parameters = signature(command).parameters.values()
        named = [p.replace(kind=p.KEYWORD_ONLY) for p in parameters if p.kind is not p.VAR_KEYWORD]
        names = {parameter.name for parameter in named}
        further = [
            p.replace(
                annotation=declared[p.name],
                default=None if isinstance(p.default, tuple) else p.default,
                kind=p.KEYWORD_ONLY,
            )
            for p in signature(function).parameters.values()
            if p.name in declared and p.name not in names
        ]

        @wraps(command)
        def run(**values: Any) -> None:
            command(**{name: value for name, value in values.items() if value is not None})

        run.__dict__["__signature__"] = Signature([*further, *named])
        return run

    return take
