"""The ingest task: a folder of clips to an encoding by a pool of processes, each file proved.

A file is called `<name>.part` until it is decoded again and holds the clip's pictures in order; it
never goes over a file that stands there. Sources are opened read-only. Over a modelled link both
ways take the line that all workers share: what is written is sent behind the encoder, and is there
before the name; it is read back out of the file cache.
"""

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Final

from av.video.frame import VideoFrame

from mezzmark.engines.encode import encoded_file
from mezzmark.engines.encode.encoders import taken
from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.encode.whole_file import carrier_for
from mezzmark.engines.media.conversion import read_pictures
from mezzmark.engines.media.frame_index import build_frame_index, read_frame_index
from mezzmark.engines.media.storage_file import Line, SentFile, StorageFile, line_of
from mezzmark.host.common import read_battery, read_host_moment, read_process_facts
from mezzmark.host.file_pages import is_dropped
from mezzmark.model.errors import EngineError
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.ingest import HeatMoment, IngestJob, IngestMeasurement
from mezzmark.own_files import safe_file_name

_ANOTHER_FOLDER: Final = "Name another folder."

MOMENT_S: Final = 10.0
"""Reading them takes a millisecond, and heat comes within minutes."""

FEWEST_MOMENTS: Final = 20
"""Of a trial that lasts less long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestedClip:
    """One clip's way through the pool; clock readings are absolute. `wait_ns` is how long it waited
    for storage, None where nobody looked; `place` the how manieth that was taken."""

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
    wait_ns: int | None
    place: int = 0


def run_ingest(job: IngestJob, clock_ns: Callable[[], int]) -> Measured:
    """Ingest the folder into the job's scratch folder, timed from the pool's release. Raises
    EncodingError when a clip's file is not whole, DestinationError when something stands where a
    file would go, EngineError when a process died or the job is for several hosts."""
    if job.hosts:
        what = "several machines cannot be measured from one of them"
        remedy = "Leave hosts out; `mezzmark fleet ingest` fills them in."
        raise EngineError(where="[ingest] hosts", what=what, remedy=remedy)
    dropped = [is_dropped(one.media.media_path) for one in job.sources if job.is_cold]
    with watched(job.lasting_s, clock_ns) as moments:
        made = ingest_all(job, Path(job.scratch_dir) / "ingested", clock_ns=clock_ns)
    clips, later = made[: len(job.sources)], made[len(job.sources) :]
    release_ns = min(clip.start_ns for clip in made)  # a later one's worker may have been quicker
    as_told = ("frame_count", "worker_index", "cpu_ns", "file_bytes")
    since_release = ("start_ns", "encoded_ns", "end_ns")
    sizes = [Path(source.media.media_path).stat().st_size for source in job.sources]
    measurement = IngestMeasurement(
        clips=tuple(source.clip for source in job.sources),
        width_px=tuple(clip.size[0] for clip in clips),
        height_px=tuple(clip.size[1] for clip in clips),
        source_bytes=tuple(sizes),
        **{name: tuple(getattr(clip, name) for clip in clips) for name in as_told},
        **{
            name: tuple(getattr(clip, name) - release_ns for clip in clips)
            for name in since_release
        },
        is_verified=(True,) * len(clips),
        worker_count=job.job_count,
        wait_ns=tuple(clip.wait_ns for clip in clips if clip.wait_ns is not None),
        lasting_ns=round(job.lasting_s * NS_PER_S),
        later_clip=tuple(clip.clip_index for clip in later),
        later_start_ns=tuple(clip.start_ns - release_ns for clip in later),
        later_end_ns=tuple(clip.end_ns - release_ns for clip in later),
        moments=tuple(
            one.model_copy(update={"at_ns": one.at_ns - release_ns})
            for one in moments
            if one.at_ns >= release_ns
        ),
    )
    flags = ("not_cold",) * (not all(dropped))
    return Measured(measurement=measurement, process=read_process_facts(), flags=flags)


def _heat_moment(at_ns: int) -> HeatMoment:
    """The machine's clock, slowings for heat and battery now; None where it does not tell."""
    now, battery = read_host_moment(), read_battery()
    plugged, percent = (getattr(battery, key, None) for key in ("power_plugged", "percent"))
    return HeatMoment(
        at_ns=at_ns,
        frequency_mhz=now.frequency_mhz,
        throttle_count=now.throttle_count,
        on_battery=None if plugged is None else not plugged,
        battery_fraction=None if percent is None else percent / 100,
    )


@contextmanager
def watched(lasting_s: float, clock_ns: Callable[[], int]) -> Iterator[list[HeatMoment]]:
    """Moments while the block runs, at its start and end too; none where it does not last."""
    moments: list[HeatMoment] = []
    if not lasting_s:
        yield moments
        return
    is_over = threading.Event()

    def watch() -> None:
        while True:
            moments.append(_heat_moment(clock_ns()))
            if is_over.wait(min(MOMENT_S, lasting_s / FEWEST_MOMENTS)):
                return

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield moments
    finally:
        is_over.set()
        thread.join()
        moments.append(_heat_moment(clock_ns()))


