"""The library: one public function behind each command, with the same argument names.

Heavy libraries are imported inside the functions, so that `import mezzmark` stays light. One module
although it is long: it is the list of what mezzmark promises, and holds no logic of its own.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

if TYPE_CHECKING:  # `as`: programs may import these types from here
    from mezzmark.decide.choose.choice import Choice as Choice
    from mezzmark.decide.compare.fleet import FleetCheck as FleetCheck
    from mezzmark.decide.compare.self_test import SelfTestReport as SelfTestReport
    from mezzmark.decide.compare.verdicts import RegressionReport as RegressionReport
    from mezzmark.decide.size.over_hosts import FleetMakespan as FleetMakespan
    from mezzmark.decide.size.result import SizingResult as SizingResult
    from mezzmark.fleet.measure import FleetRun as FleetRun
    from mezzmark.fleet.scheduler import Fleet as Fleet
    from mezzmark.model.encoding import Encoding as Encoding
    from mezzmark.model.fleet import HostSummary as HostSummary
    from mezzmark.model.inspection import Inspection as Inspection
    from mezzmark.model.request import ChooseSettings as ChooseSettings
    from mezzmark.model.run import Manifest as Manifest
    from mezzmark.model.scenario import Scenario as Scenario
    from mezzmark.report.export.files import RunFrames as RunFrames
    from mezzmark.report.page import ReportPaths as ReportPaths
    from mezzmark.report.site import SitePaths as SitePaths
    from mezzmark.runner.events import Event as Event
    from mezzmark.store.run_store import Run as Run
    from mezzmark.store.run_store import RunPaths as RunPaths


def measure(
    scenario: str | Scenario,
    *,
    footage: Sequence[str] = (),
    root: Sequence[str] = (),
    out: Path | None = None,
    cache: Path | None = None,
    resume: bool = False,
    rounds: int | None = None,
    time_budget: float | None = None,
    seed: int | None = None,
    on_event: Callable[[Event], None] | None = None,
) -> Path:
    """Measure a scenario (name, path or model), on each root too, and return the run's folder.

    Every finished trial is on disk before its event is given. InterruptedRunError when stopped; the
    same call with `resume=True` and the same `out` goes on, with the run's own footage, rounds,
    time budget (s) and seed where none are given. `rounds` below the minimum lowers it; intervals
    need 3.
    """
    given: dict[str, Any] = {"out": out, "cache": cache, "resume": resume, "on_event": on_event}
    limits: dict[str, Any] = {"rounds": rounds, "time_budget": time_budget, "seed": seed}
    [run_dir] = measure_series(scenario, footage=footage, root=root, **given, **limits)
    return run_dir


def measure_series(
    scenario: str | Scenario,
    *,
    repeat: int = 1,
    against: Path | None = None,
    footage: Sequence[str] = (),
    root: Sequence[str] = (),
    out: Path | None = None,
    cache: Path | None = None,
    resume: bool = False,
    rounds: int | None = None,
    time_budget: float | None = None,
    seed: int | None = None,
    on_event: Callable[[Event], None] | None = None,
) -> tuple[Path, ...]:
    """As `measure`, so many runs one after the other, or this installation and the one of the
    interpreter `against` in turn, round by round; their folders end in -1, -2, …. What so many runs
    can find is told before the first trial."""
    from mezzmark.engines.media.cache import default_cache_dir
    from mezzmark.runner.events import Noted, Prepared
    from mezzmark.runner.in_turn import run_in_turn
    from mezzmark.runner.run import run_scenario

    _refuse_what_goes_not_together(out, against, repeat, resume=resume)
    count = 2 if against else repeat
    ends = [f"-{k}" for k in range(1, count + 1)] if count > 1 else [""]
    tell = on_event or (lambda _event: None)
    limits: dict[str, Any] = {"rounds": rounds, "time_budget_s": time_budget, "seed": seed}
    earlier = Path(f"{out}{ends[0]}") if resume else None
    plan = _plan(scenario, earlier, tell, footage=footage, roots=root, **limits)
    base = out or _new_folder(plan.name)
    run_dirs = [Path(f"{base}{end}") for end in ends]
    given: dict[str, Any] = {"cache_dir": cache or default_cache_dir(), "resume": resume}
    if against:
        series = [run_in_turn(plan, run_dirs=run_dirs, python=against, **given)]
    else:
        series = [run_scenario(plan, run_dir=run_dir, **given) for run_dir in run_dirs]
    for event in chain.from_iterable(series):
        tell(event)
        if isinstance(event, Prepared) and repeat:
            tell(Noted(message=_planned(event.manifest, repeat)))
            repeat = 0  # that is told once
    return tuple(run_dirs)


def _plan(
    scenario: str | Scenario,
    earlier_run: Path | None,
    tell: Callable[[Event], None],
    *,
    footage: Sequence[str],
    roots: Sequence[str] = (),
    **limits: Any,
) -> Scenario:
    """What is to be measured, as asked or as the earlier run has it; notes on it are told."""
    from mezzmark.report.prose.footage import limit_warnings_of
    from mezzmark.runner.events import Noted
    from mezzmark.runner.request import AskedLimits, plan_measurement
    from mezzmark.store.run_store import MANIFEST_NAME

    if earlier_run is not None and not (earlier_run / MANIFEST_NAME).is_file():
        tell(Noted(message=f"nothing to resume in {earlier_run}: a new run begins."))
    chosen = {"footage": _listed(footage), "roots": _listed(roots)}
    asked = AskedLimits(**limits)
    plan, notes = plan_measurement(scenario, asked, **chosen, earlier_run=earlier_run)
    for note in (*notes, *limit_warnings_of(plan)):
        tell(Noted(message=note))
    return plan


def _new_folder(scenario_name: str) -> Path:
    """Where a run goes that nobody named a folder for."""
    name = "".join(c if c.isalnum() or c in "-_" else "-" for c in scenario_name)[:60]
    return Path("results") / f"{name}-{datetime.now(UTC):%Y%m%d-%H%M%S}"


def _planned(manifest: Manifest, run_count: int) -> str:
    """What is measured, and of several runs what they can find."""
    from mezzmark.report.prose.footage import footage_words, planned_text
    from mezzmark.report.prose.regress import power_text
    from mezzmark.runner.plan import count_trials
    from mezzmark.runner.start import manifest_cells

    cells = manifest_cells(manifest)
    counts = planned_text(count_trials(cells, manifest.scenario.seed))
    encodings = {medium.encoding for medium in manifest.media}
    text = f"{footage_words(manifest.clips)}: {len(encodings)} encodings, {counts}."
    if run_count == 1:
        return text
    compared = [planned.cell for planned in cells if planned.arm != "pilot"]
    return f"{text} {power_text(compared, manifest.scenario.rounds, run_count)}"


def _refuse_what_goes_not_together(
    out: Path | None, against: Path | None, repeat: int, *, resume: bool
) -> None:
    from mezzmark.model.errors import UsageError

    if resume and out is None:
        what = "it goes on with the run in --out, and none was given"
        raise UsageError(where="--resume", what=what, remedy="Add --out and the folder of the run.")
    if against and repeat > 1:
        what = "two installations are measured in turn once, and --repeat asks for more"
        raise UsageError(where="--against", what=what, remedy="Leave one of the two out.")


def demo(
    *,
    footage: Sequence[str] = (),
    out: Path | None = None,
    cache: Path | None = None,
    resume: bool = False,
    rounds: int | None = None,
    on_event: Callable[[Event], None] | None = None,
) -> Path:
    """Measure `first-look`, or with `footage` your own files by it, and return the run's folder."""
    given: dict[str, Any] = {"footage": footage, "out": out, "cache": cache, "rounds": rounds}
    return measure("first-look", resume=resume, on_event=on_event, **given)


