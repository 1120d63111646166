"""What programs may rely on: the public names and their signatures, changed on purpose only."""

import inspect

import pytest

import mezzmark
from mezzmark import api

SIGNATURES = {
    "choose": "runs, *, needs, wishes, indifference, confidence_level, needs_file, clips, "
    "allow_missing, shop",
    "demo": "*, footage, out, cache, resume, on_event",
    "describe_scenario": "scenario, *, footage, earlier_run",
    "describe_shop": "shop",
    "encodings": "*, probe",
    "export": "runs, *, output_format, table",
    "inspect": "footage, *, seconds, on_event",
    "measure": "scenario, *, footage, out, cache, resume, rounds, time_budget_s, seed, on_event",
    "measure_series": "scenario, *, repeat, against, footage, out, cache, resume, rounds, "
    "time_budget_s, seed, on_event",
    "read_runs": "runs, *, confidence_level",
    "regress": "*, baseline, candidate, tolerance, confidence_level, history",
    "rig": "*, comparisons, rounds, planted, tolerance, cache, on_progress",
    "scenario_schema": "",
    "scenario_text": "scenario",
    "shipped_scenarios": "",
    "size": "runs, *, shop, seed",
}
"""Every public function but `report`, whose options still grow; those are only ever added to."""


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


def test_the_report_keeps_the_parameters_it_had() -> None:
    """What was once promised of `report` still stands, whatever was added."""
    parameters = inspect.signature(mezzmark.report).parameters
    assert next(iter(parameters)) == "runs"
    assert {"out", "template"} <= parameters.keys()


def test_every_public_name_is_listed_here() -> None:
    """A new public function is a new promise, made here too; the library has no hidden one."""
    functions = {
        name
        for name, value in inspect.getmembers(api, inspect.isfunction)
        if value.__module__ == api.__name__ and not name.startswith("_")
    }
    assert {*SIGNATURES, "report"} == set(mezzmark.__all__) - {"__version__"} == functions


@pytest.mark.parametrize("name", [n for n in mezzmark.__all__ if n != "__version__"])
def test_a_public_function_is_typed_and_documented(name: str) -> None:
    """Each parameter and the result has a type, and the docstring is a sentence."""
    function = getattr(api, name)
    types = function.__annotations__
    assert set(inspect.signature(function).parameters) | {"return"} <= set(types)
    assert function.__doc__
    assert function.__doc__.strip().endswith(".")
