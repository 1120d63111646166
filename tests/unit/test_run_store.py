"""What the run store promises: nothing lost, nothing overwritten, nothing misread."""

import errno
import json
import os
from pathlib import Path

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_run
from mezzmark import own_files
from mezzmark.model.errors import DestinationError, DiskFullError, RunError
from mezzmark.model.footage import ClipSpec
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.own_files import (
    MARKER_NAME,
    SCRATCH_PREFIX,
    clear_marked,
    made_scratch,
    make_marked_folder,
)
from mezzmark.runner.start import check_same_measurement, describe_differences
from mezzmark.store import run_store
from mezzmark.store.run_store import (
    MANIFEST_NAME,
    TRIALS_NAME,
    append_trial,
    create_run,
    lock_folder,
    read_run,
    reserve_run_dir,
    scratch_folder,
    write_manifest,
)


@pytest.fixture(scope="module")
def made() -> tuple[Manifest, tuple[Trial, ...]]:
    return fabricate_run(Fabrication(rounds=2, requests=12))


@pytest.fixture
def run_dir(tmp_path: Path, made: tuple[Manifest, tuple[Trial, ...]]) -> Path:
    """A run of five trials."""
    manifest, trials = made
    create_run(tmp_path / "run", manifest)
    for trial in trials[:5]:
        append_trial(tmp_path / "run", trial)
    return tmp_path / "run"


def test_what_was_stored_is_read_back(run_dir: Path, made) -> None:
    """Manifest and trials come back equal and in order."""
    run = read_run(run_dir)
    assert run.manifest == made[0]
    assert run.trials == made[1][:5]
    assert run.torn_line_count == 0


def test_a_last_line_torn_anywhere_costs_itself_only(run_dir: Path, made) -> None:
    """Cut after any of its bytes, the last line is no trial, or the whole one when only its line
    break is missing; all others stay, and the next trial is appended safely."""
    path = run_dir / TRIALS_NAME
    whole = path.read_bytes()
    start = whole.rstrip(b"\n").rfind(b"\n") + 1
    for cut in [*range(start + 1, len(whole), 37), len(whole) - 2, len(whole) - 1]:
        path.write_bytes(whole[:cut])
        is_whole = cut == len(whole) - 1
        run = read_run(run_dir)
        assert run.trials == made[1][: 5 if is_whole else 4]
        assert run.torn_line_count == (0 if is_whole else 1)
        append_trial(run_dir, made[1][5])
        run = read_run(run_dir)
        assert run.trials == (*made[1][: 5 if is_whole else 4], made[1][5])
        assert path.read_bytes().startswith(whole[:cut])


def test_a_run_without_trials_is_a_run(run_dir: Path, made) -> None:
    """A run stopped before its first trial ended, or one that lost that file, holds none."""
    (run_dir / TRIALS_NAME).unlink()
    assert read_run(run_dir).trials == ()


@pytest.mark.parametrize("name", [MANIFEST_NAME, TRIALS_NAME])
def test_a_newer_format_is_refused_by_its_number(run_dir: Path, name: str) -> None:
    """A run of a later mezzmark is not guessed at."""
    path = run_dir / name
    path.write_text(path.read_text().replace('"schema_version":2', '"schema_version":3', 1))
    path.write_text(path.read_text().replace('"schema_version": 2', '"schema_version": 3', 1))
    with pytest.raises(RunError, match="written in format 3; this mezzmark reads up to format 2"):
        read_run(run_dir)


def test_a_whole_line_that_is_no_trial_is_named(run_dir: Path) -> None:
    """An edited line is an error with its number and key, not a torn line."""
    path = run_dir / TRIALS_NAME
    lines = path.read_text().splitlines()
    line = json.loads(lines[2])
    line["wall_ns"] = "soon"
    lines[2] = json.dumps(line)
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(RunError, match=r"trials.jsonl, line 3: .*wall_ns"):
        read_run(run_dir)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema_version": 1}', "null"])
def test_a_damaged_manifest_is_one_clear_line(run_dir: Path, text: str) -> None:
    """Whatever stands in the manifest, the error names the file and no traceback is needed."""
    (run_dir / MANIFEST_NAME).write_text(text)
    with pytest.raises(RunError, match=r"manifest.json: is damaged or was edited"):
        read_run(run_dir)


def test_a_folder_that_is_no_run_says_so(tmp_path: Path) -> None:
    """A missing folder and an empty one are no runs."""
    for folder in (tmp_path, tmp_path / "missing"):
        with pytest.raises(RunError, match="no run can be read here"):
            read_run(folder)