def ingest_all(
    job: IngestJob, destination: Path, *, clock_ns: Callable[[], int]
) -> list[IngestedClip]:
    """Every clip encoded and proved in `destination`, one entry per source, in their order; then
    what a job that lasts ingested again, as it was taken. Raises as `run_ingest`."""
    destination.mkdir(parents=True, exist_ok=True)
    paths = tuple(destination / name for name in file_names(job))
    line = line_of(job.link) if job.link else None
    work = partial(_work, job, paths, tuple(clip_order(job)), clock_ns, line)
    made = chain.from_iterable(run_parallel(work, worker_count=job.job_count))
    count = len(job.sources)
    return sorted(made, key=lambda c: c.clip_index if c.place < count else c.place)


def file_names(job: IngestJob) -> list[str]:
    """One file name per clip, all different: the clip's number keeps equal names apart."""
    width = len(str(len(job.sources)))
    return [
        f"{number:0{width}d}-{safe_file_name(source.clip)}.{job.encoding.container}"
        for number, source in enumerate(job.sources, start=1)
    ]


def clip_order(job: IngestJob) -> list[int]:
    """Clips in the order in which workers take them; length is counted in pixels."""
    numbers = list(range(len(job.sources)))
    if job.order == "longest-first":
        indices = [read_frame_index(source.media.index_path) for source in job.sources]
        numbers.sort(
            key=lambda n: -job.sources[n].frame_count * indices[n].width_px * indices[n].height_px
        )
    return numbers


def _work(
    job: IngestJob,
    paths: Sequence[Path],
    order: Sequence[int],
    clock_ns: Callable[[], int],
    line: Line | None,
    number: int,
    pool: ProcessPool,
) -> list[IngestedClip]:
    """One worker: meet, then take clips, in this order, until none is left; or, where the job
    lasts, from the first one on again until its time is over, keeping no file of those."""
    done = []
    pool.start_together(clock_ns)
    end_ns = pool.release_ns.value + job.lasting_s * NS_PER_S
    while (place := pool.next_index()) < len(order) or clock_ns() < end_ns:
        clip_index = order[place % len(order)]
        path = paths[clip_index]
        if is_again := place >= len(order):
            path = path.with_name(f"{place}-{path.name}")
        made = _ingest(job, clip_index, path, line, number, clock_ns)
        done.append(replace(made, place=place))
        if is_again:
            path.unlink()
    return done


def _ingest(
    job: IngestJob,
    clip_index: int,
    path: Path,
    line: Line | None,
    worker_index: int,
    clock_ns: Callable[[], int],
) -> IngestedClip:
    """Decode, convert, encode to a part, prove it, give it its name."""
    start_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
    source, part = job.sources[clip_index], path.with_name(f"{path.name}.part")
    index = encoded_file.first_frames(read_frame_index(source.media.index_path), source.frame_count)
    media_path = source.media.media_path
    carrier = carrier_for(media_path, index, job.encoding) if source.is_own else None
    reader = StorageFile(media_path, line) if line or job.is_cold else None
    sent = SentFile(part, line) if line else None
    pictures = read_pictures(media_path, index, thread_count=job.thread_count, source=reader)
    size = encoded_file.encode_clip(
        media_path,
        index,
        part,
        encoding=job.encoding,
        thread_count=job.thread_count,
        height_px=job.height_px,
        carrier=carrier,
        pictures=_sending(pictures, sent) if sent else pictures,
    )
    encoded_ns = clock_ns()
    entered = encoded_file.pick_frames(index, carrier.timing.shown) if carrier else index
    found, where = build_frame_index(part, is_stamped=entered.is_stamped), f'clip "{source.clip}"'
    remedy = "Leave the encoding out; it cannot be trusted with footage."
    encoded_file.refuse_lost_pictures(entered, found, where=where, remedy=remedy)
    if carrier:
        carrier.prove(part, found, where)
    wait_ns = reader.wait_ns if reader else None
    if sent:
        proved_ns = clock_ns()
        sent.finish()
        wait_ns = (wait_ns or 0) + clock_ns() - proved_ns
    give_name(part, path)
    return IngestedClip(
        clip_index=clip_index,
        path=path,
        worker_index=worker_index,
        start_ns=start_ns,
        encoded_ns=encoded_ns,
        end_ns=clock_ns(),
        cpu_ns=time.process_time_ns() - start_cpu_ns,
        frame_count=found.frame_count,
        size=size,
        file_bytes=found.file_bytes,
        wait_ns=wait_ns,
    )


def _sending(pictures: Iterator[VideoFrame], sent: SentFile) -> Iterator[VideoFrame]:
    """At each picture goes what was written of those before."""
    for picture in pictures:
        sent.send()
        yield picture


def give_name(part: Path, path: Path) -> None:
    """Put the finished file under its name, on disk whole; DestinationError over another."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    try:
        os.link(part, path)
    except FileExistsError:
        raise taken(path, _ANOTHER_FOLDER) from None
    except OSError:  # a file system without links
        if path.exists():
            raise taken(path, _ANOTHER_FOLDER) from None
        part.rename(path)
        return
    part.unlink()