def report(
    runs: RunPaths,
    *,
    out: Path | None = None,
    template: Path | None = None,
    price: Sequence[str] = (),
    figures: bool = True,
) -> ReportPaths:
    """Write the report of one or more runs; derived files are replaced, the runs only read. Several
    are compared first: host beside host, and a host's three or more over time. `price` is of hosts,
    by label or folder: "HOST=2400 EUR". Without `figures` the page alone has figures."""
    from mezzmark.host.common import paused_collector
    from mezzmark.store.run_store import as_run_paths

    with paused_collector():
        from mezzmark.report.page import write_report  # loading makes much that stays, too

        return write_report(
            as_run_paths(runs),
            out_dir=out,
            template=template,
            prices=_listed(price),
            with_figure_files=figures,
        )


def publish(
    runs: RunPaths,
    *,
    to: Path,
    on_progress: Callable[[str, float], None] = lambda _message, _fraction: None,
) -> SitePaths:
    """Publish runs as a static site in the folder `to`, beside those that it has already: an index,
    each run's report and cells under addresses that stay, any two hosts, histories, tables. The
    runs are only read; one that is there and unchanged is not made again, and a host's history is
    made of its runs named together. Raises DestinationError where `to` holds anything else."""
    from mezzmark.report.site import publish_runs
    from mezzmark.store.run_store import as_run_paths

    return publish_runs(as_run_paths(runs), to=to, on_progress=on_progress)


