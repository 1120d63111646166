"""A check of many hosts in sentences: who got slower, what could have been found, who was not
looked at and why. Long because page, terminal and figure say one thing in the same words."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from mezzmark.decide.compare.evidence import RUN_SPREAD, RUNS_AS_UNITS
from mezzmark.decide.compare.fleet import BASELINE_RUNS, FleetCheck, HostCheck
from mezzmark.decide.compare.verdicts import RegressionReport, Verdict
from mezzmark.model.cell import Cell
from mezzmark.model.fact import grouped
from mezzmark.report.prose.figures import BARS_TOLD, FigureText, first_few, verdict_text
from mezzmark.report.prose.machine import (
    REMEDY,
    cause_text,
    fact_change_text,
    machine_predicate,
)
from mezzmark.report.prose.numbers import (
    bare_ratio,
    count_span_text,
    count_text,
    few_text,
    level_text,
    list_text,
    shown_name,
    visible_text,
)
from mezzmark.report.prose.regress import (
    assumption_text,
    changed_verdicts_text,
    levels_text,
    summarise_regression,
    unjudged_lines,
)
from mezzmark.report.prose.terms import task_label

MOST_HOSTS: Final = 4
"""Hosts that are named in a sentence; tables name all."""

TITLE: Final = "Check of the fleet"
PAGE_NAME: Final = "fleet.html"
NO_HISTORY: Final = "no history yet"

SIDES: Final = ("earlier checks", "this check")
"""What is compared of a host, where a reason names its runs."""

NAME_ROOM: Final = 24
"""Characters of a host's name in a table that has to fit on a terminal."""


def _listed(labels: Sequence[str]) -> str:
    return list_text(sorted(labels), limit=MOST_HOSTS)


def _labels(check: FleetCheck, *which: Verdict | None) -> list[str]:
    return [host.label for host in check.hosts if host.verdict in which]


def judged_hosts(check: FleetCheck) -> list[tuple[HostCheck, RegressionReport]]:
    """Hosts that have a history, each with its comparison."""
    return [(host, host.report) for host in check.hosts if host.report]


def fleet_headline(check: FleetCheck) -> str:
    """Who got slower, and by how much at most any other host may have."""
    judged, tolerance = judged_hosts(check), level_text(check.tolerance_fraction)
    if not judged:
        hosts = count_text(len(check.hosts), "host")
        return f"No history yet: this check is the baseline of {hosts}"
    wrong = [
        host.label
        for host, report in judged
        if any(c.shows_new_wrong_pictures for c in report.cells)
    ]
    slower = {
        "gave wrong pictures, unlike before": wrong,
        f"got slower by more than {tolerance}": [
            host.label for host, report in judged if _is_slower(report)
        ],
        f"got slower, whether by more than {tolerance} is open": [
            host.label for host, report in judged if _may_be_slower(report)
        ],
    }
    parts = [f"{_listed(labels)} {words}" for words, labels in slower.items() if labels]
    found = [
        (host.label, _most(report))
        for host, report in judged
        if not (_is_slower(report) or _may_be_slower(report))
    ]
    known = [most for _, most in found if most is not None]
    if known:
        most = max(known) - 1
        is_proved = most <= check.tolerance_fraction
        limit = tolerance if is_proved else f"{math.ceil(1000 * most) / 10:.1f} %"
        none = "no host" if parts else "No host"
        if any(labels for labels in [*slower.values()][1:]):
            parts.append(f"no other host by more than {limit}")
        elif is_proved:
            parts.append(f"{none} got slower by more than {limit}")
        else:
            parts.append(f"{none} surely got slower, and none by more than {limit}")
    if unknown := [label for label, most in found if most is None]:
        parts.append(f"{_listed(unknown)} could not be judged")
    return "; ".join(parts)


