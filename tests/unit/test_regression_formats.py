"""Verdicts are printed alike in every format, and nothing in a name can break one."""

import json
from xml.etree import ElementTree

import pytest

from mezzmark.decide.verdicts import CellVerdict, RegressionReport
from mezzmark.facts.cells import Cell
from mezzmark.facts.estimates import Estimate
from mezzmark.report.regression import as_json, as_junit, as_markdown

VERDICTS = ("improved", "equivalent", "regressed", "inconclusive", "not comparable")


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
            cell=Cell(task="scrub", clip=name, encoding="e", pattern="jump"),
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
        contender_run_ids=("b",),
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
    assert len(rows) == 1 + 5
    for row in rows[1:]:
        assert row.replace("\\|", "").count("|") == 7
        assert "<script>" not in row


def test_json_gives_back_the_report(report: RegressionReport) -> None:
    """The JSON holds everything that was decided."""
    assert RegressionReport.model_validate(json.loads(as_json(report))) == report