def regress(
    *,
    baseline: RunPaths,
    candidate: RunPaths,
    tolerance: float = 0.05,
    level: float = 0.95,
    history: RunPaths = (),
) -> RegressionReport:
    """Whether the candidate's runs are slower than the baseline's, cell by cell; `tolerance` is the
    share of cost that does not matter, `history` earlier runs of the machine, from which is read
    how much runs differ in which nothing changed. Raises RunError for a folder that is no run."""
    from mezzmark.decide.compare.regress import compare_runs
    from mezzmark.model.errors import RunError
    from mezzmark.store.run_store import as_run_paths

    before, after = as_run_paths(baseline), as_run_paths(candidate)
    shared = {run.resolve() for run in before} & {run.resolve() for run in after}
    if shared:
        what = "this run stands on both sides, and a run is always equal to itself"
        remedy = "Name different runs as baseline and candidate."
        raise RunError(where=str(min(shared)), what=what, remedy=remedy)
    return compare_runs(
        _read(before),
        _read(after),
        tolerance_fraction=tolerance,
        confidence_level=level,
        history=_read(history) if history else (),
    )


def choose(
    runs: RunPaths,
    *,
    need: Sequence[str] = (),
    wish: Sequence[str] = (),
    indifference: float | None = None,
    level: float | None = None,
    needs: Path | None = None,
    clips: Sequence[str] = (),
    allow_missing: bool = False,
    shop: Path | None = None,
) -> Choice:
    """Which encoding to use, by each `need` ("scrub.jump.p95_ms <= 100") and `wish` ("less
    bitrate_bps", in order, or all with weights: "less bitrate_bps = 2").

    `print(choice)` says whom to choose, and how surely; `choice.recommendation` is None where a
    need was not measured. `clips` decide (all where none is named); with `allow_missing` encodings
    that lack one are shown too. A `shop` adds its needs. What is not given comes from `needs` (a
    TOML file), or from the first run's scenario. Raises ScenarioError for a need or wish that
    cannot be read, RunError for runs that do not fit.
    """
    import mezzmark.report.tables.choice  # noqa: F401  (tells `print` what to say)
    from mezzmark.decide.choose.choose import choose_with_doubt, settings_for
    from mezzmark.store.toml_files import read_needs

    found = _read(runs)
    settings = settings_for(
        [run.manifest.scenario for run in found],
        needs=_listed(need),
        wishes=_listed(wish),
        indifference_fraction=indifference,
        confidence_level=level,
        clips=_listed(clips),
        allow_missing=allow_missing,
        base=None if needs is None else read_needs(Path(needs)),
    )
    if shop is None:
        return choose_with_doubt(found, settings)
    return _choose_in_shop(found, settings, _size(found, shop, seed=1))


