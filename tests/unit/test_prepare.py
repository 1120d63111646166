"""Preparing footage: which files, which names, and what is refused without ending the run."""

import threading
import time
from fractions import Fraction
from pathlib import Path

import pytest

from mezzmark.engines.media import frame_index
from mezzmark.engines.media import probe as media
from mezzmark.model.errors import (
    DiskFullError,
    FootageError,
    InterruptedRunError,
    MezzmarkError,
    ScenarioError,
)
from mezzmark.model.footage import ClipSpec, FrameIndex, Recipe
from mezzmark.model.jobs import JobFailed, PreparedMedia, ProgressUpdate, WorkerFailed
from mezzmark.model.preparations import PrepareEncodingJob, PrepareOwnJob, PreparePicturesJob, Shot
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.runner import at_once
from mezzmark.runner.events import LeftOut, Preparing
from mezzmark.runner.footage_files import find_files, name_clips
from mezzmark.runner.prepare import median_keyframe_interval, prepare_footage
from simulation.synthetic_footage import synthetic_footage

REFUSED = JobFailed(where="vc3", what="no such size", remedy="Choose another.", exit_code=26)


def touch(*paths: Path) -> None:
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")


def test_paths_and_globs_become_files_each_once(tmp_path: Path) -> None:
    """A glob's files come by name, sub-folders by **; a file met twice counts once, and as
    named where it was."""
    names = ["b.mov", "a.mov", "card/c.mov", "notes.txt"]
    touch(*(tmp_path / name for name in names))
    found = find_files((f"{tmp_path}/*.mov", f"{tmp_path}/b.mov", f"{tmp_path}/**/c.mov"))
    assert [Path(file.path).relative_to(tmp_path).as_posix() for file in found] == [
        *("a.mov", "b.mov", "card/c.mov")
    ]
    assert [file.is_named for file in found] == [False, True, False]


def test_a_file_whose_name_looks_like_a_glob_is_itself(tmp_path: Path) -> None:
    """Brackets in a name are taken literally when there is such a file."""
    touch(tmp_path / "take [1].mov", tmp_path / "take 1.mov")
    [found] = find_files((f"{tmp_path}/take [1].mov",))
    assert (found.path, found.is_named) == (f"{tmp_path}/take [1].mov", True)


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        ("*.mov", "no file fits this pattern"),
        ("x.mov", "no such file"),
        ("x" * 300, "no such file"),
        ("", "no file lies in this folder"),
    ],
)
def test_what_names_no_file_is_an_error(tmp_path: Path, pattern: str, text: str) -> None:
    """A glob without a match, a missing file, a name longer than any and an empty folder are told,
    each in its own words."""
    with pytest.raises(FootageError, match=text):
        find_files((str(tmp_path / pattern),))


def test_own_clips_have_names_of_their_own() -> None:
    """One file keeps the clip's name; several add theirs; equal ones are numbered."""
    shots = [Shot(path=path) for path in ("a/C1.mov", "b/C1.mov", "b/C2.mov")]
    assert list(name_clips("own", shots[:1])) == ["own"]
    assert list(name_clips("own", shots)) == ["own/C1.mov", "own/C1.mov (2)", "own/C2.mov"]


@pytest.mark.parametrize(
    ("keys", "interval"), [("1000", 4), ("1111", 1), ("10010", 3), ("100101", 2.5)]
)
def test_the_median_distance_of_key_frames(keys: str, interval: float) -> None:
    """Counted by hand; a single key frame reaches to the clip's end."""
    assert median_keyframe_interval(tuple(key == "1" for key in keys)) == interval


def own_scenario(folder: Path, count: int) -> Scenario:
    files = [folder / f"{k}.mov" for k in range(count)]
    touch(*files)
    return Scenario(
        name="own",
        seed=1,
        clips=(ClipSpec(name="own", files=tuple(map(str, files))),),
        encodings=("original", "vc3-sq", "mjpeg-fine"),
        encode=EncodeSettings(),
    )


def prepared(frame_count: int) -> PreparedMedia:
    return PreparedMedia(
        media=MediaReference(media_path="m", index_path="i"),
        fingerprint="f",
        file_bytes=1000,
        frame_count=frame_count,
        duration_s=2.0,
        was_cached=False,
    )