def test_nothing_that_stands_there_is_overwritten(run_dir: Path, tmp_path: Path, made) -> None:
    """A folder with a run, or with anything else in it, is refused and left as it was."""
    other = tmp_path / "other"
    other.mkdir()
    (other / "holiday.mov").write_bytes(b"precious")
    before = {path: path.read_bytes() for path in (*run_dir.iterdir(), *other.iterdir())}
    for folder in (run_dir, other):
        with pytest.raises(DestinationError, match="nothing is ever overwritten"):
            create_run(folder, made[0])
    with pytest.raises(DestinationError):
        reserve_run_dir(other, resume=True)
    assert {path: path.read_bytes() for path in before} == before


def test_a_run_stopped_while_preparing_can_be_started_again(tmp_path: Path, made) -> None:
    """A folder with nothing but a run's lock counts as empty, and is told apart from one that
    never was a run."""
    (tmp_path / "run").mkdir()
    with lock_folder(tmp_path / "run"):
        pass
    with pytest.raises(RunError, match="ended before anything was measured"):
        read_run(tmp_path / "run")
    assert reserve_run_dir(tmp_path / "run", resume=True) is False
    create_run(tmp_path / "run", made[0])
    assert reserve_run_dir(tmp_path / "run", resume=True) is True


@pytest.mark.parametrize("resume", [False, True])
@pytest.mark.parametrize("beside", [(), ("run.lock",)])
def test_a_folder_named_scratch_is_no_unfinished_run(
    resume: bool, beside: tuple[str, ...], tmp_path: Path
) -> None:
    """Somebody's own folder `scratch`, alone or beside a lock, is refused, is not called deletable,
    and its file stays, even where the clearing of scratch is asked for."""
    (tmp_path / "scratch").mkdir()
    (tmp_path / "scratch" / "x.mov").write_bytes(b"precious")
    for name in beside:
        (tmp_path / name).touch()
    with pytest.raises(DestinationError, match="nothing is ever overwritten"):
        reserve_run_dir(tmp_path, resume=resume)
    with pytest.raises(RunError, match="no run can be read here"):
        read_run(tmp_path)
    clear_marked(tmp_path, SCRATCH_PREFIX)
    assert (tmp_path / "scratch" / "x.mov").read_bytes() == b"precious"


def test_a_run_that_is_not_there_is_answered_with_its_neighbours(run_dir: Path) -> None:
    """A letter too few names the run that lies beside; without any, where runs come from."""
    with pytest.raises(RunError) as found:
        read_run(run_dir.with_name(run_dir.name[:-1]))
    assert str(run_dir) in found.value.remedy
    with pytest.raises(RunError, match="mezzmark measure"):
        read_run(run_dir / "deeper")


def test_only_marked_scratch_folders_are_cleared(run_dir: Path) -> None:
    """A folder of a killed trial goes with its files; a film lying in a folder `scratch`, in one
    of a like name, and behind a link of a like name stays."""
    with scratch_folder(run_dir) as killed:
        (killed / "encoded.mov").write_bytes(b"x")
        kept = {}
        for name in ("scratch", "scratch-of-monday"):
            (run_dir / name).mkdir()
            kept[run_dir / name / "film.mov"] = b"precious"
        (run_dir / "elsewhere").mkdir()
        (run_dir / "elsewhere" / MARKER_NAME).write_bytes((killed / MARKER_NAME).read_bytes())
        kept[run_dir / "elsewhere" / "film.mov"] = b"precious"
        (run_dir / "scratch-link").symlink_to(run_dir / "elsewhere")
        for path, content in kept.items():
            path.write_bytes(content)
        assert clear_marked(run_dir, SCRATCH_PREFIX)
        assert not killed.exists()
        assert {path: path.read_bytes() for path in kept} == kept


@pytest.mark.parametrize("planted", [MANIFEST_NAME, f".{MANIFEST_NAME}.new"])
def test_a_planted_link_is_not_written_through(planted: str, tmp_path: Path, made) -> None:
    """A link under the manifest's name, or under the one its next version once had, leaves the file
    that it points to as it was."""
    film, run = tmp_path / "film.mov", tmp_path / "run"
    film.write_bytes(b"precious")
    run.mkdir()
    (run / planted).symlink_to(film)
    write_manifest(run, made[0])
    assert film.read_bytes() == b"precious"
    assert read_run(run).manifest == made[0]