def fleet_list(
    *,
    scheduler: str = "",
    certificates: Path | None = None,
    insecure: bool = False,
    local: int = 0,
    probe: bool = False,
) -> dict[str, tuple[HostSummary | None, str]]:
    """The machines behind a Dask scheduler (or `local` ones within this process, to try it out), by
    name: what each is, and why one cannot measure; with `probe` what it encodes, and decodes in
    hardware. Raises EngineError without the extra `fleet`, UsageError without `certificates`."""
    with _fleet(scheduler, certificates, insecure, local) as fleet:
        from mezzmark.fleet.hosts import list_hosts

        return list_hosts(fleet, is_probed=probe)


def fleet_measure(
    scenario: str | Scenario,
    *,
    scheduler: str = "",
    certificates: Path | None = None,
    insecure: bool = False,
    local: int = 0,
    hosts: Sequence[str] = (),
    in_turn: bool = False,
    together: bool = False,
    divide_work: bool = False,
    patience: float = 600.0,
    footage: Sequence[str] = (),
    root: Sequence[str] = (),
    out: Path | None = None,
    cache: Path | None = None,
    resume: bool = False,
    rounds: int | None = None,
    time_budget: float | None = None,
    seed: int | None = None,
    on_event: Callable[[str, Event], None] = lambda _host, _event: None,
) -> dict[str, Path]:
    """As `measure`, on each machine behind a Dask scheduler, or on those of `hosts`, at the same
    time or `in_turn`: host → the folder of its run, below `out`.

    All decode the same bytes. Each may have a root at a place of its own (`MEZZMARK_ROOTS` of its
    worker). A host that goes away is waited for, for `patience` seconds, and its run resumed.
    `together` all measure one run, of editors who sit at them and share a root. With `divide_work`
    each encoding is made by one host and sent home, and each fidelity trial is done by one for all
    that are alike. `on_event` is given the host's name, empty for what concerns all.
    """
    from mezzmark.model.errors import UsageError

    if in_turn and together:
        what = "all at once are not in turn"
        raise UsageError(where="--together", what=what, remedy="Leave one of the two out.")
    limits: dict[str, Any] = {"rounds": rounds, "time_budget_s": time_budget, "seed": seed}
    chosen = {"footage": footage, "roots": root}
    plan = _fleet_plan(scenario, out, on_event, resume=resume, **chosen, **limits)
    how: dict[str, Any] = {"is_in_turn": in_turn, "is_together": together}
    how["is_divided"] = divide_work
    with _fleet(scheduler, certificates, insecure, local) as fleet:
        run = _fleet_run(plan, fleet, out, cache, patience, on_event, is_resumed=resume, **how)
        return run.measure(_listed(hosts))


def fleet_check(
    scenario: str | Scenario = "workstation-check",
    *,
    scheduler: str = "",
    certificates: Path | None = None,
    insecure: bool = False,
    local: int = 0,
    hosts: Sequence[str] = (),
    in_turn: bool = False,
    patience: float = 600.0,
    out: Path = Path("results/fleet"),
    cache: Path | None = None,
    resume: bool = False,
    rounds: int | None = None,
    judge_only: bool = False,
    tolerance: float = 0.05,
    level: float = 0.95,
    on_event: Callable[[str, Event], None] = lambda _host, _event: None,
) -> FleetCheck:
    """Measure as `fleet_measure`, into a new folder of `out` (with `resume` into its newest one),
    and judge each host by its earlier runs there; `level` holds over all hosts × cells. The answer
    is also the page `fleet.html` in `out`.

    With `judge_only` nothing is measured, and the newest check there is judged: no scheduler is
    needed. Hosts that are not done are told; RunError where there is no check.
    """
    from mezzmark.decide.compare.fleet import judge_fleet
    from mezzmark.model.errors import InterruptedRunError, MezzmarkError, UsageError
    from mezzmark.report.page import write_fleet_page
    from mezzmark.store.run_store import begun_check, new_check, newest_check, read_checks

    folder = Path(os.path.expanduser(out))
    faults = []
    if not judge_only:
        check = (begun_check(folder) if resume else None) or new_check(folder)
        given: dict[str, Any] = {"certificates": certificates, "insecure": insecure, "local": local}
        given |= {"hosts": hosts, "in_turn": in_turn, "patience": patience, "cache": cache}
        given |= {"resume": resume, "rounds": rounds, "on_event": on_event}
        try:
            fleet_measure(scenario, scheduler=scheduler, out=check, **given)
        except (InterruptedRunError, UsageError):
            raise
        except MezzmarkError as error:  # of some hosts: the others are judged
            if newest_check(folder) != check:
                raise
            faults.append(f"{error.where}: {error.what}")
    found = read_checks(folder)
    judged = judge_fleet(
        found.name,
        found.newest,
        found.earlier,
        tolerance_fraction=tolerance,
        confidence_level=level,
        faults=(*faults, *found.faults),
        left_out=found.left_out,
    )
    write_fleet_page(judged, folder)
    return judged


