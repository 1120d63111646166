"""Cells of the throughput tasks: grid, ingest, delivery."""

from collections.abc import Iterator, Sequence
from itertools import product

from mezzmark.facts.cells import ALL_CLIPS, Cell
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.scenario import resolve_counts
from mezzmark.facts.throughput import DeliverySettings, GridSettings, IngestSettings
from mezzmark.runner.media_pairs import Media, encoded_pairs, present_pairs


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
