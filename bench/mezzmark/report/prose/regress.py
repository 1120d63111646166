"""A comparison of runs in sentences: what was found, what was not compared, what it rests on. Long,
for every reason, design and finding of it has its words here, once."""

import shlex
from collections.abc import Iterator, Sequence
from typing import Final, Literal

from mezzmark.decide.compare.evidence import RUN_SPREAD, TRIAL_SPREAD, findable_fraction
from mezzmark.decide.compare.fleet import FleetCheck
from mezzmark.decide.compare.matching import compared_cells, group_refusals
from mezzmark.decide.compare.regress import TOLERANCE_FRACTION
from mezzmark.decide.compare.verdicts import (
    CellVerdict,
    ChangedVerdict,
    Design,
    Reason,
    ReasonKind,
    Refusal,
    RegressionReport,
    RunSpread,
    Verdict,
)
from mezzmark.decide.estimate.observed_run import MeasuredRun, run_names, start_of
from mezzmark.decide.estimate.ranking import RANKING_ROUNDS
from mezzmark.model.cell import Cell, ordered
from mezzmark.model.fact import grouped
from mezzmark.report.prose.machine import (
    NONE_DISTURBED,
    cause_text,
    fact_change_text,
    machine_predicate,
)
from mezzmark.report.prose.numbers import (
    IN_BRACKETS,
    MOST_NAMED,
    count_text,
    estimate_text,
    few_text,
    joined_text,
    level_text,
    list_text,
    shown_name,
    two_kinds_text,
    visible_text,
)
from mezzmark.report.prose.terms import player_words, task_label

MOST_UNITS: Final = 200
"""Rounds or runs that somebody might still measure."""

_ASSUMPTIONS: Final[dict[Design | Literal["no kernel"], str]] = {
    "interleaved": "Both sides were measured in turn, round by round, never at once: whatever the "
    "machine did affected both. Nothing further is assumed.",
    "separate": "The sides were measured at different times. The reference kernel tells whether "
    "the machine changed; how much runs differ by themselves is added to the errors. What changed "
    "between the runs and affects the work alone (storage, memory used by others) counts as a "
    "change of the work: measure in turn, or several runs a side, to rule it out.",
    "at the same time": "The runs were at work on one machine at the same time and disturbed each "
    "other, so no verdict is given; ratios are those of runs at different times. Measure again, "
    "one run after the other. If these were two machines of one kind, give each its own label "
    "(MEZZMARK_HOST_LABEL).",
    "several runs": "The run is the unit: the spread within a side includes days and reboots, and "
    "is drawn towards that of the task's other cells (Smyth 2004). The runs of a side are assumed "
    "to be a fair sample of such days.",
    "two machines": "The sides are different machines: a verdict says which machine is slower as "
    "it was found, not that one became slower.",
    "no kernel": "The sides were measured at different times and lack reference kernels to "
    "compare: any change of the machine between them counts as a change of the work.",
}


def assumption_text(design: Design, *, has_kernel: bool) -> str:
    """What must be believed beyond the data for the verdicts to hold."""
    return _ASSUMPTIONS["no kernel" if design == "separate" and not has_kernel else design]


_REASONS: Final[dict[ReasonKind, str]] = {
    "few_rounds": "fewer than {needed} finished rounds{sides}",
    "other_setting": "the scenario's {task}.{name} was {before}, is {after}",
    "other_footage": 'clip "{name}" is not the same footage',
    "other_encoding": 'encoding "{name}" is defined differently',
    "other_file": (
        'the file of "{name}" is not the same (encoded by other software?); share the cache of '
        "encoded files between the runs"
    ),
    "other_carried": 'files of "{name}" hold other sound, timecode or tags beside their pictures',
    "no_common_clip": "the runs measured different clips ({before}; {after})",
    "renamed_clips": "the runs gave the same footage different clip names ({before}; {after})",
    "task_missing": "{label} was not measured {where}",
    "clip_missing": '{label} with clip "{name}" was not measured {where}',
    "encoding_missing": '{label} with "{name}" was not measured {where}',
    "setting_missing": "{label} with {settings} was not measured {where}",
}