class FleetIngest(NamedTuple):
    """What `fleet_ingest` found; `run_dirs` by host, "" for that of all together."""

    run_dirs: dict[str, Path]
    makespans: tuple[FleetMakespan, ...]


def fleet_ingest(
    scenario: str | Scenario,
    *,
    scheduler: str = "",
    certificates: Path | None = None,
    insecure: bool = False,
    local: int = 0,
    hosts: Sequence[str] = (),
    alone: bool = True,
    grids: RunPaths = (),
    storage: RunPaths = (),
    patience: float = 600.0,
    footage: Sequence[str] = (),
    out: Path | None = None,
    cache: Path | None = None,
    resume: bool = False,
    rounds: int | None = None,
    on_event: Callable[[str, Event], None] = lambda _host, _event: None,
) -> FleetIngest:
    """A scenario's folder over several machines: the grid of each (those of `grids` are there
    already, each by its host's label), then the folder over all and, if `alone`, each by itself,
    beside what the grids predict, over the `storage` that runs measured and links too.

    Options, files and losses as of `fleet_measure`; a clip whose host is lost goes to another.
    """
    from mezzmark.decide.size.over_hosts import fleet_makespans, shared_storages

    plan = _fleet_plan(scenario, out, on_event, resume=resume, footage=footage, rounds=rounds)
    with _fleet(scheduler, certificates, insecure, local) as fleet:
        from mezzmark.fleet import ingest

        grid = ingest.grid_scenario(plan)
        run = _fleet_run(grid, fleet, out, cache, patience, on_event, is_resumed=resume)
        known = {one.manifest.host.host_label: one.run_dir for one in _read(grids)}
        how: dict[str, Any] = {"grids": known, "is_alone": alone}
        run_dirs = ingest.ingest_over_hosts(run, plan, _listed(hosts), **how)
    runs = {name: _read(run_dir)[0] for name, run_dir in run_dirs.items()}
    links = ingest.ingest_settings(plan).modelled_links.values()
    shared = shared_storages([*links], {one.run_dir.name: one for one in _read(storage)})
    return FleetIngest(run_dirs, fleet_makespans(runs.pop(""), runs, shared))


def _fleet_plan(
    scenario: str | Scenario,
    out: Path | None,
    on_event: Callable[[str, Event], None],
    *,
    resume: bool,
    **asked: Any,
) -> Scenario:
    """As `_plan`, on a fleet whose runs are in `out`."""
    _refuse_what_goes_not_together(out, None, 1, resume=resume)
    earlier = None
    if out and resume:
        found = (path.parent for path in Path(out).glob("*/manifest.json"))
        earlier = min(found, default=Path(out))
    return _plan(scenario, earlier, partial(on_event, ""), **asked)


