"""The ingest task: a folder of clips to an encoding by a pool of processes, each file proved.

A run that is killed at any moment leaves finished files under their names and parts, and nothing in
between (`mezzmark.engines.encode.ingest_clip`); the next one goes on from there.
"""

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from mezzmark.engines.encode.encode import first_frames
from mezzmark.engines.encode.ingest_clip import encode_clip, give_name, part_of, prove_clip
from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.host.common import read_process_facts
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import DestinationError, EncodingError, FootageError
from mezzmark.model.jobs import IngestJob, IngestSource, Measured
from mezzmark.model.throughput import ClipOrder, IngestMeasurement

NOTE_NAME: Final = "ingest.json"
"""Says in the destination what is being made there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """How a folder is ingested: to what, by how many processes of how many threads, in which
    order, and at which picture height (None: each clip's own)."""

    encoding: Encoding
    job_count: int
    thread_count: int
    order: ClipOrder
    height_px: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestedClip:
    """One clip's way through the pool; clock readings are absolute. `was_finished` when an earlier
    session had made the file already."""

    clip_index: int
    path: Path
    worker_index: int
    start_ns: int
    encoded_ns: int
    end_ns: int
    cpu_ns: int
    frame_count: int
    size: tuple[int, int]
    file_bytes: int
    was_finished: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """What every worker is told; `order` names the clips still to be done."""

    sources: tuple[IngestSource, ...]
    paths: tuple[Path, ...]
    order: tuple[int, ...]
    pool: Pool
    clock_ns: Callable[[], int]


def run_ingest(job: IngestJob, clock_ns: Callable[[], int]) -> Measured:
    """Ingest the folder into the job's scratch folder, timed from the pool's release.

    Raises EncodingError when a clip's file is not whole, DestinationError when something stands
    where a file would go, EngineError when a process died.
    """
    destination = Path(job.scratch_dir) / "ingested"
    pool = Pool(
        encoding=job.encoding,
        job_count=job.job_count,
        thread_count=job.thread_count,
        order=job.order,
        height_px=job.height_px,
    )
    clips = ingest_folder(job.sources, destination, pool, clock_ns=clock_ns)
    release_ns = min(clip.start_ns for clip in clips)
    return Measured(
        measurement=IngestMeasurement(
            clips=tuple(source.clip for source in job.sources),
            frame_count=tuple(clip.frame_count for clip in clips),
            width_px=tuple(clip.size[0] for clip in clips),
            height_px=tuple(clip.size[1] for clip in clips),
            source_bytes=tuple(
                Path(source.media.media_path).stat().st_size for source in job.sources
            ),
            start_ns=tuple(clip.start_ns - release_ns for clip in clips),
            encoded_ns=tuple(clip.encoded_ns - release_ns for clip in clips),
            end_ns=tuple(clip.end_ns - release_ns for clip in clips),
            worker_index=tuple(clip.worker_index for clip in clips),
            cpu_ns=tuple(clip.cpu_ns for clip in clips),
            file_bytes=tuple(clip.file_bytes for clip in clips),
            is_verified=(True,) * len(clips),
            worker_count=job.job_count,
        ),
        process=read_process_facts(),
    )


def ingest_folder(
    sources: Sequence[IngestSource],
    destination: Path,
    pool: Pool,
    *,
    clock_ns: Callable[[], int],
    resume: bool = False,
) -> list[IngestedClip]:
    """Every clip encoded and proved in `destination`; one entry per source, in their order.

    Without `resume` the destination must not exist or be empty. With it, files that stand under
    their own names are proved again and kept, parts are made anew, and a file that is not what
    its clip would give is refused, never replaced. Raises as `run_ingest`.
    """
    sources = tuple(sources)
    paths = tuple(destination / name for name in file_names(sources, pool.encoding))
    _claim(destination, _describe(sources, pool), resume=resume)
    kept = _finished_before(sources, paths, pool, clock_ns)
    todo = tuple(number for number in _order(sources, pool.order) if number not in kept)
    for path in paths:
        part_of(path).unlink(missing_ok=True)  # left by a session that was ended
    plan = _Plan(sources=sources, paths=paths, order=todo, pool=pool, clock_ns=clock_ns)
    made: dict[int, IngestedClip] = dict(kept)
    if todo:
        for clips in run_parallel(_work, plan, worker_count=pool.job_count):
            made |= {clip.clip_index: clip for clip in clips}
    return [made[number] for number in range(len(sources))]


def file_names(sources: Sequence[IngestSource], encoding: Encoding) -> list[str]:
    """One file name per clip, all different: the clip's number keeps equal names apart."""
    width = len(str(len(sources)))
    return [
        f"{number:0{width}d}-{_plain(source.clip)}.{encoding.container}"
        for number, source in enumerate(sources, start=1)
    ]


def _plain(name: str) -> str:
    """A name that every file system takes."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in name)[:80]


def _describe(sources: Sequence[IngestSource], pool: Pool) -> str:
    """What decides the files' content, as text: the clips, the encoding, the picture height."""
    facts = {
        "encoding": pool.encoding.model_dump(mode="json", exclude={"name", "caution"}),
        "height_px": pool.height_px,
        "clips": [source.model_dump(mode="json") for source in sources],
    }
    return json.dumps(facts, sort_keys=True, indent=1)


def _claim(destination: Path, description: str, *, resume: bool) -> None:
    """Make the folder and note what goes there, or see that the same was begun there before."""
    note = destination / NOTE_NAME
    present = set(destination.iterdir()) if destination.exists() else set()
    if present and not resume:
        raise DestinationError(
            where=str(destination),
            what="the folder is not empty and nothing is ever overwritten",
            remedy="Name another folder, or resume the ingest that made it.",
        )
    is_begun = bool(present - {part_of(note)})
    if is_begun and not (note.is_file() and note.read_text(encoding="utf-8") == description):
        raise DestinationError(
            where=str(destination),
            what="what was begun there is another ingest (clips, encoding or size differ)",
            remedy="Resume it with what it was begun with, or name another folder.",
        )
    destination.mkdir(parents=True, exist_ok=True)
    if not is_begun:
        part_of(note).write_text(description, encoding="utf-8")
        part_of(note).replace(note)


def _order(sources: Sequence[IngestSource], order: ClipOrder) -> list[int]:
    """Clips in the order in which workers take them; length is counted in pixels."""
    numbers = list(range(len(sources)))
    if order == "longest-first":
        indices = [read_frame_index(source.media.index_path) for source in sources]
        numbers.sort(
            key=lambda n: -sources[n].frame_count * indices[n].width_px * indices[n].height_px
        )
    return numbers


def _finished_before(
    sources: Sequence[IngestSource],
    paths: Sequence[Path],
    pool: Pool,
    clock_ns: Callable[[], int],
) -> dict[int, IngestedClip]:
    """Files of an earlier session, proved again."""
    kept = {}
    for number, (source, path) in enumerate(zip(sources, paths, strict=True)):
        if path.exists():
            now_ns = clock_ns()
            index = first_frames(read_frame_index(source.media.index_path), source.frame_count)
            try:
                found = prove_clip(
                    path, index, where=str(path), is_resized=pool.height_px is not None
                )
            except (EncodingError, FootageError) as error:
                raise DestinationError(
                    where=str(path),
                    what=f"it is not this clip's file ({error.what})",
                    remedy="Move it away, or name another folder.",
                ) from error
            kept[number] = IngestedClip(
                clip_index=number,
                path=path,
                worker_index=0,
                start_ns=now_ns,
                encoded_ns=now_ns,
                end_ns=now_ns,
                cpu_ns=0,
                frame_count=found.frame_count,
                size=(found.width_px, found.height_px),
                file_bytes=found.file_bytes,
                was_finished=True,
            )
    return kept


def _work(plan: _Plan, number: int, pool: ProcessPool) -> list[IngestedClip]:
    """One worker: meet, then take clips until none is left."""
    done = []
    pool.start_together(plan.clock_ns)
    while (place := pool.next_index()) < len(plan.order):
        done.append(_ingest(plan, plan.order[place], number))
    return done


def _ingest(plan: _Plan, clip_index: int, worker_index: int) -> IngestedClip:
    """Decode, convert, encode to a part, prove it, give it its name."""
    pool, source, path = plan.pool, plan.sources[clip_index], plan.paths[clip_index]
    start_ns, start_cpu_ns = plan.clock_ns(), time.process_time_ns()
    index = first_frames(read_frame_index(source.media.index_path), source.frame_count)
    part = part_of(path)
    size = encode_clip(
        source.media.media_path,
        index,
        part,
        encoding=pool.encoding,
        thread_count=pool.thread_count,
        height_px=pool.height_px,
    )
    encoded_ns = plan.clock_ns()
    found = prove_clip(
        part, index, where=f'clip "{source.clip}"', is_resized=pool.height_px is not None
    )
    give_name(part, path)
    return IngestedClip(
        clip_index=clip_index,
        path=path,
        worker_index=worker_index,
        start_ns=start_ns,
        encoded_ns=encoded_ns,
        end_ns=plan.clock_ns(),
        cpu_ns=time.process_time_ns() - start_cpu_ns,
        frame_count=found.frame_count,
        size=size,
        file_bytes=found.file_bytes,
    )
