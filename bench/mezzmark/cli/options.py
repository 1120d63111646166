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


FormatOption = Annotated[
    Literal["table", "markdown", "json", "junit"],
    Option("--format", help="How to print the verdicts."),
]
JsonOption = Annotated[bool, Option("--json", help="Print JSON for other programs.")]

OPTIONS: Final[dict[str, Any]] = {
    "scenario": Annotated[
        str, Argument(help="A shipped scenario's name, or the path of your own TOML file.")
    ],
    "scheduler": Annotated[
        str, Option(help="Address of the Dask scheduler: tls://home:8786.", metavar="ADDRESS")
    ],
    "certificates": Annotated[
        Path | None, Option(help="Folder with ca.crt, client.crt and client.key (see the README).")
    ],
    "insecure": Annotated[
        bool,
        Option(
            "--insecure",
            help="Do without certificates. Whoever reaches scheduler or workers runs programs "
            "there: only on a network that is closed to everybody else.",
        ),
    ],
    "local": Annotated[
        int,
        Option(
            min=0,
            max=64,
            help="In place of a scheduler: so many workers in this process, to try it.",
        ),
    ],
    "hosts": Annotated[
        list[str] | None, Option(help="A worker's name; repeat for more (default: all).")
    ],
    "in_turn": Annotated[
        bool, Option("--in-turn", help="One host after the other: they share storage, or a fuse.")
    ],
    "patience": Annotated[
        float, Option(min=0, help="Seconds that a host may be away before it is given up.")
    ],
    "footage": Annotated[
        list[str] | None,
        Option(
            metavar="PATH",
            help="Your own file, a folder, or a glob in quotes; repeat for more. Of folders and "
            "globs, thumbnails, copies and what is no footage are left out, each with the reason.",
        ),
    ],
    "root": Annotated[
        list[str] | None,
        Option(
            metavar="PATH",
            help="Folder on storage to be measured too, as [[roots]] in the scenario; repeat for "
            "more, and give them again with --resume.",
        ),
    ],
    "out": Annotated[Path | None, Option(help="Folder of the run (default: results/NAME-TIME).")],
    "cache": Annotated[Path | None, Option(help="Folder for made footage and encodings.")],
    "resume": Annotated[
        bool,
        Option(
            "--resume",
            help="Go on with the run in --out; footage, rounds, time budget and seed are the run's "
            "own unless given anew (another seed is another run and is refused).",
        ),
    ],
    "rounds": Annotated[
        int | None,
        Option(
            min=1,
            help="At most so many rounds; fewer than the scenario's minimum_rounds lower that too. "
            "Intervals need 3.",
        ),
    ],
    "time_budget": Annotated[
        float | None,
        Option(
            parser=parse_seconds,
            metavar="SECONDS",
            # As ROUNDS_RULE of model.scenario, which is too heavy to be imported for a help text.
            help="Of measuring (600, 10min, 1h): at least minimum_rounds rounds are measured "
            "whatever the budget; after that no round begins that would end after it.",
        ),
    ],
    "seed": Annotated[int | None, Option(min=0, help="Another seed than the scenario's.")],
    "tolerance": Annotated[
        float,
        Option(
            parser=parse_share,
            metavar="SHARE",
            help="Change of cost that does not matter: 5% or 0.05.",
        ),
    ],
    "level": Annotated[float | None, Option(min=0.5, max=0.999, help="Confidence level.")],
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