def test_a_name_already_taken_is_refused_not_followed(tmp_path: Path, monkeypatch) -> None:
    """Were the random name guessed, the exclusive creation fails before anything is written."""
    film = tmp_path / "film.mov"
    film.write_bytes(b"precious")
    monkeypatch.setattr(own_files.secrets, "token_hex", lambda count: "0" * 2 * count)
    (tmp_path / f".page.html.{'0' * 16}.new").symlink_to(film)
    with pytest.raises(FileExistsError):
        own_files.replace_whole(tmp_path / "page.html", b"<html>")
    assert film.read_bytes() == b"precious"
    assert not (tmp_path / "page.html").exists()


def test_what_a_killed_start_left_counts_as_empty(tmp_path: Path) -> None:
    """Our own unfinished manifest beside the lock is no run; one of a like name is somebody's."""
    (tmp_path / "run.lock").touch()
    (tmp_path / f".{MANIFEST_NAME}.{'ab' * 8}.new").touch()
    assert reserve_run_dir(tmp_path, resume=False) is False
    (tmp_path / f".{MANIFEST_NAME}.notes.new").touch()
    with pytest.raises(DestinationError):
        reserve_run_dir(tmp_path, resume=False)


def test_only_one_writer_holds_a_run(run_dir: Path) -> None:
    """The second is told; after the first has let go, the next may have it."""
    with (
        lock_folder(run_dir),
        pytest.raises(RunError, match="another process is writing this run"),
        lock_folder(run_dir),
    ):
        pass
    with lock_folder(run_dir):
        pass


