"""Which cells of two runs belong together, and in words why the others do not.

Two cells are the same cell, or they play the same part: both scenarios asked for "all" (or "half")
of the cores, and the machines have different numbers of them. The latter compares whole machines.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mezzmark.decide.absence import absence_reasons, describe_clips
from mezzmark.decide.estimates import HEADLINE_FIGURES, cell_key
from mezzmark.decide.wording import shown_name
from mezzmark.facts.cells import Cell
from mezzmark.facts.hardware import Refusal
from mezzmark.facts.run import Manifest
from mezzmark.facts.scenario import resolve_thread_count

_COUNTS = {"thread_count": "threads", "job_count": "jobs"}
"""Fields of a cell that count cores, and where the scenario asks for them."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A cell of the reference and the cell of the other run that it is compared with."""

    reference: Cell
    other: Cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Pairs of equal cells, pairs that play the same part with other counts, and the rest."""

    equal: tuple[Pair, ...]
    by_part: tuple[Pair, ...]
    refusals: tuple[Refusal, ...]


def judged_cells(cells: Iterable[Cell]) -> list[Cell]:
    """Cells with a headline figure, reference kernels and null arms aside, in table order."""
    found = {c for c in cells if c.task in HEADLINE_FIGURES and c.task != "kernel" and not c.arm}
    return sorted(found, key=cell_key)


def match_cells(
    reference: Sequence[Cell],
    other: Sequence[Cell],
    manifests: tuple[Manifest, Manifest],
    hosts: tuple[str, str],
) -> Matching:
    """Pairs of cells of two runs; `manifests` and `hosts`, their names, are the reference's and
    the other's."""
    there = set(other)
    equal = [Pair(cell, cell) for cell in reference if cell in there]
    by_part = []
    for cell in reference:
        partners = [
            c for c in other if _plays_same_part(cell, c, manifests) and not _same_counts(cell, c)
        ]
        if partners:
            by_part.append(Pair(cell, partners[-1]))
    used = {pair.reference for pair in (*equal, *by_part)}
    used_there = {pair.other for pair in (*equal, *by_part)}
    clips = describe_clips(*manifests)
    lacking = {
        **absence_reasons(
            [cell for cell in reference if cell not in used],
            other,
            f"on {shown_name(hosts[1])}",
            different_clips=clips,
        ),
        **absence_reasons(
            [cell for cell in other if cell not in used_there],
            reference,
            f"on {shown_name(hosts[0])}",
            different_clips=clips,
        ),
    }
    reasons: dict[str, list[str]] = {}
    for cell, reason in lacking.items():
        reasons.setdefault(reason, []).append(cell.cell_id)
    return Matching(
        equal=tuple(equal),
        by_part=tuple(by_part),
        refusals=tuple(
            Refusal(reason=reason, cell_ids=tuple(ids)) for reason, ids in reasons.items()
        ),
    )


def _same_counts(first: Cell, second: Cell) -> bool:
    return all(getattr(first, name) == getattr(second, name) for name in _COUNTS)


def _plays_same_part(first: Cell, second: Cell, manifests: tuple[Manifest, Manifest]) -> bool:
    same = dict.fromkeys(_COUNTS, 1)
    if first.model_copy(update=same) != second.model_copy(update=same):
        return False
    return all(
        getattr(first, name) == getattr(second, name)
        or part_words(first, name, manifests[0]) & part_words(second, name, manifests[1])
        for name in _COUNTS
    )


def part_words(cell: Cell, count_name: str, manifest: Manifest) -> set[str]:
    """Under which of "all" and "half" a run's scenario asked for a cell's count."""
    settings = getattr(manifest.scenario, cell.task, None)
    choices = getattr(settings, _COUNTS[count_name], ())
    cores = manifest.host.usable_core_count
    return {
        str(choice)
        for choice in choices
        if isinstance(choice, str)
        and resolve_thread_count(choice, core_count=cores) == getattr(cell, count_name)
    }