@pytest.fixture(autouse=True)
def no_files_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Indexes and media facts stand in for files that these tests do not make."""
    index = FrameIndex(
        path="m",
        file_bytes=1000,
        time_base=Fraction(1, 24),
        pts=(0, 1),
        is_keyframe=(True, False),
        packet_bytes=(300, 200),
        digests=("a", "b"),
        stamps=(-1, -1),
        is_stamped=False,
        width_px=64,
        height_px=64,
        pixel_format="yuv420p",
        frame_rate=Fraction(24),
    )
    one_clip = Scenario(
        name="x",
        seed=1,
        clips=(ClipSpec(name="x", recipe=Recipe()),),
        encode=EncodeSettings(),
    )
    facts = synthetic_footage(one_clip).clips[0].original
    monkeypatch.setattr(frame_index, "read_frame_index", lambda _: index)
    monkeypatch.setattr(media, "probe_media", lambda _: facts)


def run_to_end(scenario: Scenario, dispatch):
    """The events of a preparation, and the footage it returns."""
    events = []
    preparation = prepare_footage(scenario, cache_dir=Path("cache"), dispatch=dispatch)
    while True:
        try:
            events.append(next(preparation))
        except StopIteration as end:
            return events, end.value


def test_what_cannot_be_made_is_noted_and_the_rest_is_prepared(tmp_path: Path) -> None:
    """One damaged file and one refused encoding are told with clip, encoding and reason; progress
    counts every step. Pictures that cannot be stored are nobody's loss."""

    def dispatch(job, _timeout_s):
        if isinstance(job, PrepareOwnJob):
            yield ProgressUpdate(message="indexing", done_fraction=0.5)
            if job.media_path.endswith("1.mov"):
                yield WorkerFailed(outcome="crashed", reason="ended by SIGSEGV")
            else:
                yield prepared(48)
        elif isinstance(job, PreparePicturesJob) or job.encoding.name == "vc3-sq":
            yield REFUSED
        else:
            yield prepared(47)

    events, footage = run_to_end(own_scenario(tmp_path, 3), dispatch)
    assert [clip.clip for clip in footage.clips] == ["own/0.mov", "own/2.mov"]
    assert set(footage.media) == {
        (clip, encoding)
        for clip in ("own/0.mov", "own/2.mov")
        for encoding in ("original", "mjpeg-fine")
    }
    assert footage.refused == [
        'clip "own/0.mov", encoding "vc3-sq": vc3: no such size. Choose another.',
        'clip "own/1.mov": the worker crashed (ended by SIGSEGV)',
        'clip "own/2.mov", encoding "vc3-sq": vc3: no such size. Choose another.',
    ]
    assert footage.frame_counts == {"own/0.mov": 47, "own/2.mov": 47}
    assert {m.bitrate_bps for m in footage.media_manifests} == {2000.0}
    assert {clip.source for clip in footage.clips} == {"own"}
    steps = [event for event in events if isinstance(event, Preparing)]
    assert [event.done for event in steps] == sorted(event.done for event in steps)
    assert {event.total for event in steps} == {15}  # two pixel formats are stored of each clip
    assert {event.begun for event in steps} <= {0.0, 0.5, 1.0}
    told = [event.reason for event in events if isinstance(event, LeftOut)]
    assert sorted(told) == footage.refused
    assert footage.pictures == {}


def test_two_clips_of_one_name_are_refused(tmp_path: Path) -> None:
    """A clip of several files names them after itself; another one called so is not measured in
    the place of one of them."""
    several = own_scenario(tmp_path, 2)
    single = several.clips[0].model_copy(
        update={"name": "own/1.mov", "files": several.clips[0].files[:1]}
    )
    scenario = several.model_copy(update={"clips": (*several.clips, single)})
    with pytest.raises(ScenarioError, match=r"own/1\.mov"):
        run_to_end(scenario, lambda job, _: iter([REFUSED]))


def test_no_clip_left_ends_the_run_with_the_reasons(tmp_path: Path) -> None:
    """Nothing to measure is a user's mistake, told with what was wrong with each file."""
    with pytest.raises(FootageError, match=r"0\.mov.*no such size.*1\.mov"):
        run_to_end(own_scenario(tmp_path, 2), lambda job, _: iter([REFUSED]))