def test_a_full_disk_is_told_and_costs_no_finished_trial(run_dir: Path, made, monkeypatch) -> None:
    """When the system has no room, the error says so, and the trials before stay readable."""

    def refuse(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(run_store.os, "fsync", refuse)
    with pytest.raises(DiskFullError, match="--resume"):
        append_trial(run_dir, made[1][5])
    assert read_run(run_dir).trials[:5] == made[1][:5]


def test_a_trial_is_synchronised_after_it_is_written(run_dir: Path, made, monkeypatch) -> None:
    """When the system is asked to bring the line to the disk, the whole line is there."""
    sizes = []
    monkeypatch.setattr(run_store.os, "fsync", lambda fd: sizes.append(os.fstat(fd).st_size))
    append_trial(run_dir, made[1][5])
    assert sizes == [(run_dir / TRIALS_NAME).stat().st_size]


def test_a_manifest_is_replaced_whole_or_not_at_all(run_dir: Path, made, monkeypatch) -> None:
    """If the system stops between writing and renaming, the old manifest still stands."""

    def stop(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(run_store.os, "replace", stop)
    with pytest.raises(DestinationError, match="cannot be written"):
        write_manifest(run_dir, made[0].model_copy(update={"stop_reason": "later"}))
    monkeypatch.undo()
    assert read_run(run_dir).manifest == made[0]
    assert reserve_run_dir(run_dir, resume=True) is True


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    """A file is never taken for a folder."""
    (tmp_path / "run").write_text("notes")
    with pytest.raises(DestinationError, match="cannot be written"):
        reserve_run_dir(tmp_path / "run", resume=False)
    assert (tmp_path / "run").read_text() == "notes"


def test_resuming_names_whatever_makes_it_another_run(made) -> None:
    """Seed, clip, medium, library and processor are each named when they differ."""
    before = made[0]
    clip = before.clips[0].model_copy(update={"fingerprint": "another"})
    medium = before.media[0].model_copy(update={"fingerprint": "another"})
    changes = {
        "the scenario's seed differs": {
            "scenario": before.scenario.model_copy(update={"seed": before.scenario.seed + 1})
        },
        f"{clip.clip} is not the same footage as before": {"clips": (clip, *before.clips[1:])},
        f'medium "{medium.clip} as {medium.encoding}" is gone': {"media": before.media[1:]},
        f'medium "{medium.clip} as {medium.encoding}" is not the same': {
            "media": (medium, *before.media[1:])
        },
        f'encoding "{before.encodings[-1].name}" is gone': {"encodings": before.encodings[:-1]},
        "cpu_model was": {"host": before.host.model_copy(update={"cpu_model": "another"})},
        "libx was None, is 9": {
            "host": before.host.model_copy(
                update={"library_versions": before.host.library_versions | {"libx": "9"}}
            )
        },
    }
    for text, change in changes.items():
        now = before.model_copy(update=change)
        assert any(text in difference for difference in describe_differences(before, now))
        with pytest.raises(RunError, match="is of something else"):
            check_same_measurement(before, now, where="run")


def test_a_task_more_or_less_makes_it_another_run(made) -> None:
    """A table of the scenario that stands on one side alone is named, whichever side: trials of a
    task that a run did not have would take the places of those that it has."""
    before = made[0]
    less = before.model_copy(update={"scenario": before.scenario.but(encode=None)})
    for pair in ((before, less), (less, before)):
        assert describe_differences(*pair) == ["the scenario's encode differs"]


def test_what_differs_is_told_in_a_few_words_footage_first(made) -> None:
    """Own files by name, in one clause; what only follows from it (clips and media that are new or
    gone) is not told again; beyond three differences the rest is counted."""

    def of_files(*names: str, **changes: object) -> Manifest:
        clip, medium = made[0].clips[0], made[0].media[0]
        own = clip.original.model_copy
        return made[0].model_copy(
            update={
                "clips": tuple(
                    clip.model_copy(
                        update={
                            "clip": f"own/{name}",
                            "source": "own",
                            "original": own(update={"path": name}),
                            "fingerprint": name,
                        }
                    )
                    for name in names
                ),
                "media": tuple(
                    medium.model_copy(update={"clip": f"own/{name}", "fingerprint": name})
                    for name in names
                ),
                **changes,
            }
        )

    before, now = of_files("A.MP4", "B.MP4"), of_files("B.MP4")
    assert describe_differences(before, now) == [
        "this run measured A.MP4 and B.MP4, you passed B.MP4"
    ]
    many = of_files("A.MP4", "B.MP4", "C.MP4", "D.MP4", mezzmark_version="9", encodings=())
    with pytest.raises(RunError) as caught:
        check_same_measurement(before, many, where="run")
    assert "you passed A.MP4, B.MP4 and 2 more; encoding" in str(caught.value)
    assert caught.value.what.count(";") == 3
    differences = describe_differences(before, many)
    assert f"and {len(differences) - 3} more difference" in caught.value.what


def test_own_files_may_lie_elsewhere(made) -> None:
    """The same bytes under another path are the same footage."""
    clip = ClipSpec(name="own", files=("/card/A.MP4",))
    scenarios = [
        made[0].scenario.model_copy(update={"clips": (clip.model_copy(update={"files": files}),)})
        for files in (("/card/A.MP4",), ("/disk/A.MP4",))
    ]
    before, now = (made[0].model_copy(update={"scenario": s}) for s in scenarios)
    assert describe_differences(before, now) == []


def test_other_limits_do_not_make_it_another_run(made) -> None:
    """More rounds, another precision, budget, timeout or title go on with the same run."""
    scenario = made[0].scenario.model_copy(
        update={
            "rounds": 77,
            "minimum_rounds": 2,
            "precision_fraction": 0.01,
            "time_budget_s": 9.0,
            "trial_timeout_s": 9.0,
            "title": "another",
        }
    )
    now = made[0].model_copy(
        update={"scenario": scenario, "run_id": "another", "created_utc": "later"}
    )
    assert describe_differences(made[0], now) == []


def test_trials_of_one_cell_share_it(run_dir: Path) -> None:
    """Equal cells are one object when read, so that grouping thousands of trials looks inside none
    of them; cells that differ stay apart."""
    cells = [trial.cell for trial in read_run(run_dir).trials]
    assert 1 < len(set(cells)) == len(set(map(id, cells)))


def test_a_scratch_folder_on_a_root_is_made_and_removed_by_its_worker(tmp_path: Path) -> None:
    """What a killed trial left beside it goes first, if it is marked; a folder that is there stays
    its maker's; and where the root has gone nothing is made in its place."""
    left, kept = make_marked_folder(tmp_path, SCRATCH_PREFIX), tmp_path / "scratch-by-others"
    kept.mkdir()
    place = tmp_path / "scratch-now"
    with made_scratch(place):
        (place / "storage-0").write_bytes(b"x")
        assert {path.name for path in tmp_path.iterdir()} == {kept.name, place.name}
    assert list(tmp_path.iterdir()) == [kept]
    given = make_marked_folder(tmp_path, SCRATCH_PREFIX)
    with made_scratch(given):
        pass
    assert given.is_dir()
    with pytest.raises(DestinationError), made_scratch(tmp_path / "gone" / "scratch-1"):
        pass
    assert not (tmp_path / "gone").exists()
    assert not left.exists()
