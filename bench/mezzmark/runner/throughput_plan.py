"""Cells of the throughput tasks: grid, ingest, delivery."""

from collections.abc import Collection, Iterator, Sequence

from mezzmark.facts.cells import ALL_CLIPS, Cell
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.scenario import resolve_thread_count
from mezzmark.facts.throughput import CountChoice, DeliverySettings, GridSettings, IngestSettings

Media = Collection[tuple[str, str]]
"""(clip, encoding) pairs there is a file for."""


def grid_cells(
    settings: GridSettings,
    clips: Sequence[str],
    names: Sequence[str],
    media: Media,
    core_count: int,
) -> Iterator[Cell]:
    """Every split of jobs × threads, for each clip and encoding."""
    splits = _splits(settings.jobs, settings.threads, core_count, settings.oversubscribe)
    for clip in clips:
        for name in names:
            if name == ORIGINAL or (clip, name) not in media:
                continue
            for job_count, thread_count in splits:
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
    splits = _splits(settings.jobs, settings.threads, core_count, settings.oversubscribe)
    for name in names:
        if name == ORIGINAL or not all((clip, name) in media for clip in clips):
            continue
        for job_count, thread_count in splits:
            for order in settings.orders:
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
    for clip in clips:
        for name in names:
            if (clip, name) not in media:
                continue
            for thread_count in _counts(settings.threads, core_count):
                for passes in settings.passes:
                    yield Cell(
                        task="delivery",
                        clip=clip,
                        encoding=name,
                        thread_count=thread_count,
                        passes=passes,
                        height_px=settings.height_px,
                    )


def _splits(
    jobs: Sequence[CountChoice],
    threads: Sequence[CountChoice],
    core_count: int,
    oversubscribe: bool,
) -> list[tuple[int, int]]:
    """All jobs × threads that are asked for and, unless oversubscribed, have a core each."""
    return [
        (job_count, thread_count)
        for job_count in _counts(jobs, core_count)
        for thread_count in _counts(threads, core_count)
        if oversubscribe or job_count * thread_count <= core_count
    ]


def _counts(choices: Sequence[CountChoice], core_count: int) -> tuple[int, ...]:
    counts = (resolve_thread_count(choice, core_count=core_count) for choice in choices)
    return tuple(dict.fromkeys(counts))
