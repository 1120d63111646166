"""Verdicts are printed alike in every format, and nothing in a name can break one."""

import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from fixtures.made_sizing import made
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.cli.views import print_json, print_regression
from mezzmark.decide.compare.verdicts import (
    CellVerdict,
    ChangedVerdict,
    Reason,
    RegressionReport,
    RunSpread,
    RunState,
    SelfComparison,
    SideLoad,
)
from mezzmark.decide.machine.identity import FactChange
from mezzmark.decide.machine.noise import CauseRange, TwoKinds
from mezzmark.decide.machine.state import MachineState
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.regress import (
    context_lines,
    regression_sentences,
    remark_text,
    summarise_regression,
    unjudged_lines,
)
from mezzmark.report.tables.regression import (
    as_junit,
    as_markdown,
    detectable_text,
    regression_table,
)

VERDICTS = ("improved", "equivalent", "regressed", "inconclusive", "not comparable")


CLIPS = Reason(kind="no_common_clip", before=("harbour",), after=("C0001.MP4",))
NOTHING = CellVerdict(
    cell=Cell(task="encode", clip="harbour", encoding="e"),
    verdict="not comparable",
    figure="throughput_fps",
    reasons=(CLIPS,),
)


def _ratio(point: float) -> Estimate:
    return made(point, point - 0.01, point + 0.01, "×")


@pytest.fixture
def report() -> RegressionReport:
    """One cell of each verdict, one of them with a hostile name."""
    names = ["plain", "pipe | in name", "<script>alert(1)</script>", "new\nline", "bell\x07"]
    cells = tuple(
        CellVerdict(
            cell=Cell(task="scrub", clip=name, encoding="e", setting=Setting(pattern="jump")),
            verdict=verdict,
            figure="p50_ms",
            cost_ratio=_ratio(1.1),
        )
        for name, verdict in zip(names, VERDICTS, strict=True)
    )
    return RegressionReport(
        verdict="regressed",
        exit_code=10,
        design="interleaved",
        overlaps=(),
        tolerance_fraction=0.05,
        confidence_level=0.95,
        cells=cells,
        machine_ratio=None,
        unsteady_runs=(),
        host_changes=(),
        self_comparisons=(),
        flagged_trial_count=0,
        flag_causes=(),
        changed_without_flagged=None,
        baseline_run_ids=("a",),
        candidate_run_ids=("b",),
    )


def test_junit_counts_a_failure_for_a_regression_only(report: RegressionReport) -> None:
    """Five cases: one failure (regressed), two skipped (inconclusive, not comparable)."""
    suite = ElementTree.fromstring(as_junit(report))
    assert suite.attrib["tests"] == "5"
    assert suite.attrib["failures"] == "1"
    assert suite.attrib["skipped"] == "2"
    failure = suite.find("testcase/failure")
    assert "1.100 [1.090, 1.110]" in failure.attrib["message"]
    assert len(suite.findall("testcase/skipped")) == 2


def test_junit_says_nothing_of_a_ratio_that_is_not_there(report: RegressionReport) -> None:
    """A cell that was not compared: its verdict, then its reason, with no dash between."""
    suite = ElementTree.fromstring(as_junit(report.model_copy(update={"cells": (NOTHING,)})))
    [skipped] = suite.findall("testcase/skipped")
    assert skipped.attrib["message"].startswith("not comparable: ")
    assert "–" not in skipped.attrib["message"]


def test_markdown_has_one_row_a_cell_whatever_its_name(report: RegressionReport) -> None:
    """Pipes, tags and newlines in names neither add rows nor columns nor markup."""
    rows = [line for line in as_markdown(report).splitlines() if line.startswith("| ")]
    assert len(rows) == 2 + 5
    for row in rows[2:]:
        assert row.replace("\\|", "").count("|") == 7
        assert re.search(r"(?<!\\)<", row) is None


