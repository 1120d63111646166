"""What is measured and in which order: pure, and fixed by the scenario's seed.

Order of a round. Rounds come in pairs: the first is a fresh random permutation of the cells, the
second the same backwards. So over each pair every cell has the same mean position, and a steady
drift of the machine (warming up, say) adds the same to each of them; what is left over falls on
the cells at random. Counter-balancing and randomising together: Cox, Planning of Experiments
(1958), chapters 5 and 13.

Requests of a round. Trials that replay the same requests share a seed, which depends on the
round, the clip and the pattern and on nothing else: encodings, policies and thread counts meet
the same requests, and each round draws new ones.
"""

import zlib
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise, product

import numpy as np

from mezzmark.model.cell import ALL_CLIPS, KERNEL_CLIP, KERNEL_ENCODING, Cell, PlannedTrial
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.scenario import EncodeSettings, Scenario, ScrubSettings, resolve_counts
from mezzmark.model.throughput import DeliverySettings, GridSettings, IngestSettings

Media = Collection[tuple[str, str]]
"""(clip, encoding) pairs there is a file for, in any order."""


def present_pairs(clips: Sequence[str], names: Sequence[str], media: Media) -> Media:
    """Those of clips × encodings there is a file for, clip by clip in the given order."""
    return [pair for pair in product(clips, names) if pair in media]


def encoded_pairs(clips: Sequence[str], names: Sequence[str], media: Media) -> Media:
    """As `present_pairs`, without the originals, which no encoder of ours makes."""
    return [(clip, name) for clip, name in present_pairs(clips, names, media) if name != ORIGINAL]


def grid_cells(
    settings: GridSettings,
    clips: Sequence[str],
    names: Sequence[str],
    media: Media,
    core_count: int,
) -> Iterator[Cell]:
    """Every split of jobs × threads, for each clip and encoding."""
    splits = _splits(settings, core_count)
    for (clip, name), (job_count, thread_count) in product(
        encoded_pairs(clips, names, media), splits
    ):
        yield Cell(
            task="grid",
            clip=clip,
            encoding=name,
            job_count=job_count,
            thread_count=thread_count,
            is_pinned=settings.pin_cores,
        )


def ingest_cells(
    settings: IngestSettings,
    clips: Sequence[str],
    names: Sequence[str],
    media: Media,
    core_count: int,
) -> Iterator[Cell]:
    """Every split and order, for each encoding that all clips can be given."""
    for name in names:
        if name == ORIGINAL or not all((clip, name) in media for clip in clips):
            continue
        for (job_count, thread_count), order in product(
            _splits(settings, core_count), settings.orders
        ):
            yield Cell(
                task="ingest",
                clip=ALL_CLIPS,
                encoding=name,
                job_count=job_count,
                thread_count=thread_count,
                order=order,
                height_px=settings.height_px,
            )


def delivery_cells(
    settings: DeliverySettings,
    clips: Sequence[str],
    names: Sequence[str],
    media: Media,
    core_count: int,
) -> Iterator[Cell]:
    """One and two passes from each encoding, the originals included."""
    thread_counts = resolve_counts(settings.threads, core_count=core_count)
    for (clip, name), thread_count, passes in product(
        present_pairs(clips, names, media), thread_counts, settings.passes
    ):
        yield Cell(
            task="delivery",
            clip=clip,
            encoding=name,
            thread_count=thread_count,
            passes=passes,
            height_px=settings.height_px,
        )


def _splits(settings: GridSettings | IngestSettings, core_count: int) -> list[tuple[int, int]]:
    """All jobs × threads that are asked for and, unless oversubscribed, have a core each."""
    return [
        (job_count, thread_count)
        for job_count, thread_count in product(
            resolve_counts(settings.jobs, core_count=core_count),
            resolve_counts(settings.threads, core_count=core_count),
        )
        if settings.oversubscribe or job_count * thread_count <= core_count
    ]


KERNEL_CELL = Cell(task="kernel", clip=KERNEL_CLIP, encoding=KERNEL_ENCODING)

KERNELS_PER_LONG_ROUND = 3
"""Start, middle and end: the least that shows a bend as well as a slope within a round."""

LONG_ROUND_CELLS = 8
"""Rounds of fewer cells are over so soon that start and end are enough."""

JUDGED_TASKS = frozenset({"fidelity"})
"""Deterministic tasks: one trial says all that more would."""

_ORDER, _REQUESTS, _CLIPS = 1, 2, 3  # keep the streams of random numbers of each purpose apart