@pytest.mark.parametrize("exit_code", [24, 27, 29])
def test_a_fault_of_the_machine_ends_the_preparation(exit_code: int, tmp_path: Path) -> None:
    """A full disk, storage that cannot be written and a lack of memory are no encoding's fault."""
    fault = REFUSED.model_copy(update={"exit_code": exit_code})
    with pytest.raises(MezzmarkError) as caught:
        run_to_end(own_scenario(tmp_path, 1), lambda job, _: iter([fault]))
    assert caught.value.exit_code == exit_code


def test_a_killed_worker_and_a_wish_to_stop_end_the_preparation(tmp_path: Path) -> None:
    """Neither is an encoding's fault, so neither is noted as one."""
    scenario = own_scenario(tmp_path, 1)
    killed = WorkerFailed(outcome="crashed", reason="ended by SIGKILL", killed_by="SIGKILL")
    with pytest.raises(MezzmarkError, match=r"own: .*SIGKILL") as caught:
        run_to_end(scenario, lambda job, _: iter([killed]))
    assert caught.value.exit_code == 29
    stopped = WorkerFailed(outcome="cancelled", reason="")
    with pytest.raises(InterruptedRunError, match="--resume"):
        run_to_end(scenario, lambda job, _: iter([stopped]))


@pytest.fixture
def four_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine with eight cores and memory enough."""
    monkeypatch.setattr(at_once, "read_usable_core_count", lambda: 8)
    monkeypatch.setattr(at_once, "read_free_memory_bytes", lambda: 10**12)


def test_footage_is_prepared_several_pieces_at_a_time(tmp_path: Path, four_at_once: None) -> None:
    """Four originals wait for each other, so none would come if fewer ran; the footage comes in the
    scenario's order all the same."""
    together = threading.Barrier(4)

    def dispatch(job, _timeout_s):
        if isinstance(job, PrepareOwnJob):
            together.wait(timeout=30)
        yield prepared(48)

    _, footage = run_to_end(own_scenario(tmp_path, 4), dispatch)
    assert [clip.clip for clip in footage.clips] == [f"own/{n}.mov" for n in range(4)]
    assert set(footage.pictures.values()) == {"m"}


def test_what_ends_a_preparation_ends_the_others_too(tmp_path: Path, four_at_once: None) -> None:
    """A full disk is told once the worker beside it is closed."""
    beside, closed = threading.Event(), threading.Event()

    def dispatch(job, _timeout_s):
        if job.media_path.endswith("0.mov"):
            beside.wait(timeout=30)
            yield REFUSED.model_copy(update={"exit_code": 24})
            return
        try:
            while True:
                beside.set()
                time.sleep(0.01)  # a worker does not speak without end
                yield ProgressUpdate(message="indexing", done_fraction=0.5)
        finally:
            closed.set()

    with pytest.raises(DiskFullError):
        run_to_end(own_scenario(tmp_path, 2), dispatch)
    assert closed.is_set()


@pytest.mark.parametrize(
    ("cores", "free_gb", "wanted"),
    [(1, 99, 1), (2, 99, 2), (4, 99, 2), (16, 99, 8), (16, 9, 3), (16, 0.1, 1)],
)
def test_as_many_at_once_as_cores_and_memory_bear(cores: int, free_gb: float, wanted: int) -> None:
    """One for every two cores, two where there are two, fewer where memory is short, never none."""
    assert at_once.jobs_at_once(cores, int(free_gb * 1e9)) == wanted


def test_encodings_are_made_from_the_prepared_original_alike_everywhere(tmp_path: Path) -> None:
    """The jobs name the cache, the source that was prepared, and a thread count that does not
    depend on the machine."""
    jobs = []

    def dispatch(job, _timeout_s):
        jobs.append(job)
        yield prepared(48)

    run_to_end(own_scenario(tmp_path, 1), dispatch)
    encodes = [job for job in jobs if isinstance(job, PrepareEncodingJob)]
    assert {job.encoding.name for job in encodes} == {"vc3-sq", "mjpeg-fine"}
    assert {(job.source.media_path, job.thread_count, job.cache_dir) for job in encodes} == {
        ("m", 4, "cache")
    }
