"""What of a folder is taken for clips, and what is left out with a reason: by content alone."""

import os
import re
import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import mezzmark
from fixtures.card_folder import make_card, write_clip
from fixtures.clip_zoo import FRAME_COUNT, avc, make_zoo_clip, stamped_frames
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.engines.footage.folder import Look, goes_on_by, is_smaller_copy, look_at, sort_files
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import timecode_frame
from mezzmark.model.preparations import FoundFile, PrepareOwnJob, SortedFiles, SortFilesJob
from mezzmark.model.scenario import Scenario
from mezzmark.runner import at_once
from mezzmark.runner.events import LeftOut
from mezzmark.runner.footage_files import fault_text, find_files
from mezzmark.runner.prepare import prepare_footage


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One card for all tests here, which only read it."""
    return make_card(tmp_path_factory.mktemp("cards"))


def sort(*patterns: str | Path) -> SortedFiles:
    files = find_files([str(pattern) for pattern in patterns])
    return sort_files(SortFilesJob(files=files), lambda _message, _share: None)


def clips_of(found: SortedFiles, folder: Path) -> list[str]:
    return [Path(shot.path).relative_to(folder).as_posix() for shot in found.shots]


def test_every_file_of_a_card_is_a_clip_or_told_with_its_reason(card: Path) -> None:
    """The snapshot says line by line what is taken, in how many files, and what is left and why."""
    found = sort(card)
    named = {file.path: file.name for file in find_files([str(card)])}
    taken = [f"clip: {' + '.join((named[shot.path], *shot.further_names))}" for shot in found.shots]
    left = [f"left out: {fault_text(fault)}" for fault in found.left_out]
    parts = sum(len(shot.further_names) for shot in found.shots)
    assert len(taken) + len(left) == len(named)
    assert parts == 1
    lines = re.sub(r"\d{5,}", "…", "\n".join([*taken, *left]))  # bytes, which encoders differ in
    assert_matches_snapshot(lines, "card_folder")


def test_a_thumbnail_is_no_clip_of_a_measurement(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card's clip, viewing copy and moving thumbnail of 160 × 120 were three clips whose verdict
    the thumbnail turned; from a folder and from a glob one clip is prepared, the rest is told."""
    monkeypatch.setattr(at_once, "jobs_at_once", lambda *_: 1)  # side by side none is the first
    for place in (card, card / "**"):
        asked, told = [], []

        def dispatch(job, _timeout_s, asked=asked):
            if isinstance(job, SortFilesJob):
                yield sort_files(job, lambda _message, _share: None)
            elif isinstance(job, PrepareOwnJob):
                asked.append(Path(job.media_path).relative_to(card).as_posix())

        plan = {"name": "own", "files": [str(place)]}
        scenario = Scenario(name="x", seed=1, clips=[plan], encodings=["original"], encode={})
        with pytest.raises(FootageError):  # the workers above make nothing
            told += prepare_footage(scenario, cache_dir=card, dispatch=dispatch)
        assert asked == ["clips/A1.mp4", "clips/A2.mp4", "clips/A4.mp4"]


def test_inspect_takes_and_leaves_the_same_and_says_how_far_it_is(card: Path) -> None:
    """Clips in the order of the listing, printed as tables; one event for each file left out; a
    spanned shot knows its further files."""
    events = []
    found = mezzmark.inspect([str(card)], seconds=1, on_event=events.append)
    assert str(found).count("| codec | ") == 3
    assert [Path(one.media.path).name for one in found] == ["A1.mp4", "A2.mp4", "A4.mp4"]
    assert [one.further_names for one in found] == [(), ("card/clips/A3.mp4",), ()]
    assert [event.reason for event in events if isinstance(event, LeftOut)] == [
        fault_text(fault) for fault in sort(card).left_out
    ]
    assert len(events) > len(sort(card).left_out)


def test_what_is_named_is_never_left_out_unseen(card: Path) -> None:
    """A thumbnail, a copy and a part of a shot that the user names are clips; the folder's clip
    that holds what a named copy holds goes in its place."""
    names = ["small/A1.mp4", "small/copy of A1.mp4", "clips/A3.mp4"]
    whole = sort(card, card / names[2])
    assert clips_of(whole, card)[1:3] == ["clips/A2.mp4", names[2]]
    assert not any(shot.further_names for shot in whole.shots)
    found = sort(*(card / name for name in names), card)
    assert clips_of(found, card)[:3] == names
    assert clips_of(found, card)[3:] == ["clips/A2.mp4", "clips/A4.mp4"]
    assert {fault.where for fault in found.left_out} >= {"card/clips/A1.mp4"}


