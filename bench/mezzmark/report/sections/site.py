"""What the pages of a published site are given of each run; kept beside the run's own pages, so
that the index of a hundred runs reads no trial."""

import json
import math
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from urllib.parse import quote

from mezzmark.decide.compare.evidence import RUN_SPREAD
from mezzmark.decide.compare.hosts import COMPARED_TASKS
from mezzmark.decide.compare.matching import work_of
from mezzmark.decide.estimate.observed_run import start_of
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact, grouped
from mezzmark.model.run import Manifest, host_id
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.answer import run_answer
from mezzmark.report.prose.method import run_basis
from mezzmark.report.prose.numbers import estimate_text, visible_text
from mezzmark.report.view import RunView

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
    """A run. `digest` is of all that its own pages are made of, `folder` their place; `name` is the
    folder that the run was read from."""

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
