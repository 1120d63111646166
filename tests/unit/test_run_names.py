"""Messages name a run by its folder, and say why two runs lack a common cell."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.two_sides import ENCODE, ENCODE_WIDE, QUIET, SCRUB, Run, build_run
from mezzmark.decide.choose.evidence import refuse_unlike_runs
from mezzmark.decide.compare.matching import absence_reasons, describe_clips
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.estimate.complete_rounds import run_names
from mezzmark.decide.size.sizing import size_encodings
from mezzmark.model.cell import AXES, Cell, Setting
from mezzmark.model.errors import RunError
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.store.toml_files import find_scenario, read_shop

IDS = ("7e537b2284474cf285318cced32006e3", "99ce642f09588194784b130bd20ad977")


@dataclass(frozen=True)
class FolderRun:
    """A run as read from a folder."""

    run_dir: Path
    manifest: Manifest
    trials: tuple[Trial, ...]


def in_folder(folder: str, run: Run) -> FolderRun:
    return FolderRun(Path(folder), run.manifest, run.trials)


def test_a_run_goes_by_its_folder_as_typed() -> None:
    """Different folders as they were typed; digits of the id only where two share one."""
    runs = [build_run({ENCODE: QUIET}, run_id=run_id) for run_id in IDS]
    assert run_names([in_folder("results/monday", runs[0]), in_folder("b", runs[1])]) == [
        "results/monday",
        "b",
    ]
    assert run_names([in_folder("x", runs[0]), in_folder("x", runs[1])]) == [
        "x (7e537b22)",
        "x (99ce642f)",
    ]
    assert run_names(runs) == ["7e537b22", "99ce642f"]


def test_no_message_of_a_comparison_holds_a_whole_id() -> None:
    """A cell that one run lacks and a run without kernel: both are told by folder."""
    first = in_folder(
        "results/monday", build_run({ENCODE: QUIET, ENCODE_WIDE: QUIET}, run_id=IDS[0])
    )
    second = in_folder(
        "results/friday", build_run({ENCODE: QUIET}, run_id=IDS[1], start_minute=100)
    )
    report = compare_runs([first], [second], tolerance_fraction=0.05)
    reasons = [cell.reason for cell in report.cells]
    assert "encoding with 4 threads was not measured in results/friday" in reasons
    assert report.machine_notes == (
        "baseline run results/monday: Whether the machine was steady is not known: the reference "
        "kernel was measured 0 times, and 3 are needed.",
        "candidate run results/friday: Whether the machine was steady is not known: the reference "
        "kernel was measured 0 times, and 3 are needed.",
    )
    told = [*reasons, *report.machine_notes, report.assumption]
    assert not [text for text in told if IDS[0] in text or IDS[1] in text]


def renamed_clip(name: str, path: str) -> Manifest:
    manifest = fabricate_manifest(Fabrication())
    clip = manifest.clips[0]
    original = clip.original.model_copy(update={"path": path})
    own = clip.model_copy(update={"clip": name, "source": "own", "original": original})
    return manifest.model_copy(update={"clips": (own,)})


def test_runs_of_different_clips_share_one_reason() -> None:
    """Nothing in common: every cell of both says the same, own footage by its file's name."""
    own = renamed_clip("own", "card/C0001.MP4")
    clip = own.clips[0].model_copy(update={"fingerprint": "other"})
    own = own.model_copy(update={"clips": (clip,)})
    cells = [
        {cell.model_copy(update={"clip": clip}): QUIET for cell in (ENCODE, SCRUB)}
        for clip in ("street at dusk", "own")
    ]
    report = compare_runs(
        [build_run(cells[0], run_id="a")],
        [build_run(cells[1], run_id="b", start_minute=100, manifest=own)],
        tolerance_fraction=0.05,
    )
    assert [cell.reason for cell in report.cells] == [
        "the runs measured different clips (street at dusk; C0001.MP4)"
    ] * 4
    assert describe_clips(own, own) == ""


def test_the_same_footage_under_other_names_is_told_as_that() -> None:
    """One file as "own" and as "mine": it is no other footage, its names differ."""
    manifests = (renamed_clip("own", "C0001.MP4"), renamed_clip("mine", "C0001.MP4"))
    assert describe_clips(*manifests) == (
        "the runs gave the same footage different clip names (own; mine)"
    )
    clip = manifests[1].clips[0].model_copy(update={"fingerprint": "other"})
    other = manifests[1].model_copy(update={"clips": (clip,)})
    assert describe_clips(manifests[0], other) == "the runs measured different clips (own; mine)"


