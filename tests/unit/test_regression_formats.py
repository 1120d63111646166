"""Verdicts are printed alike in every format, and nothing in a name can break one."""

import json
from xml.etree import ElementTree

import pytest

from mezzmark.cli.views import print_regression
from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.regress import context_lines, summarise_regression, unjudged_lines
from mezzmark.report.tables.regression import (
    as_junit,
    as_markdown,
    detectable_text,
    regression_table,
)

VERDICTS = ("improved", "equivalent", "regressed", "inconclusive", "not comparable")


NOTHING = CellVerdict(
    cell=Cell(task="encode", clip="harbour", encoding="e"),
    verdict="not comparable",
    figure="throughput_fps",
    reason="the runs measured different clips (harbour; C0001.MP4)",
)


def _ratio(point: float) -> Estimate:
    return Estimate(
        point=point,
        low=point - 0.01,
        high=point + 0.01,
        confidence_level=0.95,
        unit="×",
        round_count=10,
        sample_count=10,
        method="t",
    )


@pytest.fixture
def report() -> RegressionReport:
    """One cell of each verdict, one of them with a hostile name."""
    names = ["plain", "pipe | in name", "<script>alert(1)</script>", "new\nline", "bell\x07"]
    cells = tuple(
        CellVerdict(
            cell=Cell(task="scrub", clip=name, encoding="e", setting=Setting(pattern="jump")),
            verdict=verdict,
            figure="p50_ms",
            reason=f"because {verdict}",
            cost_ratio=_ratio(1.1),
        )
        for name, verdict in zip(names, VERDICTS, strict=True)
    )
    return RegressionReport(
        verdict="regressed",
        exit_code=10,
        design="interleaved",
        assumption="Nothing.",
        tolerance_fraction=0.05,
        confidence_level=0.95,
        cells=cells,
        machine_ratio=None,
        machine_notes=(),
        host_changes=(),
        null_arms=(),
        flagged_trial_count=0,
        flag_reasons=(),
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
    assert failure is not None
    assert "1.100 [1.090, 1.110]" in failure.attrib["message"]
    assert len(suite.findall("testcase/skipped")) == 2


def test_markdown_has_one_row_a_cell_whatever_its_name(report: RegressionReport) -> None:
    """Pipes, tags and newlines in names neither add rows nor columns nor markup."""
    rows = [line for line in as_markdown(report).splitlines() if line.startswith("| ")]
    assert len(rows) == 2 + 5
    for row in rows[2:]:
        assert row.replace("\\|", "").count("|") == 6
        assert "\\<script>" in row or "<script>" not in row


def test_json_gives_back_the_report(report: RegressionReport) -> None:
    """The JSON holds everything that was decided."""
    assert RegressionReport.model_validate(json.loads(report.model_dump_json())) == report


def test_a_verdict_has_a_sign_beside_its_colour(report: RegressionReport) -> None:
    """Five verdicts, five signs; a regression is marked as wrong, an improvement as leading; a
    reason stands only where verdict and ratio do not say all."""
    rows = regression_table(report).rows
    assert [row[1].point[0] for row in rows] == ["−", "=", "+", "?", "×"]
    assert [row[1].sign for row in rows] == ["lead", "", "wrong", "", ""]
    assert [row[4].text for row in rows[:3]] == ["–", "–", "because regressed"]
    assert (rows[0][2].point, rows[0][2].interval) == ("1.100", "[1.090, 1.110]")


def test_cells_that_cannot_be_judged_are_one_line_a_reason(
    report: RegressionReport, capsys: pytest.CaptureFixture[str]
) -> None:
    """Forty-seven cells of one reason: one line with the count, in the terminal as in Markdown, and
    no row for any of them; the whole comparison is that one sentence."""
    cells = tuple(
        NOTHING.model_copy(
            update={"cell": NOTHING.cell.model_copy(update={"encoding": f"e{number}"})}
        )
        for number in range(47)
    )
    whole = report.model_copy(update={"cells": cells, "verdict": "not comparable"})
    line = "47 cells: the runs measured different clips (harbour; C0001.MP4). Nothing to compare."
    assert summarise_regression(whole) == line
    assert unjudged_lines(whole) == []
    markdown = as_markdown(whole)
    assert markdown.count("47 cells: the runs measured different clips") == 1
    assert "e13" not in markdown
    print_regression(whole)
    printed = " ".join(capsys.readouterr().out.split())
    assert printed.count(line) == 1
    assert "Tolerance" not in printed
    assert "e13" not in printed
    assert len(ElementTree.fromstring(as_junit(whole)).findall("testcase")) == 47


def test_few_cells_of_a_reason_are_named(report: RegressionReport) -> None:
    """One cell that cannot be judged: its name stands beside the reason; judged cells keep rows."""
    mixed = report.model_copy(update={"cells": (*report.cells, NOTHING)})
    assert unjudged_lines(mixed) == [
        "1 cell not comparable: the runs measured different clips (harbour; C0001.MP4) "
        f"({NOTHING.cell.cell_id})"
    ]
    assert summarise_regression(mixed) == (
        "6 cells: 1 regressed, 1 improved, 1 equivalent, 1 inconclusive, 2 not comparable."
    )


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (None, "–"),
        (0.0412, "4.1 %"),
        (1.0, "100.0 %"),
        (1.01, "> 100 %"),
        (3542783.952, "> 100 %"),
    ],
)
def test_the_smallest_change_detectable_is_readable(fraction: float | None, text: str) -> None:
    """In percent up to a doubling; beyond that as more; a dash where none is known."""
    assert detectable_text(NOTHING.model_copy(update={"detectable_fraction": fraction})) == text


def test_disturbed_trials_and_changed_verdicts_are_told_shortly(report: RegressionReport) -> None:
    """Five changed verdicts: their number, three of them, and that two more there are."""
    changed = tuple(f"cell {number}: equivalent → inconclusive" for number in range(5))
    told = report.model_copy(
        update={
            "flagged_trial_count": 12,
            "flag_reasons": ("work waited for the processor 55 to 88 % of the time (12 trials)",),
            "changed_without_flagged": changed,
        }
    )
    last = context_lines(told)[-1]
    assert last.startswith("12 disturbed trials kept in: work waited for the processor 55 to 88 %")
    assert last.endswith(f"5 verdicts would change: {'; '.join(changed[:3])}; and 2 more")
