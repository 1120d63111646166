"""Tells a mistake in the command line as one line: which part, what is wrong, what to do."""

import difflib
import re
from typing import Any, Final

import typer

from mezzmark.model.errors import UsageError

CommandLineError: Final[type[Exception]] = typer.BadParameter.__mro__[1]
"""What the parser raises for any mistake: the nearest class above the one that is public, for
typer brings its own parser in some versions and takes another package's in others."""

_ONE_OF: Final = re.compile(r"^(?P<found>.+) is not one of (?P<legal>.+?)\.?$")
_RANGE: Final = {
    "Input should be greater than or equal to ": "it must be at least ",
    "Input should be less than or equal to ": "it must be at most ",
    "Input should be a valid integer": "it must be a whole number",
    "Input should be a valid number": "it must be a number",
}
"""How the parser says what is legal, and how we say it."""


def is_help_wish(error: Exception) -> bool:
    """Whether a command group was called bare, which shows its help and is no mistake."""
    return type(error).__name__ == "NoArgsIsHelpError"


def usage_error(error: Any) -> UsageError:
    """The parser's complaint in one line; nearest names where there are any."""
    command = _command_name(error.ctx)
    what, remedy = _described(error, command)
    where = command.removeprefix("mezzmark").strip() or "command line"
    return UsageError(where=where, what=what, remedy=remedy)


def _described(error: Any, command: str) -> tuple[str, str]:
    help_hint = f"`{command} --help` shows what there is."
    match type(error).__name__:
        case "NoSuchOption":
            near = _nearest(error.option_name, _option_names(error.ctx))
            return f"there is no option {error.option_name}", near or help_hint
        case "MissingParameter":
            name = _parameter_name(error)
            if name.startswith("-"):
                return f"the option {name} is missing", f"Add {name} and its value; {help_hint}"
            return f"{name} is missing", f"Write {command} {name}; {help_hint}"
        case "BadOptionUsage":
            name = error.option_name
            return f"the option {name} needs a value", f"Write {name} VALUE; {help_hint}"
        case "BadParameter":
            return _bad_value(error, help_hint)
        case _:
            return _plain(error, help_hint)


def _bad_value(error: Any, help_hint: str) -> tuple[str, str]:
    name = _parameter_name(error)
    message = str(error.message).removeprefix("Value error, ").strip()
    chosen = _ONE_OF.match(message)
    if chosen:
        legal = re.findall(r"'([^']+)'", chosen["legal"])
        found = chosen["found"].strip("'")
        near = _nearest(found, legal)
        return f'{name} "{found}" is not legal', near or f"Legal is: {', '.join(legal)}."
    for theirs, ours in _RANGE.items():
        if message.startswith(theirs):
            rest = message.removeprefix(theirs) if theirs.endswith(" ") else ""
            return f"the value of {name} is not legal: {ours}{rest.rstrip('.')}", help_hint
    finding, _, question = message.rpartition(". ") if message.endswith("?") else (message, "", "")
    return f"{name} {finding.rstrip('.')}", question or help_hint


def _plain(error: Any, help_hint: str) -> tuple[str, str]:
    """An unknown command, or an argument too many."""
    message = str(error.message)
    unknown = re.search(r"[Nn]o such command '?([^'. ]+)'?", message)
    if unknown:
        commands = list(getattr(error.ctx.command, "commands", {}))
        near = _nearest(unknown[1], commands)
        return f'there is no command "{unknown[1]}"', near or f"There are: {', '.join(commands)}."
    extra = re.search(r"extra arguments?(?:\(s\))? \(?(.+?)\)?$", message)
    if extra:
        return f'"{extra[1]}" is one argument too many', f"Leave it out. {help_hint}"
    return message.rstrip("."), help_hint


def _parameter_name(error: Any) -> str:
    """`--tolerance` or `RUNS`, as the help shows it."""
    if error.param_hint:
        return str(error.param_hint).strip("'\"")
    parameter = error.param
    if parameter is None:
        return "a value"
    longest = max(parameter.opts, key=len)
    is_option = parameter.param_type_name == "option"
    return longest if is_option else str(parameter.metavar or parameter.name).upper()


def _command_name(context: Any) -> str:
    return "mezzmark" if context is None else " ".join(str(context.command_path).split())


def _option_names(context: Any) -> list[str]:
    parameters = context.command.params if context else []
    return [*(name for parameter in parameters for name in parameter.opts), "--help"]


def _nearest(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, [n for n in known if n != name], n=1, cutoff=0.6)
    return f"Did you mean {near[0]}?" if near else ""