def _fleet_run(
    plan: Scenario,
    fleet: Fleet,
    out: Path | None,
    cache: Path | None,
    patience_s: float,
    on_event: Callable[[str, Event], None],
    **how: Any,
) -> FleetRun:
    """The fleet's run of a plan, into `out` or a new folder."""
    from mezzmark.engines.media.cache import default_cache_dir
    from mezzmark.fleet.measure import FleetRun

    return FleetRun(
        scenario=plan,
        fleet=fleet,
        out=Path(out) if out else _new_folder(plan.name),
        cache_dir=cache or default_cache_dir(),
        patience_s=patience_s,
        tell=on_event,
        **how,
    )


def _fleet(
    scheduler: str, certificates: Path | None, insecure: bool, local: int
) -> AbstractContextManager[Fleet]:
    from mezzmark.model.errors import EngineError

    try:
        from mezzmark.fleet.hosts import opened
    except ModuleNotFoundError as error:
        what = "a fleet needs a library that is not installed here"
        remedy = "In the clone: pip install '.[fleet]'"
        raise EngineError(where=error.name or "distributed", what=what, remedy=remedy) from None
    given: dict[str, Any] = {"certificates": certificates, "is_insecure": insecure}
    return opened(scheduler, local_count=local, **given)


ExportFormat = Literal["csv", "json", "pytest-benchmark", "parquet"]
ExportTable = Literal["cells", "trials", "samples"]


def export(
    runs: RunPaths,
    *,
    format: ExportFormat = "csv",
    table: ExportTable = "cells",
    out: Path | None = None,
) -> str | bytes:
    """Runs for other programs: text, or the bytes of a Parquet file; also written to the new file
    `out`. CSV and Parquet hold the `table` of cells, trials or samples that results/README.md
    describes, JSON all there is, and pytest-benchmark's JSON one run's cells. EngineError names
    what to install where a format's library is missing."""
    from mezzmark.own_files import translate_os_errors, write_new
    from mezzmark.report.export.files import export_runs

    content = export_runs(_read(runs), format, table)
    if out is not None:
        data = content.encode("utf-8") if isinstance(content, str) else content
        remedy = "Name a file that does not exist yet, in a folder that does and has room"
        with translate_os_errors(Path(out), remedy=remedy, needed_bytes=len(data)):
            write_new(Path(out), data)
    return content


def read_runs(runs: Path | str | Sequence[Path | str], *, level: float = 0.95) -> RunFrames:
    """Runs as pandas frames: `.cells`, `.trials` and `.samples`, each made when first asked for.
    `runs` are run folders or globs ("results/uhd-*"), one or several. results/README.md describes
    every column. Raises RunError for a folder that is no run, or a glob that finds none."""
    from mezzmark.report.export.files import read_frames

    return read_frames(runs, confidence_level=level)


def size(runs: RunPaths, *, shop: Path, seed: int = 1) -> SizingResult:
    """What each measured encoding would ask of a shop: ingest hours, storage, network, and when it
    pays off, each with an interval carried over from the measured one; and whom `choose` names,
    with this shop and without. `seed` fixes the draws; `print` shows answer and table."""
    import mezzmark.report.tables.size  # noqa: F401  (tells `print` what to say)
    from mezzmark.decide.choose.choose import choose_encoding, settings_for
    from mezzmark.model.errors import MezzmarkError

    found = _read(runs)
    sizing = _size(found, shop, seed=seed)
    settings = settings_for([run.manifest.scenario for run in found])
    try:
        alone = choose_encoding(found, settings)
        here = _choose_in_shop(found, settings, sizing)
    except MezzmarkError:  # sizing needs less: no wish, nor the same clips in all runs
        return sizing
    named = {"named_here": here.leader or "", "named_alone": alone.leader or ""}
    is_recommended = here.verdict == "recommended"
    return sizing.model_copy(update={**named, "is_recommended": is_recommended})


def _size(runs: Sequence[Run], shop: Path, *, seed: int) -> SizingResult:
    import numpy as np

    from mezzmark.decide.size.sizing import size_encodings
    from mezzmark.store.toml_files import read_shop

    return size_encodings(runs, read_shop(Path(shop)), rng=np.random.default_rng(seed))


