"""Runs go by their folders, and what keeps their cells from being compared is a kind."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.snapshot import assert_matches_snapshot
from fixtures.two_sides import ENCODE, ENCODE_WIDE, QUIET, SCRUB, Run, build_run
from mezzmark.decide.choose.evidence import refuse_unlike_runs
from mezzmark.decide.compare.matching import no_common_clip, why_absent
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.compare.verdicts import Reason, Refusal
from mezzmark.decide.estimate.observed_run import run_names
from mezzmark.decide.size.sizing import size_encodings
from mezzmark.model.cell import AXES, Cell, Setting
from mezzmark.model.errors import RunError
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.report.prose.regress import reasons_text, regression_sentences
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


def test_no_sentence_of_a_comparison_holds_a_whole_id() -> None:
    """A cell that one run lacks and a run without kernel: both are named by folder."""
    first = in_folder(
        "results/monday", build_run({ENCODE: QUIET, ENCODE_WIDE: QUIET}, run_id=IDS[0])
    )
    second = in_folder(
        "results/friday", build_run({ENCODE: QUIET}, run_id=IDS[1], start_minute=100)
    )
    report = compare_runs([first], [second], tolerance_fraction=0.05)
    assert [reason.place for cell in report.cells for reason in cell.reasons] == ["results/friday"]
    assert [run.name for run in report.unsteady_runs] == ["results/monday", "results/friday"]
    sentences = list(regression_sentences(report))
    assert not [text for text in sentences if IDS[0] in text or IDS[1] in text]


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
    reason = Reason(kind="no_common_clip", before=("street at dusk",), after=("C0001.MP4",))
    assert [cell.reasons for cell in report.cells] == [(reason,)] * 4
    assert no_common_clip(own, own) is None


def test_the_same_footage_under_other_names_is_a_kind_of_its_own() -> None:
    """One file as "own" and as "mine": it is no other footage, its names differ."""
    manifests = (renamed_clip("own", "C0001.MP4"), renamed_clip("mine", "C0001.MP4"))
    names = {"before": ("own",), "after": ("mine",)}
    assert no_common_clip(*manifests) == Reason(kind="renamed_clips", **names)
    clip = manifests[1].clips[0].model_copy(update={"fingerprint": "other"})
    other = manifests[1].model_copy(update={"clips": (clip,)})
    assert no_common_clip(manifests[0], other) == Reason(kind="no_common_clip", **names)


@pytest.mark.parametrize(
    ("cell", "other", "lacks"),
    [
        (SCRUB, ENCODE, {"kind": "task_missing"}),
        (ENCODE, ENCODE.but(clip="other"), {"kind": "clip_missing", "name": "street at dusk"}),
        (ENCODE, ENCODE.but(encoding="other"), {"kind": "encoding_missing", "name": "VC-3 SQ"}),
        (
            SCRUB,
            SCRUB.but(setting=SCRUB.setting.but(pattern="near")),
            {"kind": "setting_missing", "axes": ("pattern",)},
        ),
    ],
)
def test_a_cell_without_partner_names_what_lacks(cell: Cell, other: Cell, lacks: dict) -> None:
    """Task, clip, encoding, or setting: the first that the other run lacks."""
    reason = Reason(task=cell.task, place="b", **lacks)
    assert why_absent([cell], [other], "b") == {cell: reason}


def test_settings_of_many_cells_are_one_reason() -> None:
    """4, 6 and 8 jobs that the other run lacks, and the sentence has all three."""
    grid = Cell(task="grid", clip="c", encoding="e")
    cells = [grid.but(setting=grid.setting.but(jobs=count)) for count in (4, 6, 8)]
    reasons = set(why_absent(cells, [grid], "the desk").values())
    assert reasons == {
        Reason(kind="setting_missing", task="grid", place="the desk", axes=("jobs",))
    }
    refusal = Refusal(reasons=tuple(reasons), cells=tuple(cells))
    assert "with 4, 6 or 8 jobs" in reasons_text(refusal, preposition="on")


SHOWN_SETTINGS = [
    ("pinned", True, False),
    ("pinned", False, True),
    ("delivery_height", 1080, 720),
    ("delivery_height", None, 720),
    ("viewer_height", 540, 1080),
    ("passes", 1, 2),
    ("passes", 2, 1),
    ("clip_order", "fifo", None),
    ("clip_order", "longest-first", None),
    ("pattern", "hop", "near"),
    ("policy", "reseek", "roll"),
    ("player", "frame", "slice"),
    ("player", "cuda", "slice"),
    ("threads", 1, 4),
    ("jobs", 3, 1),
    ("service", "latest", "follow"),
    ("carrier", "threads", "processes"),
    ("link", "1 Gbit/s, 0.5 ms", None),
    ("link", None, "1 Gbit/s, 0.5 ms"),
    ("cache", "cold", None),
    ("root", "share", None),
    ("root", None, "share"),
    ("access", "random", "write"),
    ("request_kib", 128, 1024),
    ("ingest_mb_per_s", 100, None),
    ("minutes", 20, None),
    ("hosts", "only desk", None),
    ("host_count", 3, None),
]
WIDE = Cell(
    task="delivery",
    clip="c",
    encoding="e",
    setting=Setting(passes=2, threads=4, delivery_height=1080),
)
HIGH = WIDE.but(setting=WIDE.setting.but(delivery_height=2160))
LOW = WIDE.but(setting=Setting(passes=1, threads=1, delivery_height=720))


def test_words_of_a_lacking_setting() -> None:
    """Whatever the other run has in its place, axis and values are named; values of one axis are
    joined by "or"."""
    lines = []
    for axis, value, there in SHOWN_SETTINGS:
        cell, other = (SCRUB.but(setting=SCRUB.setting.but(**{axis: v})) for v in (value, there))
        reasons = tuple(why_absent([cell], [other], "b").values())
        lines.append(reasons_text(Refusal(reasons=reasons, cells=(cell,))))
    several = set(why_absent([WIDE, HIGH], [LOW], "b").values())
    lines.append(reasons_text(Refusal(reasons=tuple(several), cells=(WIDE, HIGH))))
    assert_matches_snapshot("\n".join(lines), "lacking_settings")


def test_every_axis_has_words() -> None:
    """No axis is left out of the snapshot."""
    assert {axis for axis, *_ in SHOWN_SETTINGS} == set(AXES)


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
    """Runs that do not belong together are named by folder."""
    with pytest.raises(RunError, match=r"results/b: it was made on another machine than results/a"):
        refuse_unlike_runs(on_hosts(("desk", "server")))
    refuse_unlike_runs(on_hosts(("desk", "desk")))


def test_sizing_two_machines_names_both_folders() -> None:
    """Sizing is of one machine; the run of another is named by folder, with what differs."""
    with pytest.raises(RunError, match=r"results/b: .* than results/a: its host label differs"):
        size_encodings(
            on_hosts(("desk", "server")),
            read_shop(find_scenario("shops/shop-example")),
            rng=np.random.default_rng(1),
        )
