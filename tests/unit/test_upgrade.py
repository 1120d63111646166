"""Format 1 is read as format 2: the same cells, figures and ids; what is not known is left out."""

import json
from pathlib import Path

import pytest
from pydantic import ValidationError

from mezzmark.decide.compare.regress import compare_runs
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.kernel import KERNEL_CELL
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.model.upgrade import upgrade_manifest, upgrade_trial
from mezzmark.store.run_store import MANIFEST_NAME, TRIALS_NAME, Run, read_run

RESULTS = Path(__file__).parents[2] / "results"
FORMAT_1 = Path(__file__).parents[1] / "fixtures" / "format_1"
"""Some trials of a run of 26 November 2026, as format 1 wrote them."""
EXAMPLES = [FORMAT_1, *sorted(path.parent for path in RESULTS.rglob(MANIFEST_NAME))]


def old_id(cell: dict) -> str:
    """A cell's id by the rules of format 1, from its flat form."""
    parts = [cell["task"], cell["clip"], cell["encoding"], cell["pattern"], cell["policy"]]
    parts.append(f"{cell['thread_count']}t")
    parts.append(cell["threading"] if cell["thread_count"] > 1 else None)
    parts.append(cell["decoder"] if cell["decoder"] != "software" else None)
    parts.append(f"{cell['job_count']}j" if cell["task"] in ("grid", "ingest") else None)
    parts.append(cell["order"])
    parts.append(f"{cell['height_px']}p" if cell["height_px"] else None)
    parts.append({None: None, 1: "one pass", 2: "two passes"}[cell["passes"]])
    parts.append("pinned" if cell["is_pinned"] else None)
    return " | ".join(part for part in parts if part)


def rewritten(run: Run, folder: Path) -> Run:
    """The run as this mezzmark writes it, read again."""
    folder.mkdir()
    (folder / MANIFEST_NAME).write_text(run.manifest.model_dump_json())
    lines = (trial.model_dump_json() + "\n" for trial in run.trials)
    (folder / TRIALS_NAME).write_text("".join(lines))
    return read_run(folder)


@pytest.mark.parametrize("folder", EXAMPLES, ids=lambda path: path.name)
def test_a_run_of_format_1_keeps_its_ids(folder: Path) -> None:
    """Every shipped run was written in format 1 or 2; ids of format 1 are as they were."""
    raw = [json.loads(line) for line in (folder / TRIALS_NAME).read_text().splitlines()]
    run = read_run(folder)
    assert len(run.trials) == len(raw) > 0
    for line, trial in zip(raw, run.trials, strict=True):
        if line["schema_version"] == 1:
            assert trial.cell.cell_id == old_id(line["cell"])
            assert (trial.schema_version, trial.blocks, trial.request_design, trial.flags) == (
                2,
                1,
                "independent",
                (),
            )


@pytest.mark.parametrize("folder", EXAMPLES, ids=lambda path: path.name)
def test_an_old_run_and_its_upgraded_copy_are_one(folder: Path, tmp_path: Path) -> None:
    """Written again in format 2 and read back, nothing differs; compared, every ratio is 1."""
    old = read_run(folder)
    copy = rewritten(old, tmp_path / "copy")
    assert copy.manifest == old.manifest
    assert copy.trials == old.trials
    report = compare_runs([old], [copy], tolerance_fraction=0.05)
    ratios = [cell.cost_ratio.point for cell in report.cells if cell.cost_ratio is not None]
    finished = {trial.cell for trial in old.trials if trial.measurement} - {KERNEL_CELL}
    assert len(ratios) == len(finished & {cell.cell for cell in report.cells}) > 0
    assert ratios == pytest.approx([1.0] * len(ratios), abs=1e-12)


