"""Runs in, static site out: pages that need no network, no build step and no script to be read.

A run's pages stand in a folder named by its id and are made anew only when the run, mezzmark or
the templates changed; its cells have addresses that stay. The index, the comparison of hosts and
the table of all cells are small and are made each time, from a card kept beside each run's pages,
so that no trial is read. Nothing is ever removed. Long because cards and pages are one format.
"""

import hashlib
import json
import math
import os
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import pandas as pd
from jinja2 import Environment
from pydantic import ValidationError

from mezzmark import __version__
from mezzmark.decide.compare.evidence import RUN_SPREAD
from mezzmark.decide.compare.history import FEWEST_RUNS, trace_history
from mezzmark.decide.compare.hosts import COMPARED_TASKS
from mezzmark.decide.compare.matching import work_of
from mezzmark.decide.estimate.observed_run import ObservedRun, start_of
from mezzmark.model.errors import DestinationError, RunError
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact, grouped
from mezzmark.model.run import Manifest, host_id
from mezzmark.model.tasks import TASKS
from mezzmark.own_files import is_beginning_of, replace_all, safe_file_name, translate_os_errors
from mezzmark.report.export.files import as_parquet
from mezzmark.report.export.tidy import cells_csv
from mezzmark.report.page import put_files, read_view, render, template_environment
from mezzmark.report.prose.answer import run_answer
from mezzmark.report.prose.method import published_text, run_basis
from mezzmark.report.prose.numbers import estimate_text, visible_text
from mezzmark.report.sections.comparison import build_history
from mezzmark.report.sections.context import run_context
from mezzmark.report.view import RunView
from mezzmark.store import run_store

MARKER_NAME: Final = ".mezzmark-site"  # in a folder that mezzmark publishes into

CARD: Final = "run.json"
"""What is kept of a run; put in its place last, so that a run with a card is whole."""


SPREAD_LOG = 1.96 * RUN_SPREAD * math.sqrt(2)
"""Half of the 95 % interval that two runs differ by in which nothing changed, as a log ratio."""


class SiteCell(Fact):
    """A cell with its headline figure; `work` is the same where cells compare."""

    cell_id: str
    task: str
    work: str
    found: Estimate | None

    @property
    def anchor(self) -> str:
        """The cell's id as that of an element, which holds no blanks."""
        return re.sub(r"\s", "+", self.cell_id.replace(" | ", "/"))

    @property
    def text(self) -> str:
        """The figure with its interval, empty where there is none."""
        return estimate_text(self.found) if self.found else ""


class SiteRun(Fact):
    """A run. `digest` is of what its pages are made of, `folder` their place, `name` its own."""

    digest: str
    folder: str
    name: str = ""
    manifest: Manifest
    started_utc: str
    title: str
    host_name: str
    headline: str
    basis: str
    cells: tuple[SiteCell, ...]


def site_run(view: RunView, *, digest: str, folder: str) -> SiteRun:
    """What is kept of a run."""
    scenario = view.manifest.scenario
    return SiteRun(
        digest=digest,
        folder=folder,
        name=visible_text(Path(str(view.run_dir)).resolve().name),
        manifest=view.manifest,
        started_utc=start_of(view),
        title=visible_text(scenario.title or scenario.name),
        host_name=visible_text(view.manifest.host.host_label),
        headline=run_answer(view).headline,
        basis=run_basis(view),
        cells=tuple(
            SiteCell(
                cell_id=visible_text(one.cell.cell_id),
                task=one.cell.task,
                work=work_of(one.cell, view.manifest),
                found=one.estimates.get(TASKS[one.cell.task].headline),
            )
            for one in view.summaries
            if not one.arm and one.cell.task in COMPARED_TASKS
        ),
    )


def by_host(runs: Iterable[SiteRun]) -> dict[str, list[SiteRun]]:
    """Runs of each host, the earliest first; hosts by label."""
    in_order = sorted(runs, key=lambda run: (run.host_name, run.started_utc, run.folder))
    return grouped((host_id(run.manifest.host), run) for run in in_order)


