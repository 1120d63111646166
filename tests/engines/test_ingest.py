"""Ingesting a folder on real encoders: every file whole, nothing overwritten, nothing redone."""

import itertools
from pathlib import Path

import pytest

from fixtures.encoded_pictures import FRAME_COUNT, SMALL, decode_all, master, stamp_in, ticking_ns
from fixtures.scrubbed import indexed
from mezzmark.engines.encode import ingest
from mezzmark.engines.encode.encoded_file import fitted_size
from mezzmark.engines.encode.ingest import (
    IngestedClip,
    file_names,
    give_name,
    ingest_all,
    run_ingest,
    watched,
)
from mezzmark.engines.media.cache import file_fingerprint
from mezzmark.engines.media.frame_index import write_frame_index
from mezzmark.engines.media.storage_file import Line, SentFile
from mezzmark.host.common import read_clock_ns
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.errors import DestinationError, EncodingError
from mezzmark.model.link import LinkSettings
from mezzmark.model.tasks.ingest import IngestJob, IngestMeasurement, IngestSource

LENGTHS = (4, FRAME_COUNT, 8)


def _sources(folder: Path) -> tuple[IngestSource, ...]:
    folder.mkdir(exist_ok=True)
    media = indexed(master().path, folder, master().index)
    return tuple(
        IngestSource(clip=f"take {frames}/A", media=media, frame_count=frames) for frames in LENGTHS
    )


def _job(folder: Path, encoding: str = "vc3-sq", **changes: object) -> IngestJob:
    """Three clips by one process, but for `changes`."""
    job = IngestJob(
        sources=_sources(folder),
        encoding=find_encoding(encoding),
        thread_count=1,
        job_count=1,
        order="longest-first",
        height_px=None,
        scratch_dir=str(folder),
    )
    return job.model_copy(update=changes)


@pytest.fixture(scope="module")
def ingested(tmp_path_factory: pytest.TempPathFactory) -> tuple[IngestMeasurement, Path, str]:
    """Three clips by two processes, with the original's digest from before."""
    folder = tmp_path_factory.mktemp("ingest")
    before = file_fingerprint(master().path)
    job = _job(folder, job_count=2)
    measured = run_ingest(job, read_clock_ns).measurement
    assert isinstance(measured, IngestMeasurement)
    return measured, folder / "ingested", before


def test_every_clip_comes_out_whole(ingested: tuple[IngestMeasurement, Path, str]) -> None:
    """Each file holds its clip's pictures, stamps in order, by an independent decode; no part is
    left; the original is untouched."""
    measured, folder, before = ingested
    assert measured.frame_count == LENGTHS
    files = sorted(folder.glob("*.mov"))
    assert len(files) == len(LENGTHS)
    for path, frames in zip(files, LENGTHS, strict=True):
        assert [stamp_in(frame) for frame in decode_all(path)] == list(range(frames))
    assert not list(folder.glob("*.part"))
    assert file_fingerprint(master().path) == before


def test_the_record_fits_together(ingested: tuple[IngestMeasurement, Path, str]) -> None:
    """Clips start, are encoded, and end in that order; no worker has two at once; the longest is
    taken first."""
    measured, *_ = ingested
    for start, encoded, end in zip(
        measured.start_ns, measured.encoded_ns, measured.end_ns, strict=True
    ):
        assert 0 <= start < encoded < end
    spans = sorted(zip(measured.worker_index, measured.start_ns, measured.end_ns, strict=True))
    for (worker, _, end), (next_worker, start, _) in itertools.pairwise(spans):
        assert worker != next_worker or end <= start
    assert measured.start_ns.index(min(measured.start_ns)) in (1, 2)
    assert set(measured.worker_index) <= {0, 1}
    assert measured.is_verified == (True, True, True)


def test_over_a_link_both_ways_take_the_line(tmp_path: Path) -> None:
    """A line so slow that it alone decides: no file stands before what was read for it, and what
    was written, has passed; the file is that of an ingest without a link, where nobody waits."""
    link = LinkSettings(rate="1 Mbit/s", round_trip_ms=1, window_kib=0).link
    job = _job(tmp_path, sources=_sources(tmp_path)[:1], link=link)
    measured = run_ingest(job, read_clock_ns).measurement
    assert isinstance(measured, IngestMeasurement)
    read_bytes = sum(master().index.packet_bytes[: LENGTHS[0]])
    least_ns = (read_bytes + measured.file_bytes[0]) * 8e9 / link.rate_bps
    assert least_ns <= measured.end_ns[0]
    assert 0 < measured.wait_ns[0] <= measured.end_ns[0]
    (plain,) = ingest_all(
        job.model_copy(update={"link": None}), tmp_path / "out", clock_ns=read_clock_ns
    )
    (path,) = (tmp_path / "ingested").iterdir()
    assert (path.read_bytes(), plain.wait_ns) == (plain.path.read_bytes(), None)


def test_a_file_is_sent_behind_its_writer_in_whole_requests(tmp_path: Path) -> None:
    """Nothing goes before a request is full; at the end the rest goes, each byte once, and the
    writer waits until the last is there."""
    path, asked = tmp_path / "part", []
    line = Line(LinkSettings(rate="1 Gbit/s", request_kib=4).link)
    line.ask = lambda at_ns, count: asked.append(count) or at_ns + 2_000_000
    file = SentFile(path, line)
    for size, sent in ((4095, []), (4096, [4096]), (9000, [4096, 4096])):
        path.write_bytes(bytes(size))
        file.send()
        assert asked == sent
    start_ns = read_clock_ns()
    file.finish()
    assert (asked, read_clock_ns() - start_ns >= 2_000_000) == ([4096, 4096, 808], True)