def _choose_in_shop(runs: Sequence[Run], settings: ChooseSettings, sizing: SizingResult) -> Choice:
    """The one place where ready time, link and array enter a choice, by the bounds of sizing."""
    from mezzmark.decide.choose.choose import choose_with_doubt
    from mezzmark.decide.size.result import machines_needed, needs_of, sized_figures
    from mezzmark.model.request import Need

    asked = (*settings.needs, *map(Need.parse, needs_of(sizing.shop)))
    settings = settings.model_copy(update={"needs": tuple(dict.fromkeys(asked))})
    choice = choose_with_doubt(runs, settings, sized=sized_figures(sizing))
    needed = machines_needed(sizing.encodings, sizing.shop)
    enough = {name: int(count) for name, count in needed.items() if isfinite(count)}
    return choice.model_copy(update={"machines_needed": enough})


def describe_shop(shop: Path) -> str:
    """What a shop file says, its defaults named, in a few lines, without any run. Raises
    ScenarioError with line, key, value and remedy where it is wrong."""
    from mezzmark.report.prose.size import shop_lines
    from mezzmark.store.toml_files import read_shop

    return "\n".join(shop_lines(read_shop(Path(shop))))


def rig(
    *,
    comparisons: int = 20,
    rounds: int = 6,
    planted: Sequence[float] = (0.05,),
    tolerance: float = 0.05,
    cache: Path | None = None,
    on_progress: Callable[[str, float], None] = lambda _message, _fraction: None,
) -> SelfTestReport:
    """This machine's facts and warnings and, from so many comparisons of identical and of slowed
    players, how often it raises a false alarm and what change it finds; 0 comparisons: facts only.
    What it decodes in hardware is tried."""
    from mezzmark.decide.compare.self_test import SelfTestReport, judge_self_test, warn_of_machine
    from mezzmark.engines.media.cache import all_library_versions, default_cache_dir
    from mezzmark.host.common import read_clock_ns, read_host_facts, read_host_moment
    from mezzmark.runner.self_test import (
        SelfTestPlan,
        measure_self_test,
        probe_clock,
        probe_hardware,
    )

    cache_dir = cache or default_cache_dir()
    host = read_host_facts(cache_dir, library_versions=all_library_versions())
    moment = read_host_moment()
    findings = None
    if comparisons:
        plan = SelfTestPlan(
            comparison_count=comparisons,
            round_count=rounds,
            planted_fractions=tuple(_listed(planted)),
        )
        findings = judge_self_test(
            measure_self_test(plan, cache_dir=cache_dir, on_progress=on_progress),
            plan.planted_fractions,
            tolerance_fraction=tolerance,
        )
    return SelfTestReport(
        host=host,
        moment=moment,
        clock=probe_clock(read_clock_ns),
        warnings=warn_of_machine(host, moment),
        findings=findings,
        hardware=tuple(probe_hardware(cache_dir=cache_dir, on_progress=on_progress)),
    )


def inspect(
    footage: Sequence[str],
    *,
    seconds: float | None = None,
    on_event: Callable[[Event], None] | None = None,
) -> tuple[Inspection, ...]:
    """What each clip is, with warnings; `footage` are paths, folders and globs, opened read-only.
    `on_event` is told how far it is and which files are left out, with the reason. Raises
    FootageError where none is left."""
    import mezzmark.report.tables.facts  # noqa: F401  (tells `print` what to say)
    from mezzmark.runner.footage_files import inspect_files

    return inspect_files(_listed(footage), seconds=seconds, tell=on_event or (lambda _event: None))


