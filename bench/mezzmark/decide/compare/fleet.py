"""Many hosts in one check: each host's newest run against its own earlier ones, as one family.

The level holds over all hosts × cells: an interval of each has the error level divided by their
number, by Bonferroni's inequality, whatever depends on what (Dunn, Journal of the American
Statistical Association 56, 1961, 52-64). Their number is that of the cells that were measured, so
that it is fixed before any is looked at. Where a host has three earlier runs or more, its spread
from run to run is moderated over the task's cells on all such hosts (Smyth 2004, as in `evidence`):
a host's few runs alone would say too little of it for a level so strict."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

from mezzmark.decide.compare import verdicts
from mezzmark.decide.compare.matching import compared_cells, find_unlikeness
from mezzmark.decide.compare.regress import compare_runs, run_evidence
from mezzmark.decide.estimate.observed_run import MeasuredRun, Runs, start_of
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.state import ForeignLoad, find_foreign_load
from mezzmark.model.errors import EXIT_DONE
from mezzmark.model.fact import Fact

BASELINE_RUNS: Final = 6
"""At most: twice as many would lower a change's error by 4 %, and reach further back."""


class HostCheck(Fact):
    """One host in a check; `host` is the name of its runs' folders. `baseline_utc` says when the
    runs began that it is judged against, the earliest first; `foreign_load` that other programs
    were at work in this one. Without a `report` it has no history yet, and this run begins it."""

    host: str
    label: str
    started_utc: str
    is_finished: bool
    baseline_utc: tuple[str, ...] = ()
    foreign_load: ForeignLoad | None = None
    report: verdicts.RegressionReport | None = None

    @property
    def verdict(self) -> verdicts.Verdict | None:
        """None where there is no history yet."""
        return self.report.verdict if self.report else None

    @property
    def telling_cell(self) -> verdicts.CellVerdict | None:
        """Of the cells that the host's verdict is of, the one that changed most, slower before
        faster; None where none has a ratio."""
        cells = [cell for cell in self.report.cells if cell.cost_ratio] if self.report else []
        own = [cell for cell in cells if cell.verdict == self.verdict]
        is_faster = self.verdict == "improved"
        key = {cell.cell: cell.cost_ratio.point for cell in own if cell.cost_ratio}
        return max(own, key=lambda c: -key[c.cell] if is_faster else key[c.cell], default=None)


class AbsentHost(Fact):
    """A host of earlier checks that is not in this one, and when its last run began."""

    host: str
    label: str
    last_utc: str


class FleetCheck(Fact):
    """A whole check; `check` is its folder. Hosts come by verdict, those that got slower first.
    `verdict` is that over all hosts, None where none has a history; `exit_code` is its. `family` is
    the number of hosts × cells that intervals hold together over. `faults` are of runs of this
    check that were not finished or cannot be read, `left_out` of earlier ones that cannot."""

    check: str
    verdict: verdicts.Verdict | None
    exit_code: int
    tolerance_fraction: float
    confidence_level: float
    family: int
    hosts: tuple[HostCheck, ...]
    absent: tuple[AbsentHost, ...] = ()
    faults: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


def judge_fleet(
    check: str,
    newest: Mapping[str, MeasuredRun],
    earlier: Mapping[str, Runs],
    *,
    tolerance_fraction: float,
    confidence_level: float = 0.95,
    faults: Sequence[str] = (),
    left_out: Sequence[str] = (),
) -> FleetCheck:
    """The check of this name, by its hosts' runs and their earlier ones, the earliest first. A
    fault makes the verdict at best "not comparable". Raises ValueError as `compare_runs`."""
    baselines = {
        host: found
        for host, run in newest.items()
        if (found := choose_baseline(earlier.get(host, ()), run))
    }
    sides = {host: (runs, [newest[host]]) for host, runs in baselines.items()}
    own = {host: run_evidence(*both) for host, both in sides.items()}
    family = sum(
        len(compared_cells(trial.cell for run in (*before, *now) for trial in run.trials))
        for before, now in sides.values()
    )
    reports = {
        host: compare_runs(
            *both,
            tolerance_fraction=tolerance_fraction,
            confidence_level=confidence_level,
            family=family,
            kindred=[found for other, found in own.items() if other != host],
        )
        for host, both in sides.items()
    }
    hosts = (_host(name, run, baselines, reports) for name, run in newest.items())
    known = tuple(report.verdict for report in reports.values())
    known += ("not comparable",) if faults else ()
    verdict = verdicts.overall_verdict(known) if known else None
    return FleetCheck(
        check=check,
        verdict=verdict,
        exit_code=verdicts.EXIT_CODES[verdict] if verdict else EXIT_DONE,
        tolerance_fraction=tolerance_fraction,
        confidence_level=confidence_level,
        family=family,
        hosts=tuple(sorted(hosts, key=_place)),
        absent=tuple(_absent(name, earlier[name][-1]) for name in sorted(earlier.keys() - newest)),
        faults=tuple(faults),
        left_out=tuple(left_out),
    )


def choose_baseline(earlier: Runs, newest: MeasuredRun) -> list[MeasuredRun]:
    """The latest `BASELINE_RUNS` of those that share most cells; the last if none shares any."""
    shared = [_shared_count(run, newest) for run in earlier]
    most = max(shared, default=0)
    alike = [run for run, count in zip(earlier, shared, strict=True) if count == most]
    return alike[-BASELINE_RUNS:] if most else list(earlier[-1:])


def _shared_count(run: MeasuredRun, newest: MeasuredRun) -> int:
    """Cells of the newest run that this one measured alike, in rounds enough."""
    rounds = Counter(trial.cell for trial in run.trials if trial.measurement and not trial.arm)
    return sum(
        rounds[cell] >= MINIMUM_ROUNDS and not find_unlikeness(cell, run.manifest, newest.manifest)
        for cell in compared_cells(trial.cell for trial in newest.trials)
    )


def _host(
    name: str,
    run: MeasuredRun,
    baselines: Mapping[str, Runs],
    reports: Mapping[str, verdicts.RegressionReport],
) -> HostCheck:
    return HostCheck(
        host=name,
        label=run.manifest.host.host_label,
        started_utc=start_of(run),
        is_finished=bool(run.manifest.stop_reason),
        baseline_utc=tuple(map(start_of, baselines.get(name, ()))),
        foreign_load=find_foreign_load(run.manifest.host, run.trials),
        report=reports.get(name),
    )


def _absent(name: str, last: MeasuredRun) -> AbsentHost:
    return AbsentHost(host=name, label=last.manifest.host.host_label, last_utc=start_of(last))


_ORDER: Final = (
    *("regressed", "slower", "not comparable", "inconclusive", "improved", "equivalent"),
    None,
)


def _place(host: HostCheck) -> tuple[int, float, str, str]:
    cell = host.telling_cell
    change = cell.cost_ratio.point if cell and cell.cost_ratio else 0.0
    return _ORDER.index(host.verdict), -change, host.label, host.host