def plan_cells(
    scenario: Scenario,
    *,
    media: Media,
    core_count: int,
) -> tuple[Cell, ...]:
    """The cells of a scenario, without the reference kernel, in the scenario's order.

    `media` holds the (clip, encoding) pairs there is a file for, `original` included; what could
    not be made is not measured. Thread choices that mean the same count here are one cell. With
    `null_arm`, the first cell of each task comes twice, the second time with arm "null".
    """
    names = (*scenario.encodings, *(custom.name for custom in scenario.custom_encodings))
    clips = tuple(dict.fromkeys(clip for clip, _ in media))
    groups = []
    if scenario.scrub:
        groups.append(tuple(_scrub_cells(scenario.scrub, clips, names, media, core_count)))
    if scenario.encode:
        groups.append(tuple(_encode_cells(scenario.encode, clips, names, media, core_count)))
    if scenario.grid:
        groups.append(tuple(grid_cells(scenario.grid, clips, names, media, core_count)))
    if scenario.ingest:
        groups.append(tuple(ingest_cells(scenario.ingest, clips, names, media, core_count)))
    if scenario.delivery:
        groups.append(tuple(delivery_cells(scenario.delivery, clips, names, media, core_count)))
    cells: list[Cell] = []
    for group in groups:
        cells += group
        if scenario.null_arm and group:
            cells.append(group[0].model_copy(update={"arm": "null"}))
    return (*cells, *_judged_cells(scenario, clips, names, media))


def plan_round(cells: Sequence[Cell], round_index: int, seed: int) -> tuple[PlannedTrial, ...]:
    """Every cell once, and the reference kernel two or three times, in the order of this round.

    Cells that are judged and not timed follow the timed ones of round 0 and never come again:
    they give the same answer every time. Depends on its arguments only.
    """
    judged = [cell for cell in cells if cell.task in JUDGED_TASKS and round_index == 0]
    cells = [cell for cell in cells if cell.task not in JUDGED_TASKS]
    rng = np.random.default_rng([seed, _ORDER, round_index // 2])
    order = [cells[int(place)] for place in rng.permutation(len(cells))]
    order = _with_kernels(order)
    if round_index % 2:
        order.reverse()
    order += judged
    return tuple(
        PlannedTrial(
            round_index=round_index,
            position=position,
            cell=cell,
            seed=request_seed(cell, round_index, seed),
        )
        for position, cell in enumerate(order)
    )


def request_seed(cell: Cell, round_index: int, seed: int) -> int:
    """The seed of a trial's requests (63 bits), common to all that replay the same ones."""
    key = zlib.crc32(f"{cell.task}\n{cell.clip}\n{cell.pattern}".encode())
    sequence = np.random.SeedSequence([seed, _REQUESTS, round_index, key])
    return int(sequence.generate_state(1, np.uint64)[0] >> np.uint64(1))


def clip_seed(clip: str, seed: int) -> int:
    """The seed of a synthetic clip (63 bits): clips of one recipe differ by their names."""
    sequence = np.random.SeedSequence([seed, _CLIPS, zlib.crc32(clip.encode())])
    return int(sequence.generate_state(1, np.uint64)[0] >> np.uint64(1))


def _with_kernels(order: list[Cell]) -> list[Cell]:
    if not order:
        return []
    if len(order) < LONG_ROUND_CELLS:
        return [KERNEL_CELL, *order, KERNEL_CELL]
    parts = KERNELS_PER_LONG_ROUND - 1
    bounds = [round(part * len(order) / parts) for part in range(parts + 1)]
    mixed = [KERNEL_CELL]
    for start, end in pairwise(bounds):
        mixed += [*order[start:end], KERNEL_CELL]
    return mixed


def _judged_cells(
    scenario: Scenario,
    clips: Sequence[str],
    names: Sequence[str],
    media: Media,
) -> list[Cell]:
    if scenario.fidelity is None:
        return []
    return [
        Cell(task="fidelity", clip=clip, encoding=name)
        for clip, name in encoded_pairs(clips, names, media)
    ]


def _scrub_cells(
    settings: ScrubSettings,
    clips: Sequence[str],
    names: Sequence[str],
    media: Media,
    core_count: int,
) -> Iterator[Cell]:
    thread_counts = resolve_counts(settings.threads, core_count=core_count)
    for pattern in settings.patterns:
        find_pairs = _hop_pairs if pattern == "hop" else present_pairs
        for (clip, name), policy, thread_count in product(
            find_pairs(clips, names, media), settings.policies, thread_counts
        ):
            yield Cell(
                task="scrub",
                clip=clip,
                encoding=name,
                thread_count=thread_count,
                pattern=pattern,
                policy=policy,
                threading=settings.threading,
                viewer_height_px=settings.viewer_height_px,
                decoder=settings.decoder,
            )


def _hop_pairs(clips: Sequence[str], names: Sequence[str], media: Media) -> Media:
    """The encodings there are two clips of, which hopping from clip to clip takes."""
    return [(ALL_CLIPS, name) for name in names if len(present_pairs(clips, [name], media)) > 1]


def _encode_cells(
    settings: EncodeSettings,
    clips: Sequence[str],
    names: Sequence[str],
    media: Media,
    core_count: int,
) -> Iterator[Cell]:
    for clip, name in encoded_pairs(clips, names, media):
        for thread_count in resolve_counts(settings.threads, core_count=core_count):
            yield Cell(task="encode", clip=clip, encoding=name, thread_count=thread_count)