def compare_data(runs: Sequence[SiteRun]) -> str:
    """What `site.js` compares any two hosts by, as a line of script: of each host the latest figure
    of each cell. No text in it can end the script."""
    cells: dict[str, tuple[str, str, bool]] = {}
    hosts = []
    for mine in by_host(runs).values():
        figures: dict[str, tuple[str, str, float, float | None, float | None]] = {}
        for run, cell in ((each, cell) for each in mine for cell in each.cells):
            if (found := cell.found) and found.point > 0:
                spec = TASKS[cell.task]
                is_rate = spec.figure(spec.headline).better == "more"
                cells[cell.work] = (spec.label, cell.cell_id, is_rate)
                address = f"runs/{run.folder}/index.html"
                figures[cell.work] = (
                    *(f"{address}#{quote(cell.anchor)}", cell.text),
                    *(found.point, found.low, found.high),
                )
        hosts.append({"name": mine[-1].host_name, "cells": figures})
    data = {"spread": SPREAD_LOG, "cells": cells, "hosts": hosts}
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return f"const SITE = {text};\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePaths:
    """The site's first page, and what was done as plain text."""

    index: Path
    answer: str


def publish_runs(
    run_dirs: Sequence[Path], *, to: Path, on_progress: Callable[[str, float], None]
) -> SitePaths:
    """Publish runs into the folder `to`, beside those that it has; the runs are only read.

    What is no run is left out and told. Raises RunError where no run is left, or for two runs of
    one id; DestinationError where `to` holds what mezzmark did not publish; DiskFullError.
    """
    if not run_dirs:
        raise RunError(where="publish", what="no run was named", remedy="Name a run's folder.")
    environment = template_environment()
    faults: list[RunError] = []
    named = _look_at(run_dirs, environment, faults)
    folder = Path(os.path.expanduser(to)).resolve()
    with translate_os_errors(folder, remedy="Name another folder with --to."):
        _claim(folder)
    with run_store.lock_folder(
        folder,
        what="another process is publishing into this folder",
        remedy="Wait for it to end, or name another folder with --to.",
    ):
        return _publish(folder, named, faults, environment, on_progress)


def _publish(
    folder: Path,
    named: Mapping[str, tuple[Path, str]],
    faults: list[RunError],
    environment: Environment,
    on_progress: Callable[[str, float], None],
) -> SitePaths:
    known = _cards(folder)
    fresh = [n for n, (_, digest) in named.items() if n not in known or known[n].digest != digest]
    made = len(fresh)
    for number, name in enumerate(fresh):
        run_dir, digest = named[name]
        on_progress(f"{run_dir} ({number + 1} of {len(fresh)})", number / len(fresh))
        try:
            put_files(
                folder / "runs" / name,
                _run_files(environment, run_dir, digest, name),
                option="--to",
            )
        except RunError as fault:
            faults.append(fault)
            made -= 1
    on_progress(str(folder), 1.0)
    runs = list(_cards(folder).values())
    if not runs:
        raise faults[0]
    stale = {
        host: mine[-1].host_name
        for host, mine in by_host(runs).items()
        if not _write_history(folder / "history", environment, host, mine, named)
    }
    put_files(folder, _shared_files(folder, environment, runs, stale), option="--to")
    told = [f"{fault.where}: {fault.what}" for fault in faults]
    answer = published_text(made, len(runs), list(stale.values()), told)
    return SitePaths(index=folder / "index.html", answer=answer)


def _claim(folder: Path) -> None:
    """Mark the folder, made or empty; DestinationError where it holds what is not ours, OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    if (folder / MARKER_NAME).is_file():
        return
    if not all(is_beginning_of(path.name, MARKER_NAME) for path in folder.iterdir()):
        what = "the folder is not empty, and mezzmark did not publish into it"
        remedy = "Name a new or an empty folder, or one that was published into before."
        raise DestinationError(where=str(folder), what=what, remedy=remedy)
    replace_all({folder / MARKER_NAME: b"mezzmark replaces its own pages here; no more.\n"})


def _look_at(
    run_dirs: Sequence[Path], environment: Environment, faults: list[RunError]
) -> dict[str, tuple[Path, str]]:
    """The named runs by their folder in the site, each with a digest of all that its pages are made
    of; what is no run goes to `faults`. RunError where none is left, or two of one id differ."""
    loader = environment.loader
    basis = hashlib.sha256(f"{__version__} {find_spec('pyarrow') is not None}".encode())
    for name in loader.list_templates() if loader else ():
        basis.update(loader.get_source(environment, name)[0].encode())  # type: ignore[union-attr]
    found: dict[str, tuple[Path, str]] = {}
    for run_dir in run_dirs:
        try:
            name = _folder_of(run_dir)
        except RunError as fault:
            faults.append(fault)
            continue
        digest = basis.copy()
        for path in (run_dir / run_store.MANIFEST_NAME, run_dir / run_store.TRIALS_NAME):
            digest.update(path.read_bytes() if path.is_file() else b"")
        first, known = found.setdefault(name, (run_dir, digest.hexdigest()))
        if known != digest.hexdigest():
            what = f"it has the id of {first} and holds other trials"
            raise RunError(where=str(run_dir), what=what, remedy="Name one of the two.")
    if not found:
        raise faults[0]
    return found


def _folder_of(run_dir: Path) -> str:
    """A run's folder in the site; RunError where it is no run, or its id names no folder."""
    if name := safe_file_name(run_store.read_manifest(run_dir).run_id):
        return name
    what = "the run has no id"
    remedy = "Measure it again: a run that mezzmark made has one."
    raise RunError(where=str(run_dir / run_store.MANIFEST_NAME), what=what, remedy=remedy)