def test_names_differ_and_suit_every_file_system(tmp_path: Path) -> None:
    """Equal and odd clip names give different plain file names."""
    source = _sources(tmp_path)[0]
    odd = [
        source.model_copy(update={"clip": name}) for name in ("a/b", "a/b", "..", "é\n:", "x" * 300)
    ]
    names = file_names(_job(tmp_path, sources=tuple(odd)))
    assert len(set(names)) == len(names)
    assert all(len(name) < 100 and set(name) <= set("abx0123456789-.mov") for name in names)


def test_nothing_is_ever_overwritten(tmp_path: Path) -> None:
    """A foreign file under a clip's name is refused and left as it is."""
    job, folder = _job(tmp_path, sources=_sources(tmp_path)[:1]), tmp_path / "out"
    folder.mkdir()
    mine = folder / file_names(job)[0]
    mine.write_text("mine")
    with pytest.raises(DestinationError, match="stands there already"):
        ingest_all(job, folder, clock_ns=read_clock_ns)
    assert mine.read_text() == "mine"


def test_a_name_is_never_taken_over(tmp_path: Path) -> None:
    """Where a file appeared meanwhile under the clip's name, the part keeps its own."""
    part, path = tmp_path / "a.mov.part", tmp_path / "a.mov"
    part.write_bytes(b"new")
    path.write_bytes(b"old")
    with pytest.raises(DestinationError):
        give_name(part, path)
    assert (part.read_bytes(), path.read_bytes()) == (b"new", b"old")


def test_pictures_in_another_order_are_not_a_finished_file(tmp_path: Path) -> None:
    """When the stamps that come back are not the clip's, the file never gets its name."""
    job, folder = _job(tmp_path, sources=_sources(tmp_path)[:1]), tmp_path / "out"
    index = master().index
    swapped = index.model_copy(update={"stamps": (*index.stamps[1:], index.stamps[0])})
    write_frame_index(swapped, tmp_path / "index.json")
    with pytest.raises(EncodingError, match="another order"):
        ingest_all(job, folder, clock_ns=read_clock_ns)
    assert not list(folder.glob("*.mov"))


@pytest.mark.parametrize(
    ("size", "wanted", "fitted"),
    [
        ((3840, 2160), 1080, (1920, 1080)),
        ((4096, 2160), 1080, (2048, 1080)),
        ((1920, 1080), 2160, (1920, 1080)),
        ((1280, 720), None, (1280, 720)),
        ((1000, 562), 140, (250, 140)),
    ],
)
def test_resizing_keeps_the_shape(size: tuple, wanted: int | None, fitted: tuple) -> None:
    """The width follows the height, even, and pictures are never enlarged."""
    assert fitted_size(*size, wanted) == fitted


def test_resized_files_have_the_size_asked_for(tmp_path: Path) -> None:
    """At half height a file holds as many pictures, half as large."""
    job = _job(tmp_path, "ffv1", sources=_sources(tmp_path)[:1], height_px=122)
    made = ingest_all(job, tmp_path / "out", clock_ns=read_clock_ns)[0]
    frames = decode_all(made.path)
    assert len(frames) == LENGTHS[0]
    assert {(f.width, f.height) for f in frames} == {made.size} == {(244, 122)}
    assert made.size != SMALL


def test_a_job_that_lasts_goes_through_the_folder_again(tmp_path: Path) -> None:
    """All is done once however short the time; what is begun afterwards is begun within it, in the
    order of the first time, and leaves no file. The clock goes on by 0.1 s at each reading."""
    short = run_ingest(_job(tmp_path, lasting_s=0.000_001), ticking_ns).measurement
    assert (short.later_clip, short.is_verified) == ((), (True,) * 3)
    long = run_ingest(_job(tmp_path / "long", lasting_s=4.0), ticking_ns).measurement
    again = len(long.later_clip)
    assert again >= 4
    order = sorted(range(3), key=lambda clip: long.start_ns[clip])
    assert list(long.later_clip) == (order * again)[:again]
    assert max(long.later_start_ns) < 4.1 * 10**9
    assert long.lasting_ns == 4 * 10**9
    assert len(list((tmp_path / "long" / "ingested").iterdir())) == 3


def test_a_later_clip_may_be_begun_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two workers and one clip, the one that takes it again may be the quicker one: time counts
    from when any of them began."""
    job = _job(tmp_path, sources=_sources(tmp_path)[:1], job_count=2, lasting_s=1.0)
    how = {"clip_index": 0, "path": tmp_path, "frame_count": 4, "size": SMALL, "wait_ns": None}
    how |= {"cpu_ns": 1, "file_bytes": 1}
    made = [
        IngestedClip(start_ns=at, encoded_ns=at + 5, end_ns=at + 9, worker_index=at - 100, **how)
        for at in (101, 100)
    ]
    monkeypatch.setattr(ingest, "ingest_all", lambda *_, **__: made)
    found = run_ingest(job, read_clock_ns).measurement
    assert (found.start_ns, found.later_start_ns) == ((1,), (0,))


def test_the_machine_is_watched_while_a_job_lasts() -> None:
    """A moment at the beginning and one at the end at least, in order; none of a job that does not
    last."""
    with watched(1000.0, read_clock_ns) as moments:
        begun_ns = read_clock_ns()
    assert len(moments) >= 2
    assert [m.at_ns for m in moments] == sorted(m.at_ns for m in moments)
    assert moments[-1].at_ns >= begun_ns
    with watched(0, read_clock_ns) as moments:
        pass
    assert moments == []