def _is_slower(report: RegressionReport) -> bool:
    """Beyond the tolerance: what is called regressed for wrong pictures alone is not."""
    return any(
        cell.verdict == "regressed"
        and cell.cost_ratio is not None
        and (cell.cost_ratio.low or 0) > 1 + report.tolerance_fraction
        for cell in report.cells
    )


def _may_be_slower(report: RegressionReport) -> bool:
    return not _is_slower(report) and any(cell.verdict == "slower" for cell in report.cells)


def _most(report: RegressionReport) -> float | None:
    """The cost ratio that no compared cell exceeds; None where nothing is claimed of any."""
    ends = [
        cell.cost_ratio.high
        for cell in report.cells
        if cell.cost_ratio and cell.cost_ratio.high and cell.withheld_verdict is None
    ]
    is_unlike_itself = any(found.is_significant for found in report.self_comparisons)
    is_void = report.has_moved or bool(report.overlaps) or is_unlike_itself
    return None if is_void else max(ends, default=None)


def fleet_basis(check: FleetCheck) -> str:
    """One line under the headline: when, how much, at what level."""
    begun = min((host.started_utc for host in check.hosts), default="")
    level = f"{level_text(check.confidence_level)} intervals over {_family(check)} together"
    parts = [
        f"Check {check.check}, begun {begun[:16].replace('T', ' ')} UTC",
        count_text(len(check.hosts), "host"),
        level if check.family else "",
    ]
    return " · ".join(filter(None, parts))


def _family(check: FleetCheck) -> str:
    judged = len(judged_hosts(check))
    return f"{count_text(check.family, 'cell')} of {count_text(judged, 'host')}"


def fleet_cautions(check: FleetCheck) -> list[str]:
    """What to know before relying on it."""
    moved = [host.label for host, report in judged_hosts(check) if report.has_moved]
    unfinished = [host.label for host in check.hosts if not host.is_finished]
    new = _labels(check, None) if check.family else []
    in_part = [
        host.label
        for host, report in judged_hosts(check)
        if any(cell.is_slower_in_part for cell in report.cells)
    ]
    texts = {
        "Slower in part of the trials, by the machine or the software": in_part,
        f"Faster by more than {level_text(check.tolerance_fraction)}": _labels(check, "improved"),
        "The machine itself changed since its earlier runs, by its reference kernel, so that no "
        "difference of its cells is claimed": moved,
        "Not finished, judged by the rounds there are": unfinished,
        "No history yet; this run begins it": new,
    }
    days = sorted(grouped((host.last_utc[:10], host.label) for host in check.absent).items())
    return [
        *(f"{visible_text(fault)}." for fault in check.faults),
        *(f"{words}: {_listed(labels)}." for words, labels in texts.items() if labels),
        *_foreign_loads(check),
        *(f"Not in this check: {_listed(labels)} (last {day})." for day, labels in days),
    ]


def _foreign_loads(check: FleetCheck) -> list[str]:
    """Hosts on which other programs were at work, with the load."""
    loads = [
        f"{host_name(host)}, {load.low:.1f} to {load.high:.1f} on "
        f"{count_text(load.core_count, 'core')}"
        for host in check.hosts
        if (load := host.foreign_load)
    ]
    start = "Other programs were at work, by the load before trials"
    return [f"{start}: {few_text(loads, most=MOST_HOSTS)}. {REMEDY}"] if loads else []


def host_remark(host: HostCheck) -> str:
    """How a host's cells came out, and what else is to be known of it, in a clause."""
    report = host.report
    if report is None:
        text = f"{NO_HISTORY}: this run begins it"
    elif report.has_moved and report.machine_ratio:
        ratio = bare_ratio(report.machine_ratio)
        text = f"the machine itself changed: its reference kernel takes {ratio} times as long"
    else:
        text = summarise_regression(report, SIDES).rstrip(".")
    return text if host.is_finished else f"not finished; {text}"


RESTLESS: Final = (
    f"Fewer than {RUNS_AS_UNITS - 1} do not tell how much a host's runs differ: check again before "
    "you act on an alarm."
)