SIDES: Final = ("the baseline", "the candidate")
"""What the two are called where nobody knows them by better names."""


def reasons_text(
    refusal: Refusal, *, preposition: str = "in", sides: tuple[str, str] = SIDES
) -> str:
    """Why these cells are not compared; what is missing is missing `in` a run or `on` a host."""
    return "; ".join(
        _REASONS[reason.kind].format(
            needed=reason.needed,
            sides=_sides_text(reason, sides),
            task=reason.task,
            name=shown_name(reason.name),
            before=list_text(reason.before, limit=MOST_NAMED) or "not set",
            after=list_text(reason.after, limit=MOST_NAMED) or "not set",
            label=task_label(reason.task),
            where=f"{preposition} {visible_text(reason.place)}",
            settings=joined_text([_axis_text(axis, refusal.cells) for axis in reason.axes]),
        )
        for reason in refusal.reasons
    )


def _sides_text(reason: Reason, sides: tuple[str, str]) -> str:
    """` in the baseline (monday) and the candidate (friday)`: the runs of either side, if told."""
    both = zip(sides, (reason.before, reason.after), strict=True)
    found = [f"{side} ({list_text(runs, limit=MOST_NAMED)})" for side, runs in both if runs]
    return f" in {joined_text(found)}" if found else ""


def _axis_text(axis: str, cells: Sequence[Cell]) -> str:
    """One axis with all its values among the cells: `4, 6 or 8 jobs`, `pattern hop`."""
    values = sorted(
        {cell.setting[axis] for cell in cells}, key=lambda v: (str(type(v)), ordered(v))
    )
    plain = {None: "unset", True: "yes", False: "no"}
    texts = [plain[v] if v is None or isinstance(v, bool) else shown_name(str(v)) for v in values]
    shown = joined_text(texts, word="or")
    if axis in ("threads", "jobs"):
        return f"{shown} {axis if shown != '1' else axis[:-1]}"
    return f"{axis.replace('_', ' ')} {shown}"


def remark_text(cell: CellVerdict, report: RegressionReport) -> str:
    """What a cell's ratio means or lacks, in a clause."""
    if cell.cost_ratio is None:
        return reasons_text(Refusal(reasons=cell.reasons, cells=(cell.cell,)))
    texts = zip(("before", "after"), cell.two_kinds, strict=False)
    levels = [f"{side} {two_kinds_text(kinds)}" for side, kinds in texts if kinds]
    text = "; ".join((_finding_text(cell, report), *levels))
    if cell.candidate_wrong_count:
        new = ", the baseline none" if cell.shows_new_wrong_pictures else ""
        wrong = count_text(cell.candidate_wrong_count, "wrong picture")
        return f"{wrong} in the candidate{new}; {text}"
    return text


def _finding_text(cell: CellVerdict, report: RegressionReport) -> str:
    if cell.withheld_verdict is not None:
        return f"would be {cell.withheld_verdict}, but {_withheld_why(report)}"
    tolerance = level_text(report.tolerance_fraction)
    assert cell.cost_ratio is not None
    low, high = cell.cost_ratio.low or 0.0, cell.cost_ratio.high or 0.0
    way = "slower" if low > 1 else "faster" if high < 1 else ""
    if cell.is_slower_in_part:
        return "slower in part of the trials: the machine or the software"
    if cell.verdict == "equivalent":
        return f"{way}, within {tolerance}" if way else f"changed by less than {tolerance}"
    if cell.verdict in ("regressed", "improved"):
        return f"{way} by more than {tolerance}" if way else ""
    beyond = [f"{way}; whether by more than {tolerance} is open"] if way else []
    return "; ".join([*beyond, _needed(cell, report)])


def _withheld_why(report: RegressionReport) -> str:
    if report.overlaps:
        return "the runs overlapped"
    if report.has_moved:
        return "the machine itself changed, by its reference kernel"
    return "a self-comparison is significant"