def test_what_format_1_took_for_granted_is_written_out() -> None:
    """Threading and decoder become one player, which the manifest describes; the machine has an
    id; clips have equal shares."""
    run = read_run(FORMAT_1)
    scrub = next(trial.cell for trial in run.trials if trial.cell.task == "scrub")
    assert scrub.setting["player"] == "slice"
    assert [player.name for player in run.manifest.players] == ["slice"]
    assert len(run.manifest.host_id) == 16
    assert {clip.share for clip in run.manifest.clips} == {None}


UNKNOWN = {
    "task juggle": lambda trial: trial["cell"].update(task="juggle"),
    "axis mood": lambda trial: trial["cell"]["setting"].update(mood="good"),
    "arm third": lambda trial: trial.update(arm="third"),
    "flag sneezed": lambda trial: trial.update(flags=["sneezed"]),
}


@pytest.mark.parametrize("what", UNKNOWN)
def test_what_only_a_later_mezzmark_knows_is_left_out_and_counted(
    what: str, tmp_path: Path
) -> None:
    """A trial of an unknown task, axis, arm or flag is no damage: the others are read."""
    old = read_run(RESULTS / "example-two-hosts" / "two-cores")
    rewritten(old, tmp_path / "run")
    path = tmp_path / "run" / TRIALS_NAME
    lines = path.read_text().splitlines()
    later = json.loads(lines[1])
    UNKNOWN[what](later)
    lines[1] = json.dumps(later)
    path.write_text("\n".join(lines) + "\n")
    run = read_run(tmp_path / "run")
    assert run.trials == (old.trials[0], *old.trials[2:])
    assert run.unknown == {what: 1}
    assert run.torn_line_count == 0


def test_written_runs_are_in_format_2() -> None:
    """A reader of format 1 meets a larger number, which it refuses by name."""
    assert Trial.model_fields["schema_version"].default == 2
    assert Manifest.model_fields["schema_version"].default == 2


def test_what_nothing_read_is_let_go() -> None:
    """A chart of format 1 loses the fields that no result needs; any other name stays, and is
    refused where it is unknown."""
    measured = {"task": "fidelity", "alpha_is_kept": None, "chart": {"fits": [], "blacks": 0}}
    cell = {"task": "fidelity", "clip": "c", "encoding": "e", "thread_count": 1}
    upgraded = upgrade_trial({"schema_version": 1, "cell": cell, "measurement": measured})
    assert upgraded["measurement"] == {"task": "fidelity", "chart": {"blacks": 0}}


@pytest.mark.parametrize(
    ("older", "players"),
    [
        ({}, ("slice",)),
        ({"threading": "frame"}, ("frame",)),
        ({"decoder": "cuda"}, ("cuda",)),
        ({"threading": "auto", "decoder": "cuda"}, ("cuda-auto",)),
    ],
)
def test_older_keys_of_a_scenario_are_one_player(
    older: dict[str, str], players: tuple[str, ...]
) -> None:
    """`threading` and `decoder` name the player that has both."""
    assert ScrubSettings.model_validate(older).players == players


def test_an_older_key_without_a_player_says_so() -> None:
    """There is no player for a decoder nobody has."""
    with pytest.raises(ValidationError, match="no player has threading slice and decoder abacus"):
        ScrubSettings.model_validate({"decoder": "abacus"})


@pytest.mark.parametrize(("stored", "judged"), [(0.05, 0.25), (0.1, 0.1)])
def test_steps_that_nobody_stated_are_todays(stored: float, judged: float) -> None:
    """Format 1 stored its default of 5 % where a scenario stated none: today's default judges; what
    was stated stays."""
    raw = json.loads((FORMAT_1 / MANIFEST_NAME).read_text())
    raw["scenario"]["choose"]["indifference_fraction"] = stored
    upgraded = upgrade_manifest(raw)["scenario"]
    choose = Manifest.model_validate(upgrade_manifest(raw)).scenario.choose
    assert choose is not None
    assert (choose.indifference_fraction, upgraded["name"]) == (judged, "natural")
