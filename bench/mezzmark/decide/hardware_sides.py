"""Which of the named runs are compared with which, under which label, at which price."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.history import FEWEST_RUNS, HostKey, host_key, start_of
from mezzmark.decide.wording import list_text, shown_name
from mezzmark.facts.errors import ScenarioError
from mezzmark.facts.hardware import ComparedRun, Price

_PRICE: Final = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(.*?)\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Indices of the runs to compare (the reference first), their labels, and the histories: the
    indices of each host's runs where it has three or more."""

    compared: tuple[int, ...]
    labels: tuple[ComparedRun, ...]
    histories: tuple[tuple[int, ...], ...]


def choose_sides(
    runs: Sequence[MeasuredRun], names: Sequence[str], prices: Sequence[str] = ()
) -> Sides:
    """`names` are the runs' folder names; a price is "LABEL=2400 EUR", where the label is a host's
    label, a run's id or its folder's name.

    A host with three runs or more has a history, and its latest run stands for it beside other
    hosts; else every run is compared with the first. Raises ScenarioError for a price that cannot
    be read or belongs to no run.
    """
    groups: dict[HostKey, list[int]] = {}
    for index, run in enumerate(runs):
        groups.setdefault(host_key(run), []).append(index)
    compared: list[int] = []
    for group in groups.values():
        latest = max(group, key=lambda index: (start_of(runs[index]), index))
        compared += [latest] if len(group) >= FEWEST_RUNS else group
    first_host = groups[host_key(runs[0])] if runs else []
    compared.sort(key=lambda index: (index not in first_host, index))
    if len(compared) < 2:
        compared = []
    by_index = _prices(runs, names, prices)
    labels = _labels([runs[index] for index in compared], [names[index] for index in compared])
    return Sides(
        compared=tuple(compared),
        labels=tuple(
            ComparedRun(
                run_id=runs[index].manifest.run_id,
                label=label,
                started_utc=start_of(runs[index]),
                price=by_index.get(index),
            )
            for index, label in zip(compared, labels, strict=True)
        ),
        histories=tuple(tuple(group) for group in groups.values() if len(group) >= FEWEST_RUNS),
    )


def _labels(runs: Sequence[MeasuredRun], names: Sequence[str]) -> list[str]:
    """The host's label; with the day, then the folder's name, where that is not enough."""
    plain = [run.manifest.host.host_label for run in runs]
    dated = [
        label if plain.count(label) == 1 else f"{label} ({start_of(run)[:10]})"
        for label, run in zip(plain, runs, strict=True)
    ]
    named = [
        label if dated.count(label) == 1 else f"{plain[index]} ({names[index]})"
        for index, label in enumerate(dated)
    ]
    return [
        label if named.count(label) == 1 else f"{label}, run {index + 1}"
        for index, label in enumerate(named)
    ]


def _prices(
    runs: Sequence[MeasuredRun], names: Sequence[str], prices: Sequence[str]
) -> dict[int, Price]:
    found: dict[int, Price] = {}
    for text in prices:
        label, price = parse_price(text)
        hits = [
            index
            for index, run in enumerate(runs)
            if label in (run.manifest.host.host_label, run.manifest.run_id, names[index])
        ]
        if not hits:
            known = list_text([run.manifest.host.host_label for run in runs], limit=6)
            raise ScenarioError(
                where=f'price "{shown_name(text)}"',
                what="no run has this host label, run id or folder name",
                remedy=f"The hosts are: {known}.",
            )
        found |= dict.fromkeys(hits, price)
    units = {price.unit for price in found.values()}
    if len(units) > 1:
        raise ScenarioError(
            where="prices",
            what=f"they are in different units ({', '.join(sorted(units) or ['none'])})",
            remedy="Give all prices in one currency.",
        )
    return found


def parse_price(text: str) -> tuple[str, Price]:
    """`"server=2400 EUR"` as label and price; ScenarioError where it is not of that form."""
    label, sign, amount = text.rpartition("=")
    match = _PRICE.fullmatch(amount)
    if not sign or not label.strip() or match is None or not float(match[1]) > 0:
        raise ScenarioError(
            where=f'price "{shown_name(text)}"',
            what="is not of the form LABEL=AMOUNT",
            remedy='Write for example --price "server=2400 EUR"; the amount is above 0.',
        )
    return label.strip(), Price(amount=float(match[1]), unit=match[2])