def _needed(cell: CellVerdict, report: RegressionReport) -> str:
    """What would settle an open cell."""
    is_by_run = report.design == "several runs"
    unit, whose = ("runs", "in all") if is_by_run else ("rounds", "a side")
    if not is_by_run and cell.cost_ratio and cell.cost_ratio.round_count < RANKING_ROUNDS:
        return "too few rounds to tell how many would settle it"
    if cell.units_needed is None:
        instead = "" if is_by_run else ": measure in turn, or several runs a side"
        return f"no number of {unit} would settle it{instead}"
    if cell.units_needed > MOST_UNITS:
        return f"more than {MOST_UNITS} {unit} {whose} needed: make the machine quieter first"
    return f"about {cell.units_needed} {unit} {whose} would settle it"


def _unjudged_groups(report: RegressionReport) -> tuple[Refusal, ...]:
    """Cells without a ratio, by reason; the largest group first."""
    groups = group_refusals({c.cell: c.reasons for c in report.cells if c.cost_ratio is None})
    return tuple(sorted(groups, key=lambda group: -len(group.cells)))


def unjudged_lines(report: RegressionReport, sides: tuple[str, str] = SIDES) -> list[str]:
    """`47 cells not comparable: …`, the few named; empty where the summary tells the one reason."""
    groups = _unjudged_groups(report)
    if _is_of_one_reason(report, groups):
        return []
    verdicts = {cell.cell: cell.verdict for cell in report.cells}
    lines = []
    for group in groups:
        counted = f"{count_text(len(group.cells), 'cell')} {verdicts[group.cells[0]]}"
        ids = "; ".join(cell.cell_id for cell in group.cells)
        named = f" ({ids})" if len(group.cells) <= MOST_NAMED else ""
        lines.append(f"{counted}: {reasons_text(group, sides=sides)}{named}")
    return lines


def _is_of_one_reason(report: RegressionReport, groups: Sequence[Refusal]) -> bool:
    return len(groups) == 1 and len(groups[0].cells) == len(report.cells)


_SUMMARY_ORDER: Final[tuple[Verdict, ...]] = (
    "regressed",
    "slower",
    "improved",
    "equivalent",
    "inconclusive",
    "not comparable",
)


def summarise_regression(report: RegressionReport, sides: tuple[str, str] = SIDES) -> str:
    """How many cells came out how, or the one reason why none could be judged."""
    if not report.cells:
        return "The runs hold no finished trial to compare."
    groups = _unjudged_groups(report)
    counted = count_text(len(report.cells), "cell")
    if _is_of_one_reason(report, groups):
        return f"{counted} {report.verdict}: {reasons_text(groups[0], sides=sides)}."
    verdicts = [cell.verdict for cell in report.cells]
    counts = [f"{verdicts.count(v)} {v}" for v in _SUMMARY_ORDER if v in verdicts]
    why = _withheld_why(report) if report.overlaps or report.has_moved else ""
    claimed = f" {why[0].upper()}{why[1:]}: no difference in time is claimed." if why else ""
    start = f"{_ASSUMPTIONS[report.design]} " if report.design == "two machines" else ""
    return f"{start}{', '.join(counts)} ({counted}).{claimed}"


def power_text(cells: Sequence[Cell], round_count: int, run_count: int) -> str:
    """What so many runs of these cells a side can find, said before they are measured."""
    if not (compared := compared_cells(cells)):
        return "Nothing of this is compared by regress."
    found = findable_fraction(
        compared, round_count, run_count=run_count, tolerance_fraction=TOLERANCE_FRACTION
    )
    return (
        f"{count_text(run_count, 'run')} a side of {count_text(round_count, 'round')} find a "
        f"slowing of {100 * found:.0f} % of one of {count_text(len(compared), 'cell')}, beyond "
        f"{level_text(TOLERANCE_FRACTION)}, nine times in ten, where runs differ by "
        f"{level_text(RUN_SPREAD)} and trials by {level_text(TRIAL_SPREAD)}."
    )


