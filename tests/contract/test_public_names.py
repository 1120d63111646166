"""What programs may rely on: the public names and their signatures, changed on purpose only."""

import inspect
from typing import Any

import pytest

import mezzmark
from contract.test_command_line import _commands
from mezzmark import api
from mezzmark.decide.choose import choose as choosing

COMMANDS = _commands()

SIGNATURES = {
    "choose": "runs, *, need, wish, indifference, level, needs, clips, allow_missing, shop",
    "demo": "*, footage, out, cache, resume, rounds, on_event",
    "describe_scenario": "scenario, *, footage, earlier",
    "describe_shop": "shop",
    "encodings": "names, *, probe",
    "export": "runs, *, format, table, out",
    "fleet_check": "scenario, *, scheduler, certificates, insecure, local, hosts, in_turn, "
    "patience, out, cache, resume, rounds, judge_only, tolerance, level, on_event",
    "fleet_ingest": "scenario, *, scheduler, certificates, insecure, local, hosts, alone, "
    "grids, storage, patience, footage, out, cache, resume, rounds, on_event",
    "fleet_list": "*, scheduler, certificates, insecure, local, probe",
    "fleet_measure": "scenario, *, scheduler, certificates, insecure, local, hosts, in_turn, "
    "together, divide_work, patience, footage, root, out, cache, resume, rounds, time_budget, "
    "seed, on_event",
    "inspect": "footage, *, seconds, on_event",
    "measure": "scenario, *, footage, root, out, cache, resume, rounds, "
    "time_budget, seed, on_event",
    "measure_series": "scenario, *, repeat, against, footage, root, out, cache, resume, rounds, "
    "time_budget, seed, on_event",
    "publish": "runs, *, to, on_progress",
    "read_runs": "runs, *, level",
    "regress": "*, baseline, candidate, tolerance, level, history",
    "report": "runs, *, out, template, price, figures",
    "rig": "*, comparisons, rounds, planted, tolerance, cache, on_progress",
    "scenario_schema": "",
    "scenario_text": "scenario",
    "shipped_scenarios": "",
    "size": "runs, *, shop, seed",
}
"""Every public function; its parameters are those of its command."""


def shown(name: str) -> str:
    """The parameters' names in order, with a star where keywords begin."""
    parts, is_keyword = [], False
    for parameter in inspect.signature(getattr(mezzmark, name)).parameters.values():
        if parameter.kind is parameter.KEYWORD_ONLY and not is_keyword:
            parts.append("*")
            is_keyword = True
        parts.append(parameter.name)
    return ", ".join(parts)


@pytest.mark.parametrize(("name", "signature"), SIGNATURES.items())
def test_a_public_function_keeps_its_parameters(name: str, signature: str) -> None:
    """Names, order and kind of parameters are those that programs were promised."""
    assert shown(name) == signature


def test_every_public_name_is_listed_here() -> None:
    """A new public function is a new promise, made here too; the library has no hidden one."""
    functions = {
        name
        for name, value in inspect.getmembers(api, inspect.isfunction)
        if value.__module__ == api.__name__ and not name.startswith("_")
    }
    assert set(SIGNATURES) == set(mezzmark.__all__) - {"__version__"} == functions


ONLY_SHOWN = {
    *("choose json", "inspect json", "rig json", "regress format", "fleet check format"),
    *("size check", "size detail", "size json"),
    *("encodings command", "encodings footage", "encodings out"),
}
"""Options that say how a command's answer is shown and not what it is."""

FUNCTIONS = {
    **{"measure": "measure_series", "scenario check": "describe_scenario"},
    **{"scenario list": "shipped_scenarios", "scenario show": "scenario_text"},
}
"""The function behind a command, where it is not of its name."""


@pytest.mark.parametrize("name", COMMANDS)
def test_a_functions_arguments_are_its_commands(name: str) -> None:
    """A command and its function take the same names; the function also whom to tell of it."""
    function = getattr(mezzmark, FUNCTIONS.get(name, name.replace(" ", "_")))
    options = [max(parameter.opts, key=len) for parameter in COMMANDS[name].params]
    asked = {option.removeprefix("--").replace("-", "_") for option in options}
    taken = set(inspect.signature(function).parameters) - {"on_event", "on_progress"}
    assert taken == {option for option in asked if f"{name} {option}" not in ONLY_SHOWN} - {"help"}


def test_one_item_needs_no_list(monkeypatch: pytest.MonkeyPatch) -> None:
    """A text where several may stand is one of them, not a list of its letters."""
    told: dict[str, Any] = {}
    monkeypatch.setattr(choosing, "settings_for", lambda _runs, **asked: told.update(asked))
    monkeypatch.setattr(choosing, "choose_with_doubt", lambda *_: None)
    mezzmark.choose([], need="bit_depth >= 10", clips="a b")
    assert (told["needs"], told["clips"]) == (("bit_depth >= 10",), ("a b",))
    found = mezzmark.encodings("libx264")
    assert set(found) == {name for name in mezzmark.encodings() if name.startswith("avc-")}
    assert set(mezzmark.__all__) <= set(dir(mezzmark))


@pytest.mark.parametrize("name", [n for n in mezzmark.__all__ if n != "__version__"])
def test_a_public_function_is_typed_and_documented(name: str) -> None:
    """Each parameter and the result has a type, and the docstring is a sentence."""
    function = getattr(api, name)
    types = function.__annotations__
    assert set(inspect.signature(function).parameters) | {"return"} <= set(types)
    assert function.__doc__
    assert function.__doc__.strip().endswith(".")