def encodings(
    names: Sequence[str] = (), *, probe: bool = False
) -> Mapping[str, tuple[Encoding, str]]:
    """The catalogue by name, or what of it `names` mean: its own names, standards ("VC-3") and
    FFmpeg's ("prores_ks"). With `probe`, each is tried on two small pictures, and the text says why
    it does not work on this machine, or is empty where it does. Raises EncodingError."""
    from mezzmark.model.catalogue.core import catalogue_names, find_encoding, names_meant

    asked = [meant for name in _listed(names) for meant in names_meant(name)]
    found = {name: find_encoding(name) for name in asked or catalogue_names()}
    faults = {}
    if probe:
        from mezzmark.engines.encode.encoders import probe_encoding

        faults = {name: probe_encoding(encoding) for name, encoding in found.items()}
    words = {name: fault.words for name, fault in faults.items() if fault}
    return {name: (encoding, words.get(name, "")) for name, encoding in found.items()}


def shipped_scenarios() -> dict[str, str]:
    """Names and titles of the scenarios that ship with mezzmark."""
    import tomllib

    from mezzmark.store.toml_files import find_scenario, scenario_names

    return {
        name: str(tomllib.loads(find_scenario(name).read_text(encoding="utf-8")).get("title", ""))
        for name in scenario_names()
    }


def scenario_text(scenario: str) -> str:
    """The TOML text of a shipped scenario or a file."""
    from mezzmark.store.toml_files import find_scenario

    return find_scenario(scenario).read_text(encoding="utf-8")


def scenario_schema() -> str:
    """JSON Schema of scenario files."""
    from mezzmark.store.toml_files import write_scenario_schema

    return write_scenario_schema()


def describe_scenario(
    scenario: str, *, footage: Sequence[str] = (), earlier: Path | None = None
) -> str:
    """What a scenario would measure, in a few lines; with an earlier run of it on this machine,
    also how many rounds its precision takes and what its time budget buys. Files are looked for
    and encoders tried: FootageError and ScenarioError tell what is not there."""
    from mezzmark.model.errors import DestinationError
    from mezzmark.report.prose.choice import choosing_warnings
    from mezzmark.report.prose.footage import scenario_lines
    from mezzmark.report.prose.numbers import visible_text
    from mezzmark.runner.footage_files import fault_text, find_shots
    from mezzmark.runner.request import check_encodings, count_planned
    from mezzmark.store.toml_files import find_scenario, read_scenario

    plan = read_scenario(scenario, footage=_listed(footage))
    left_out: list[str] = []
    clips: list[str] = []
    for clip in plan.clips:
        shots, faults = find_shots(clip.files, lambda _event: None)
        clips += [shot.path for shot in shots] or [clip.name]
        left_out += (visible_text(f"left out: {fault_text(fault)}") for fault in faults)
    for root in plan.roots:
        if not os.access(root.path, os.W_OK):
            what = f'the root "{root.name}" is not there or cannot be written to'
            raise DestinationError(where=root.path, what=what, remedy="Mount it or name another.")
    path = find_scenario(scenario)
    lacking = check_encodings(plan, source=path.name, text=path.read_text(encoding="utf-8"))
    lines = [
        *scenario_lines(plan, clips, planned := count_planned(plan, clips, lacking)),
        *left_out,
        *choosing_warnings(plan),
        *(f"warning: {one} will be left out on this machine: {x}" for one, x in lacking.items()),
    ]
    lines.append(
        _time_line(plan, earlier, planned[0].total())
        if earlier
        else "how long a round takes is not known before; --earlier RUN tells it"
    )
    return "\n".join(lines)


def _time_line(plan: Scenario, earlier: Path, trial_count: int) -> str:
    from mezzmark.decide.machine.state import plan_precision
    from mezzmark.report.prose.method import precision_plan_text

    [run] = _read(earlier)
    manifest = run.manifest.model_copy(update={"scenario": plan})
    precision = plan_precision(manifest, run.trials, trial_count)
    if precision is None:
        return "The earlier run has too few rounds to say."
    return precision_plan_text(precision, manifest)


def _read(runs: RunPaths) -> list[Run]:
    from mezzmark.store.run_store import as_run_paths, read_run

    return [read_run(run) for run in as_run_paths(runs)]


def _listed(given: Any) -> tuple[Any, ...]:
    """What was given, one alone as a list of one: a text is no list of its letters."""
    return (given,) if isinstance(given, str | Path | float | int) else tuple(given)