def _players_texts(report: RegressionReport) -> list[str]:
    """Where a cell of the best player was played by others on either side."""
    cells: dict[tuple[str, ...], list[str]] = {}
    for cell in (cell for cell in report.cells if cell.players):
        sides = (joined_text(list(map(player_words, side)), word="or") for side in cell.players)
        cells.setdefault(tuple(sides), []).append(cell.cell.cell_id)
    return [
        f"The best player was {before} in the baseline and {after} in the candidate "
        f"({few_text(ids)}): what changed there may be the choice of player; to "
        "compare one player, name it in the scenario."
        for (before, after), ids in cells.items()
    ]


def _root_texts(report: RegressionReport) -> list[str]:
    """Roots whose raw storage got slower, by how many of its cells."""
    raw = [one for one in report.cells if one.cell.task == "storage" and one.cell.setting["root"]]
    found = grouped((one.cell.setting["root"], one.verdict == "regressed") for one in raw)
    return [
        f"The root {shown_name(root)} itself is slower in the candidate, by {sum(slower)} of "
        f"{count_text(len(slower), 'cell')} of raw storage."
        for root, slower in found.items()
        if any(slower)
    ]


def doubt_lines(report: RegressionReport) -> list[str]:
    """What to know before relying on the verdicts, a statement each."""
    return [
        *_root_texts(report),
        *_players_texts(report),
        *(
            f"{run.side.capitalize()} run {run.name}: the machine {machine_predicate(run.state)}."
            for run in report.unsteady_runs
        ),
        *(
            f"Self-comparison ({c.cell.cell_id}): significant, so no difference in time is claimed."
            for c in report.self_comparisons
            if c.is_significant
        ),
    ]


def basis_lines(report: RegressionReport) -> list[str]:
    """What the verdicts rest on, a statement each; less where no cell could be judged."""
    is_judged = any(cell.cost_ratio is not None for cell in report.cells)
    changes = "; ".join(fact_change_text(change) for change in report.host_changes)
    return [
        *([_error_levels(report)] if is_judged else []),
        *([_kernel_text(report)] if report.machine_ratio else []),
        *(filter(None, [_loads_text(report)])),
        *([_design_text(report)] if is_judged or report.overlaps else []),
        *([f"Changed on the host: {changes}."] if changes else []),
        *(
            f"Self-comparison ({item.cell.cell_id}): not significant."
            for item in report.self_comparisons
            if not item.is_significant
        ),
        *([_sensitivity(report)] if is_judged else []),
    ]


def context_lines(report: RegressionReport) -> list[str]:
    """All that stands beside the verdicts."""
    return [*doubt_lines(report), *basis_lines(report)]


def _design_text(report: RegressionReport) -> str:
    told = report.design == "two machines"  # at the top
    has_kernel = report.machine_ratio is not None
    assumption = "" if told else f" {assumption_text(report.design, has_kernel=has_kernel)}"
    pairs = "; ".join(" and ".join(pair) for pair in report.overlaps)
    overlaps = f" Runs that overlapped: {pairs}." if pairs else ""
    return f"Design: {report.design}.{assumption}{overlaps}"


def _error_levels(report: RegressionReport) -> str:
    spreads = "; ".join(map(_spread_text, report.run_spreads))
    added = f" Added for what runs differ by: {spreads}." if spreads else ""
    if report.history_count and not all(spread.run_count for spread in report.run_spreads):
        added += (
            f" Earlier runs handed in: {report.history_count}. Three or more beside those compared,"
            " of this machine, its versions and settings, would tell it for each task."
        )
    return (
        f"{levels_text(report, 'all cells')} It is of the undisturbed level, the mean of the "
        f"lowest third of rounds. Detectable is the smallest slowing that shows nine times in ten."
        f"{added}"
    )


