"""What is measured and in which order: pure, and fixed by the scenario's seed.

Order of a round. Rounds come in pairs: a fresh random permutation of the cells, then the same
backwards. So over each pair every cell has the same mean position, and a steady drift of the
machine adds the same to each; what is left over falls on the cells at random. Both together: Cox,
Planning of Experiments (1958), chapters 5 and 13.

Requests of a round. Trials that replay the same requests share a seed, which depends on round, clip
and pattern alone: encodings, policies and thread counts meet the same requests.
"""

import zlib
from collections import Counter
from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np

from mezzmark.model.catalogue.core import find_entry
from mezzmark.model.cell import Cell, PlannedTrial, RequestDesign
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.players import BEST
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.kernel import KERNEL_CELL
from mezzmark.model.tasks.patterns import PATTERNS
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.model.tasks.spec import Stock

KERNELS_PER_LONG_ROUND = 3
"""Start, middle and end: the least that shows a bend as well as a slope within a round."""

LONG_ROUND_CELLS = 8
"""Rounds of fewer cells are over so soon that start and end are enough."""

_ORDER, _REQUESTS, _CLIPS, _PILOTS = 1, 2, 3, 4  # a stream of random numbers each

PILOT_PASSES = 3
"""How often each player that may be named the best plays a pilot trial, unless it falls behind."""


class PlannedCell(NamedTuple):
    """A cell, its arm, and who plays it in a pilot trial."""

    cell: Cell
    arm: str = ""
    player: str = ""


def plan_cells(
    scenario: Scenario, *, media: Collection[tuple[str, str]], core_count: int
) -> tuple[PlannedCell, ...]:
    """The cells of a scenario, without the kernel, in the order of the task table. `media` holds
    the (clip, encoding) pairs there is a file for. Thread choices that mean the same count are one
    cell. With `null_arm`, each timed task's first cell comes again in the arm `null`; one of the
    best player comes once more for each that may be named, in the arm `pilot`."""
    clips = tuple(dict.fromkeys(clip for clip, _ in media))
    made = {spec.name for spec in scenario.clips if spec.recipe}
    stock = Stock(
        clips=clips,
        encodings=(*scenario.encodings, *(custom.name for custom in scenario.custom_encodings)),
        media=media,
        core_count=core_count,
        roots=[root.name for root in scenario.roots],
        own={(clip, ORIGINAL) for clip in clips if clip not in made},
        proxies={custom.name for custom in scenario.custom_encodings if (custom.scale or 1) < 1}
        | {one.name for one in map(find_entry, scenario.encodings) if one and one.is_proxy},
    )
    planned: list[PlannedCell] = []
    for name, spec in TASKS.items():
        settings = scenario.tasks.get(name)
        if settings is None or spec.plan is None:
            continue
        cells = list(spec.plan(settings, stock))
        planned += [PlannedCell(cell) for cell in cells]
        if scenario.null_arm and cells and not spec.is_judged:
            planned.append(PlannedCell(cells[0], "null"))
        if isinstance(settings, ScrubSettings):
            # Who is best does not depend on the viewer, so the first one will do.
            height_px = settings.viewer_heights_px[0]
            planned += [
                PlannedCell(cell, "pilot", name)
                for cell in cells
                if (cell.setting["player"], cell.setting["viewer_height"]) == (BEST, height_px)
                for name in settings.pilot_players
            ]
    return tuple(planned)


def plan_round(
    cells: Sequence[PlannedCell], round_index: int, seed: int
) -> tuple[PlannedTrial, ...]:
    """Every cell once, and the kernel two or three times, in this round's order. Cells that are
    judged follow the timed ones of round 0 and never come again. Passes of pilot trials come before
    round 0, each with requests of its own. Depends on its arguments only."""
    judged = [planned for planned in cells if TASKS[planned.cell.task].is_judged]
    pilots = [planned for planned in cells if planned.arm == "pilot"]
    timed = [p for p in cells if not TASKS[p.cell.task].is_judged and p.arm != "pilot"]
    rng = np.random.default_rng([seed, _ORDER, round_index // 2])
    order = _with_kernels([timed[int(place)] for place in rng.permutation(len(timed))])
    if round_index % 2:
        order.reverse()
    passes: list[PlannedCell] = []
    if round_index == 0:
        order += judged
        draw = np.random.default_rng([seed, _PILOTS])
        for _ in range(PILOT_PASSES):
            passes += [pilots[int(place)] for place in draw.permutation(len(pilots))]
    return tuple(
        PlannedTrial(
            round_index=round_index,
            position=position,
            cell=cell,
            arm=arm,
            player=player,
            seed=request_seed(cell, position // len(pilots), seed, _PILOTS)
            if arm == "pilot"
            else request_seed(cell, round_index, seed),
            request_design=request_design(cell),
        )
        for position, (cell, arm, player) in enumerate(passes + order)
    )


def count_trials(cells: Sequence[PlannedCell], seed: int) -> tuple[Counter[str], Counter[str]]:
    """By task, trials of every round, and those that come once: judged, or (at most) `pilot`."""
    first, later = (
        Counter(one.arm if one.arm == "pilot" else one.cell.task for one in plan)
        for plan in (plan_round(cells, 0, seed), plan_round(cells, 1, seed))
    )
    return later, first - later


def request_seed(cell: Cell, round_index: int, seed: int, purpose: int = _REQUESTS) -> int:
    """The seed of a trial's requests (63 bits), common to all that replay the same ones."""
    key = zlib.crc32(f"{cell.task}\n{cell.clip}\n{cell.setting['pattern']}".encode())
    sequence = np.random.SeedSequence([seed, purpose, round_index, key])
    return int(sequence.generate_state(1, np.uint64)[0] >> np.uint64(1))


def request_design(cell: Cell) -> RequestDesign:
    """How the requests of a cell's trials are drawn."""
    pattern = PATTERNS.get(cell.setting["pattern"])
    return "hypercube" if pattern and pattern.is_stratified else "independent"


def clip_seed(clip: str, seed: int) -> int:
    """The seed of a synthetic clip (63 bits): clips of one recipe differ by their names."""
    sequence = np.random.SeedSequence([seed, _CLIPS, zlib.crc32(clip.encode())])
    return int(sequence.generate_state(1, np.uint64)[0] >> np.uint64(1))


def _with_kernels(order: list[PlannedCell]) -> list[PlannedCell]:
    if not order:
        return []
    parts = KERNELS_PER_LONG_ROUND - 1 if len(order) >= LONG_ROUND_CELLS else 1
    mixed = list(order)
    for part in reversed(range(parts + 1)):
        mixed.insert(round(part * len(order) / parts), PlannedCell(KERNEL_CELL))
    return mixed