def power_lines(check: FleetCheck) -> list[str]:
    """The smallest slowing that could have been found, on a usual host and on the worst one."""
    ranked = sorted(
        (max(found), host.label)
        for host, report in judged_hosts(check)
        if (found := [c.detectable_fraction for c in report.cells if c.detectable_fraction])
    )
    if not ranked:
        return []
    usual, (most, label) = ranked[len(ranked) // 2][0], ranked[-1]
    texts = [f"{100 * share:.1f} %" for share in (usual, most)]
    where = "every host" if texts[0] == texts[1] else "half of the hosts"
    rest = "" if texts[0] == texts[1] else f"; on {shown_name(label)} only one of {texts[1]}"
    counts = {len(host.baseline_utc) for host, _ in judged_hosts(check)}
    return [
        f"On {where} a slowing of {texts[0]} of any cell would have shown, nine times in ten"
        f"{rest}. To be called regressed it must be greater by the tolerance.",
        f"Hosts are judged against {count_span_text(counts, 'earlier run')} each. More find "
        f"smaller changes; the latest {BASELINE_RUNS} count.",
        *([RESTLESS] if min(counts) < RUNS_AS_UNITS - 1 else []),
    ]


def change_lines(check: FleetCheck) -> list[str]:
    """What was changed on hosts since their earlier runs, each change with the hosts."""
    changes = grouped(
        (fact_change_text(change), host.label)
        for host, report in judged_hosts(check)
        for change in report.host_changes
    )
    return [f"{visible_text(text)} ({_listed(labels)})" for text, labels in changes.items()]


def disturbance_texts(host: HostCheck) -> tuple[str, str, str]:
    """Of a host: its machine, disturbed trials, and verdicts that would change without them."""
    report = host.report
    if report is None:
        return "", "", ""
    states = [run.state for run in report.unsteady_runs if run.side == "candidate"]
    before = sum(run.side == "baseline" for run in report.unsteady_runs)
    machine = [
        *map(machine_predicate, states),
        *([f"in {count_text(before, 'earlier run')} not steady"] if before else []),
        *(["runs overlapped"] if report.overlaps else []),
    ]
    causes = "; ".join(cause_text(cause) for cause in report.flag_causes)
    count = report.flagged_trial_count
    changed = report.changed_without_flagged or ()
    return (
        "; ".join(machine),
        f"{count_text(count, 'trial')}{f': {causes}' if causes else ''}" if count else "",
        changed_verdicts_text(changed) if changed else "none" if count else "",
    )


def unjudged_fleet_lines(check: FleetCheck) -> list[str]:
    """What was not compared and why, each reason with its hosts."""
    reasons: dict[str, list[str]] = grouped(
        (line, host.label)
        for host, report in judged_hosts(check)
        for line in unjudged_lines(report, SIDES)
        or [summarise_regression(report, SIDES)] * all(c.cost_ratio is None for c in report.cells)
    )
    return [
        *(f"{_listed(labels)}: {visible_text(line)}" for line, labels in reasons.items()),
        *_rounds_to_do(check),
        *(f"Left out: {visible_text(text)}." for text in check.left_out),
    ]


def _rounds_to_do(check: FleetCheck) -> Iterator[str]:
    """What to do where this check, or earlier ones, have too few rounds of a cell."""
    cells = [cell for _, report in judged_hosts(check) for cell in report.cells]
    few = [reason for cell in cells for reason in cell.reasons if reason.kind == "few_rounds"]
    if any(reason.after for reason in few):
        least = few[0].needed
        yield f"More rounds in this check: the same command with --resume and --rounds {least}."
    if any(reason.before for reason in few):
        enough = count_text(few[0].needed, "round")
        yield f"Earlier checks stay short: the next is judged by this one, if it has {enough}."


def fleet_rules(check: FleetCheck) -> list[str]:
    """How hosts are judged and how sure that is."""
    level, error = check.confidence_level, 1 - check.confidence_level
    designs = grouped((report.design, host.label) for host, report in judged_hosts(check))
    told = [
        f"{assumption_text(design, has_kernel=True)} ({_listed(labels)})"
        for design, labels in designs.items()
        if design not in ("separate", "several runs")
    ]
    return [
        f"Each host is judged against its own latest runs, at most {BASELINE_RUNS}, that share "
        "most cells with this one, whatever changed of system, driver or library; hosts are not "
        "compared with each other.",
        f"The interval that is shown decides. It is of the undisturbed level, the mean of the "
        f"lowest third of rounds. Those of all {_family(check)} hold together at "
        f"{level_text(level)} (Bonferroni: each at {100 * (1 - error / max(1, check.family)):.4g} "
        "%), whatever depends on what: where nothing changed anywhere, at most "
        f"{level_text(error)} of checks claim any change.",
        f"With {RUNS_AS_UNITS - 1} earlier runs or more the run is the unit: a host's spread from "
        "run to run is drawn towards that of the task's cells on all such hosts (Smyth 2004). With "
        f"fewer, runs are taken to differ by {level_text(RUN_SPREAD)}, or by more where their own "
        "rounds show it; a machine that differs by more from day to day can then raise a false "
        "alarm.",
        "Where the reference kernel surely changed the machine itself did, and no difference of "
        "its cells is claimed. That is decided for each host by itself, at 99 %: of a hundred "
        "hosts on which nothing changed about one is open by it.",
        "A change stays in the history: the runs after it are judged against those before it "
        f"until {BASELINE_RUNS} have passed, and their spread finds less meanwhile. To accept it, "
        "begin a new history in another folder.",
        *told,
    ]


def fleet_sentences(check: FleetCheck) -> Iterator[str]:
    """All of it in English, as the terminal has it."""
    yield f"{fleet_headline(check)}."
    yield from context_lines(check)


def context_lines(check: FleetCheck) -> list[str]:
    """All that stands beside the headline and the table."""
    changes = change_lines(check)
    changed = few_text(changes, "and {} more on the page".format, most=MOST_HOSTS)
    return [
        *fleet_cautions(check),
        *unjudged_fleet_lines(check),
        *([f"Changed on hosts: {changed}."] if changes else []),
        *power_lines(check),
        *([levels_text(check, f"all {_family(check)}")] if check.family else []),
    ]


def kind_text(cell: Cell) -> str:
    """What a cell is on every host, whatever its number of cores."""
    return f"{task_label(cell.task)}: {shown_name(cell.encoding)}"


OPEN_KEY: Final = "not proved"


def fleet_figure_text(
    check: FleetCheck, hosts: Sequence[HostCheck], part: int, parts: int
) -> FigureText:
    """Of the figure of these hosts, the `part`-th of so many."""
    told = [
        f"{shown_name(host.label)}: {verdict_text(cell)}"
        for host in hosts
        if (cell := host.telling_cell)
    ]
    of = f" ({part} of {parts})" if parts > 1 else ""
    return FigureText(
        title=f"What each cell costs now against the host's earlier runs{of}",
        subtitle=f"{count_text(len(hosts), 'host')}, a line for each cell. Bars: intervals of all "
        f"{_family(check)} that hold together at {level_text(check.confidence_level)}; shaded: the "
        f"tolerance of {level_text(check.tolerance_fraction)}.",
        caption=f"Right of the line at 1 a host is slower than in its earlier runs. {BARS_TOLD}",
        alt=f"The cell of each host that changed most: {first_few(told)}.",
    )


def standing_text(host: HostCheck) -> str:
    """A host's verdict; where the machine itself changed, that."""
    is_moved = host.report is not None and host.report.has_moved
    return "machine changed" if is_moved else host.verdict or NO_HISTORY


def host_name(host: HostCheck) -> str:
    """As a table names it."""
    return shown_name(host.label, limit=NAME_ROOM)