@pytest.mark.parametrize(
    ("cell", "others", "reason"),
    [
        (SCRUB, [ENCODE], "time to picture was not measured in b"),
        (
            ENCODE,
            [ENCODE.model_copy(update={"clip": "other"})],
            'clip "street at dusk" was not measured for encoding in b',
        ),
        (
            ENCODE,
            [ENCODE.model_copy(update={"encoding": "other"})],
            '"VC-3 SQ" was not measured for encoding in b',
        ),
        (
            SCRUB,
            [SCRUB.but(setting=SCRUB.setting.but(pattern="near"))],
            "time to picture when the playhead jumped anywhere in the clip was not measured in b",
        ),
    ],
)
def test_a_cell_without_partner_is_told_by_what_lacks(
    cell: Cell, others: list[Cell], reason: str
) -> None:
    """Task, clip, encoding, or setting: the first that the other run lacks."""
    assert absence_reasons([cell], others, "in b") == {cell: reason}


def test_settings_of_many_cells_are_told_at_once() -> None:
    """4, 6 and 8 jobs that the other run lacks are one reason."""
    grid = Cell(task="grid", clip="c", encoding="e")
    cells = [grid.but(setting=grid.setting.but(jobs=count)) for count in (4, 6, 8)]
    reasons = absence_reasons(cells, [grid], "on the desk")
    assert set(reasons.values()) == {
        "encoding in several jobs with 4, 6 or 8 jobs was not measured on the desk"
    }


SHOWN_SETTINGS = [
    ("pinned", True, False, "pinned to cores"),
    ("pinned", False, True, "not pinned to cores"),
    ("delivery_height", 1080, 720, "at 1080 lines"),
    ("delivery_height", None, 720, "at the clips' own size"),
    ("viewer_height", 540, 1080, "in a viewer 540 lines high"),
    ("passes", 1, 2, "in one pass"),
    ("passes", 2, 1, "in two passes"),
    ("clip_order", "fifo", None, "in the folder's order"),
    ("clip_order", "longest-first", None, "with the longest clips first"),
    ("pattern", "hop", "near", "hopping from clip to clip"),
    ("policy", "reseek", "roll", "with the player's policy reseek"),
    ("player", "frame", "slice", "with threads on several pictures at once"),
    ("player", "cuda", "slice", "decoded by the graphics card"),
]


@pytest.mark.parametrize(("axis", "value", "there", "phrase"), SHOWN_SETTINGS)
def test_a_lacking_setting_is_told_in_plain_words(
    axis: str, value: object, there: object, phrase: str
) -> None:
    """Whatever the other run has in its place, the reason has words for it and no name of an axis,
    no True and no None."""
    cell, other = (SCRUB.but(setting=SCRUB.setting.but(**{axis: v})) for v in (value, there))
    assert absence_reasons([cell], [other], "in b") == {
        cell: f"time to picture {phrase} was not measured in b"
    }


def test_every_axis_has_words() -> None:
    """No axis beyond the two counts is without a phrase."""
    assert {axis for axis, *_ in SHOWN_SETTINGS} | {"threads", "jobs"} == set(AXES)


def test_several_settings_are_told_together() -> None:
    """Counts come first, values of one kind are joined by "or"."""
    wide = Cell(
        task="delivery",
        clip="c",
        encoding="e",
        setting=Setting(passes=2, threads=4, delivery_height=1080),
    )
    high = wide.but(setting=wide.setting.but(delivery_height=2160))
    other = Cell(
        task="delivery",
        clip="c",
        encoding="e",
        setting=Setting(passes=1, threads=1, delivery_height=720),
    )
    reason = (
        "delivery with 4 threads, at 1080 or 2160 lines and in two passes was not measured in b"
    )
    assert set(absence_reasons([wide, high], [other], "in b").values()) == {reason}


def on_hosts(labels: tuple[str, str]) -> list[FolderRun]:
    runs = []
    for label, folder, run_id in zip(labels, ("results/a", "results/b"), IDS, strict=True):
        manifest = fabricate_manifest(Fabrication())
        host = manifest.host.model_copy(update={"host_label": label})
        run = build_run(
            {ENCODE: QUIET, SCRUB: QUIET},
            run_id=run_id,
            manifest=manifest.model_copy(update={"host": host}),
        )
        runs.append(in_folder(folder, run))
    return runs


def test_choosing_from_two_machines_names_both_folders() -> None:
    """Runs that do not belong together are told by folder."""
    with pytest.raises(RunError, match=r"results/b: it cannot be put together with results/a: "):
        refuse_unlike_runs(on_hosts(("desk", "server")))
    refuse_unlike_runs(on_hosts(("desk", "desk")))


def test_sizing_two_machines_names_both_folders() -> None:
    """Sizing is of one machine; the run of another is told by folder, and its host."""
    with pytest.raises(RunError, match=r"results/b: it was made on server, results/a on desk"):
        size_encodings(
            on_hosts(("desk", "server")),
            read_shop(find_scenario("shops/shop-example")),
            rng=np.random.default_rng(1),
        )