def test_inspect_goes_on_after_a_bad_file_and_fails_only_if_nothing_is_left(card: Path) -> None:
    """A named file that cannot be read is told; alone, or among its like, it is the error."""
    bad, good = [str(card / name) for name in ("empty.mp4", "cut.mp4")], str(card / "clips/A1.mp4")
    told = []
    assert len(mezzmark.inspect([*bad, good], seconds=0.5, on_event=told.append)) == 1
    assert sum(isinstance(event, LeftOut) for event in told) == 2
    for nothing in (bad, bad[:1], [str(card / "e*.mp4")]):
        with pytest.raises(FootageError) as caught:
            mezzmark.inspect(nothing)
        assert caught.value.exit_code == 21


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_a_folder_is_walked_in_one_order_and_hostile_names_do_not_end_it(tmp_path: Path) -> None:
    """Files by name, then sub-folders by name; a link that leads nowhere and a name that is no
    UTF-8 are told, a pipe is never opened."""
    for name in ("b.mov", "a.mov", "z/c.mov", "m/d.mov"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    assert [Path(file.path).name for file in find_files([str(tmp_path)])] == [
        *("a.mov", "b.mov", "d.mov", "c.mov")
    ]
    (tmp_path / "link.mov").symlink_to(tmp_path / "nowhere")
    os.mkfifo(tmp_path / "pipe.mov")
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff.mov")).write_bytes(b"")
    assert len(sort(tmp_path).left_out) == 7
    assert SortFilesJob(files=find_files([str(tmp_path)])).model_dump_json()


SHOT = {"timecode": "10:00:59:22", "recorded": "2026-05-04T09:00:00Z"}


def pair(folder: Path, **later: str) -> tuple[Look, Look]:
    """Two clips of 12 frames at 25 a second; the later one as said."""
    pictures = stamped_frames(12, "yuv420p")
    paths = [
        write_clip(folder / "1.mp4", pictures, size=(320, 180), **SHOT),
        write_clip(folder / "2.mp4", pictures, size=(320, 180), **later),
    ]
    first, second = (look_at(FoundFile(path=str(p), name=p.name, is_named=False)) for p in paths)
    return first, second


@pytest.mark.parametrize(
    ("timecode", "recorded", "count"),
    [
        ("10:01:00:09", "2026-05-04T09:00:01Z", 2),
        ("10:01:00:10", "2026-05-04T09:00:01Z", 0),  # a frame is missing
        ("10:01:00:09", "2026-05-04T09:00:40Z", 0),  # the camera rested
        ("10:01:00:09", "", 0),  # one sign is none
        ("", "2026-05-04T09:00:01Z", 0),
    ],
)
def test_a_shot_goes_on_where_two_signs_say_so_and_none_against(
    tmp_path: Path, timecode: str, recorded: str, count: int
) -> None:
    """Timecode to the frame and recording time to two seconds; counted by hand at 25 a second."""
    first, second = pair(tmp_path, timecode=timecode, recorded=recorded)
    assert len(goes_on_by(first, second)) == count
    assert goes_on_by(second, first) == ()


def test_a_full_file_is_a_sign_and_another_coding_stands_against_all(tmp_path: Path) -> None:
    """Just below 4 GiB with a timecode that goes on is one shot; 3 GiB says nothing; not
    after a rest of the camera, nor with another size of picture."""
    first, second = pair(tmp_path, timecode="10:01:00:09", recorded="")
    sized = {
        size: replace(first, media=first.media.model_copy(update={"file_bytes": size}))
        for size in (4_000_000_000, 3 << 30)
    }
    assert len(goes_on_by(sized[4_000_000_000], second)) == 2
    assert goes_on_by(sized[3 << 30], second) == ()
    rested = replace(second, recorded_s=(first.recorded_s or 0) + 40)
    assert goes_on_by(sized[4_000_000_000], rested) == ()
    wider = replace(second, media=second.media.model_copy(update={"width_px": 640}))
    assert goes_on_by(sized[4_000_000_000], wider) == ()


def test_times_that_go_on_in_the_tracks_are_enough(tmp_path: Path) -> None:
    """A transport stream goes on where its times do; one that begins anew, or a frame late, is a
    shot of its own."""
    looks = []
    for first_pts in (480, 480 + FRAME_COUNT, 480, 481 + FRAME_COUNT):
        path = make_zoo_clip(avc("ts", first_pts=first_pts), tmp_path)
        looks.append(look_at(FoundFile(path=str(path), name=path.name, is_named=False)))
    first, *others = looks
    assert [len(goes_on_by(first, other)) for other in others] == [1, 0, 0]


def test_drop_frame_timecode_is_counted_without_the_numbers_that_do_not_exist() -> None:
    """At 30000/1001 frame 1799 of a minute is followed by number 02 (SMPTE ST 12-1)."""
    rate = Fraction(30000, 1001)
    assert timecode_frame("00:00:59;29", rate) == 1799
    assert timecode_frame("00:01:00;02", rate) == 1800
    assert timecode_frame("00:10:00;00", rate) == 17982
    assert timecode_frame("00:01:00;04", 2 * rate) == 3600
    assert timecode_frame("1" * 5000 + ":00:00:00", rate) is None


def test_a_smaller_copy_needs_pictures_that_can_be_told_apart(card: Path) -> None:
    """Another first picture, a black one or another frame count is no copy."""
    large, small = (
        look_at(FoundFile(path=str(card / name), name=name, is_named=False))
        for name in ("clips/A1.mp4", "view/A1.mp4")
    )
    drawn = np.random.default_rng(3).integers(0, 256, (18, 32)).astype(float)
    noisy, black = drawn + 3, np.full((18, 32), 16.0)
    assert is_smaller_copy(small, large, {small.file.path: noisy, large.file.path: drawn}.get)
    assert not is_smaller_copy(large, small, {small.file.path: noisy, large.file.path: drawn}.get)
    longer = replace(small, media=small.media.model_copy(update={"stated_frame_count": 240}))
    assert not is_smaller_copy(longer, large, {small.file.path: noisy, large.file.path: drawn}.get)
    for other in (drawn[::-1], None):
        pictures = {small.file.path: other, large.file.path: drawn}
        assert not is_smaller_copy(small, large, pictures.get)
    assert not is_smaller_copy(small, large, lambda _path: black)