def levels_text(found: RegressionReport | FleetCheck, whose: str) -> str:
    """Tolerance and level of a comparison; `whose` intervals hold together."""
    return (
        f"Tolerance {level_text(found.tolerance_fraction)}. The interval that is shown decides; "
        f"those of {whose} hold together at {level_text(found.confidence_level)} (Bonferroni)."
    )


def _spread_text(spread: RunSpread) -> str:
    most = "" if spread.run_count or spread.sd_fraction <= RUN_SPREAD else "up to "
    origin = "seen in their own rounds" if most else "assumed"
    if spread.run_count:
        origin = f"by {spread.run_count} earlier runs"
    return f"{task_label(spread.task)} {most}{100 * spread.sd_fraction:.1f} % a run ({origin})"


def _kernel_text(report: RegressionReport) -> str:
    found = report.machine_ratio
    assert found is not None
    is_apart = found.low is not None and found.high is not None and not found.low <= 1 <= found.high
    moved = "the machine changed" if report.has_moved else "no sure change of the machine"
    # Two hosts, or two environments in turn: that it differs says nothing of a change.
    moved = "" if is_apart and not report.has_moved else f"; {moved}"
    return f"Reference kernel, candidate / baseline: {estimate_text(found)} at 99 %{moved}."


def _loads_text(report: RegressionReport) -> str:
    """How busy the machine was before and during both sides; empty where nothing is told."""
    texts = [
        f"{label} {' → '.join(shown)}"
        for label, name, form in _LOADS
        for sides in [[getattr(load, name) for load in report.loads]]
        for shown in [[" and ".join(map(form, side)) if side else "?" for side in sides]]
        if any(sides)
    ]
    return f"Machine on both sides, median and highest: {'; '.join(texts)}." if texts else ""


def _percent(share: float) -> str:
    return f"{100 * min(share, 1):.1f} %"  # clocks of two kinds: their ratio may pass 1


_LOADS: Final = (
    ("load before trials", "before", "{:.1f}".format),
    ("waiting for a processor during them", "waiting", _percent),
    ("taken by the hypervisor", "steal", _percent),
)


def _sensitivity(report: RegressionReport) -> str:
    if report.changed_without_flagged is None:
        return NONE_DISTURBED
    causes = "; ".join(cause_text(cause) for cause in report.flag_causes)
    counted = count_text(report.flagged_trial_count, "disturbed trial")
    flagged = f"{counted} kept in{f': {causes}' if causes else ''}."
    changed = report.changed_without_flagged
    if not changed:
        return f"{flagged} Without them every verdict is the same."
    return (
        f"{flagged} Without them {count_text(len(changed), 'verdict')} would change: "
        f"{changed_verdicts_text(changed)}."
    )


def changed_verdicts_text(changed: Sequence[ChangedVerdict]) -> str:
    """The first few cells, with both verdicts."""
    return few_text([f"{c.cell.cell_id}: {c.verdict} → {c.verdict_without}" for c in changed])


def regression_sentences(report: RegressionReport) -> Iterator[str]:
    """All of it in English, as the terminal has it."""
    yield summarise_regression(report)
    yield from unjudged_lines(report)
    yield from context_lines(report)


def before_after_headline(report: RegressionReport, host: str) -> str:
    """Of two runs of one host in a report."""
    return f"{shown_name(host)}, before and after: {summarise_regression(report)}"


def before_after_basis(earlier: MeasuredRun, later: MeasuredRun) -> str:
    """Which two runs, and when they began."""
    first, second = (
        f"{start_of(run)[:16].replace('T', ' ')} ({shown_name(name)})"
        for run, name in zip((earlier, later), run_names([earlier, later]), strict=True)
    )
    return f"{first} and {second}, both in UTC · {IN_BRACKETS}"


def next_step(earlier: str, later: str) -> str:
    """What else can be had of two runs, by their names."""
    first, second = (visible_text(shlex.quote(name)) for name in (earlier, later))
    return (
        "A third run of this machine adds its history: where its level changed. This comparison on "
        "the command line, with an exit code for other programs: mezzmark regress "
        f"--baseline {first} --candidate {second}"
    )