def _cards(folder: Path) -> dict[str, SiteRun]:
    """What is kept of every published run, by its folder; what cannot be read is no run."""
    found = {}
    for path in sorted(folder.glob(f"runs/*/{CARD}")):
        try:
            found[path.parent.name] = SiteRun.model_validate_json(path.read_bytes())
        except (OSError, ValidationError):
            continue
    return found


def _page(environment: Environment, page: str, links: Iterable[str], **given: Any) -> bytes:
    """The page `index`, `run` or `compare`."""
    return render(environment, "site.html.j2", page=page, links=links, **given)


def _run_files(environment: Environment, run_dir: Path, digest: str, name: str) -> dict[str, bytes]:
    """All files of a run: its report, its tables, its page, and last its card."""
    view = read_view(run_dir)
    run = site_run(view, digest=digest, folder=name)
    context = [run_context(view)]
    content = {
        page: render(environment, f"{page}.j2", runs=context, together=(), title=run.title)
        for page in ("report.html", "report.md")
    }
    content["cells.csv"] = cells_csv([(view.manifest, view.summaries)])
    if find_spec("pyarrow"):
        tables = ("cells", "trials", "samples")
        content |= {f"{table}.parquet": as_parquet([view], table=table) for table in tables}
    links = ["../../index.html", *content]
    content["index.html"] = _page(environment, "run", links, run=run, title=run.title)
    return content | {CARD: run.model_dump_json().encode()}


def _write_history(
    folder: Path,
    environment: Environment,
    host: str,
    runs: Sequence[SiteRun],
    named: Mapping[str, tuple[Path, str]],
) -> bool:
    """Write a host's history if it has runs enough and its page is not of these; False where some
    of them are published and were not named, so that it cannot be made."""
    key = hashlib.sha256("".join(run.digest for run in runs).encode()).hexdigest()
    page = folder / f"{host}.html"
    is_there = page.is_file() and key in page.read_text(encoding="utf-8", errors="replace")
    if len(runs) < FEWEST_RUNS or is_there:
        return True
    if not all(run.folder in named for run in runs):
        return False
    read = ((run_store.read_run(named[run.folder][0]), run.name) for run in runs)
    measured = [ObservedRun(run.manifest, run.trials, run_dir=name or None) for run, name in read]
    history = trace_history(measured)
    given: dict[str, Any] = {"runs": (), "together": [build_history(history, prefix="history")]}
    given |= {"title": runs[-1].host_name, "data": f"// {key}\n", "home": "../index.html"}
    content = {page.name: render(environment, "report.html.j2", **given)}
    put_files(folder, content, option="--to")
    return True


def _shared_files(
    folder: Path, environment: Environment, runs: Sequence[SiteRun], stale: Collection[str]
) -> dict[str, bytes]:
    """The pages and tables of all runs together; histories of `stale` hosts lack runs of theirs."""
    folders = [folder / "runs" / run.folder for run in runs]
    first, *others = [(place / "cells.csv").read_bytes() for place in folders]
    content = {"cells.csv": first + b"".join(table[table.index(b"\n") + 1 :] for table in others)}
    parquet = [place / "cells.parquet" for place in folders]
    if find_spec("pyarrow") and all(path.is_file() for path in parquet):
        buffer = BytesIO()
        pd.concat([pd.read_parquet(path) for path in parquet]).to_parquet(buffer, index=False)
        content["cells.parquet"] = buffer.getvalue()
    histories = [path.stem for path in (folder / "history").glob("*.html")]
    given: dict[str, Any] = {"title": "mezzmark", "runs": runs, "hosts": by_host(runs)}
    given |= {"histories": histories, "stale": stale}
    tables = list(content)
    if len(given["hosts"]) < 2:
        return content | {"index.html": _page(environment, "index", tables, **given)}
    content["index.html"] = _page(environment, "index", ["compare.html", *tables], **given)
    given |= {"data": compare_data(runs), "more": ["site.js"]}
    content["compare.html"] = _page(environment, "compare", ["index.html", *tables], **given)
    return content