@pytest.fixture
def shown(report: RegressionReport, capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    """What `--format json` prints."""
    print_json(report, regression_sentences(report))
    return json.loads(capsys.readouterr().out)


def test_json_gives_back_the_report(report: RegressionReport, shown: dict[str, object]) -> None:
    """The JSON holds everything that was decided, beside the number of its form and sentences."""
    assert shown.pop("schema") == 1
    assert shown.pop("sentences") == list(regression_sentences(report))
    assert RegressionReport.model_validate(shown) == report


def test_every_field_of_the_json_is_described(shown: dict[str, object]) -> None:
    """The tables under "JSON of regress" name each field of the report and of its cells."""
    text = (Path(__file__).parents[2] / "results/README.md").read_text(encoding="utf-8")
    described = text.split("## JSON of regress")[1].split("\n## ")[0]
    fields = {*shown, *CellVerdict.model_fields, *Reason.model_fields}
    assert [name for name in sorted(fields) if f"`{name}`" not in described] == []


def test_cells_that_cannot_be_judged_are_one_line_a_reason(
    report: RegressionReport, capsys: pytest.CaptureFixture[str]
) -> None:
    """Forty-seven cells of one reason: one line with the count, in the terminal as in Markdown, and
    no row for any of them; the whole comparison is that one sentence."""
    cells = tuple(
        NOTHING.model_copy(update={"cell": NOTHING.cell.but(encoding=f"e{number}")})
        for number in range(47)
    )
    whole = report.model_copy(update={"cells": cells, "verdict": "not comparable"})
    line = summarise_regression(whole)
    assert unjudged_lines(whole) == []
    assert "e13" not in as_markdown(whole)
    print_regression(whole)
    printed = " ".join(capsys.readouterr().out.split())
    assert printed.count(line) == 1
    assert "Tolerance" not in printed
    assert "e13" not in printed
    assert len(ElementTree.fromstring(as_junit(whole)).findall("testcase")) == 47


@pytest.mark.parametrize(
    ("fraction", "text"), [(None, "–"), (0.0412, "4.1 %"), (1.0, "100.0 %"), (1.01, "> 100 %")]
)
def test_the_smallest_change_detectable_is_readable(fraction: float | None, text: str) -> None:
    """In percent up to a doubling; a dash where none is known."""
    assert detectable_text(NOTHING.model_copy(update={"detectable_fraction": fraction})) == text


@pytest.mark.parametrize(("rounds", "typical", "is_told"), [(3, 1.7, 0), (3, 1.6, 1), (4, 1.7, 1)])
def test_of_three_rounds_one_ratio_is_told(
    report: RegressionReport, rounds: int, typical: float, is_told: int
) -> None:
    """Where the lowest third is all there is, the typical trial's ratio is the same: not told."""
    decides, other = (made(point, 0.2, 12, "×", rounds=rounds) for point in (1.7, typical))
    cell = report.cells[0].model_copy(update={"cost_ratio": decides, "typical_ratio": other})
    [row] = regression_table(report.model_copy(update={"cells": (cell,)})).rows
    assert row[3].text == ("too few rounds", f"{typical:.3f} [0.200, 12.000]")[is_told]


def test_regress_in_words(report: RegressionReport) -> None:
    """Every kind of remark, summary and line beside the verdicts."""
    cell = report.cells[0].cell
    judged = CellVerdict(cell=cell, verdict="regressed", figure="p50_ms", cost_ratio=_ratio(1.1))
    few = Reason(kind="few_rounds", needed=3, before=("monday",), after=("friday",))
    remarks = [
        {},
        {"verdict": "improved", "cost_ratio": _ratio(0.8)},
        {"verdict": "equivalent", "cost_ratio": _ratio(1.0)},
        {"verdict": "equivalent", "cost_ratio": _ratio(1.02)},
        {"verdict": "slower", "units_needed": 30},
        {"verdict": "inconclusive", "cost_ratio": _ratio(0.95), "units_needed": 30},
        {"verdict": "inconclusive", "cost_ratio": _ratio(1.0), "is_slower_in_part": True},
        {
            "verdict": "inconclusive",
            "cost_ratio": _ratio(1.0),
            "units_needed": 17,
            "two_kinds": (
                None,
                TwoKinds(cell=cell, fast=9, slow=12, fast_count=3, count=10, unit="ms"),
            ),
        },
        {"verdict": "inconclusive", "cost_ratio": _ratio(1.0), "units_needed": 201},
        {"verdict": "inconclusive", "cost_ratio": _ratio(1.0)},
        {"verdict": "inconclusive", "withheld_verdict": "improved"},
        {"candidate_wrong_count": 1},
        {"candidate_wrong_count": 3, "baseline_wrong_count": 2},
        {"cost_ratio": None, "reasons": (few,)},
        {"verdict": "inconclusive", "cost_ratio": made(1.7, 0.2, 12, "×", rounds=3)},
    ]
    cells = [judged.model_copy(update=update) for update in remarks]
    by_run = report.model_copy(update={"design": "several runs"})
    at_once = report.model_copy(
        update={"design": "at the same time", "overlaps": (("monday", "friday"),)}
    )
    unlike = [
        Reason(kind="other_setting", task="encode", name="frames", before=("96",)),
        Reason(kind="other_footage", name="harbour"),
        Reason(kind="other_encoding", name="vc3-sq"),
        Reason(kind="other_file", name="vc3-sq"),
        Reason(kind="renamed_clips", before=("own",), after=("mine",)),
        Reason(kind="task_missing", task="ingest", place="results/friday"),
        Reason(kind="clip_missing", task="encode", name="harbour", place="results/friday"),
        Reason(kind="clip_missing", task="scrub", name="all clips", place="results/friday"),
        Reason(kind="encoding_missing", task="encode", name="vc3-sq", place="results/friday"),
    ]
    mixed = report.model_copy(
        update={
            "cells": (
                *report.cells,
                *(
                    NOTHING.model_copy(
                        update={"cell": cell.but(clip=f"{number}"), "reasons": (reason,)}
                    )
                    for number, reason in enumerate(unlike)
                ),
            ),
            "machine_ratio": _ratio(1.0),
            "run_spreads": (
                RunSpread(task="scrub", sd_fraction=0.008, degrees=12, run_count=6),
                RunSpread(task="encode", sd_fraction=0.01),
            ),
            "loads": (
                SideLoad(side="baseline", before=(0.4, 1.2), waiting=(0.01, 0.05), steal=None),
                SideLoad(side="candidate", before=(2.4, 3.2), waiting=None, steal=None),
            ),
            "unsteady_runs": (
                RunState(
                    side="baseline",
                    name="results/monday",
                    state=MachineState(kind="unknown", kernel_count=0),
                ),
            ),
            "host_changes": (
                FactChange(name="governor", before=("performance",), after=(None, "powersave")),
                FactChange(name="memory_bytes", before=(2**34,), after=(2**35,)),
                FactChange(name="is_virtual", before=(False,), after=(True,)),
                FactChange(name="libavcodec", before=("61.1",), after=("61.2",)),
            ),
            "self_comparisons": tuple(
                SelfComparison(
                    run_id="a",
                    cell=cell,
                    cost_ratio=_ratio(1.1),
                    adjusted_p=p_value,
                    is_significant=p_value <= 0.01,
                )
                for p_value in (0.001, 0.4)
            ),
            "flagged_trial_count": 12,
            "flag_causes": tuple(
                CauseRange(kind=kind, low=low, high=high, trial_count=count)
                for kind, low, high, count in (
                    ("processor_wait", 0.55, 0.88, 12),
                    ("heat", 2, 2, 1),
                    ("interruptions", 68.2, 2023.4, 7),
                )
            ),
            "changed_without_flagged": tuple(
                ChangedVerdict(
                    cell=cell.but(clip=f"cell {number}"),
                    verdict="equivalent",
                    verdict_without="inconclusive",
                )
                for number in range(5)
            ),
        }
    )
    designs = ("interleaved", "separate", "several runs", "two machines")
    alone = report.model_copy(update={"cells": (NOTHING,), "verdict": "not comparable"})
    lines = [
        *(remark_text(item, report) for item in cells),
        *(remark_text(item, by_run) for item in cells[7:10]),
        remark_text(cells[10], at_once),
        summarise_regression(report.model_copy(update={"cells": ()})),
        *regression_sentences(alone),
        *regression_sentences(mixed),
        *regression_sentences(at_once),
        *(context_lines(report.model_copy(update={"design": design}))[1] for design in designs),
        context_lines(mixed.model_copy(update={"design": "separate"}))[5],
        *(
            line
            for line in regression_sentences(
                at_once.model_copy(update={"overlaps": (), "design": "separate", "has_moved": True})
            )
            if "kernel" in line
        ),
    ]
    assert_matches_snapshot("\n".join(lines), "regress")
