"""Pages of a published site beside reports and histories: the index, a run's cells, two hosts.

What they need of a run is kept beside its pages (`SiteRun`), so that the index of a hundred runs
reads no trial.
"""

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final
from urllib.parse import quote

from mezzmark.decide.compare.evidence import RUN_SPREAD
from mezzmark.decide.compare.matching import work_of
from mezzmark.decide.estimate.observed_run import start_of
from mezzmark.model.encoding import Encoding
from mezzmark.model.estimate import CellSummary, Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.run import HostFacts
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose import site as prose
from mezzmark.report.prose.history import DATE_LENGTH
from mezzmark.report.prose.machine import fact_text
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    number_text,
    span_text,
    visible_text,
)
from mezzmark.report.sections.context import run_answer
from mezzmark.report.sections.parts import ComparisonSection, Section, filled_sections
from mezzmark.report.tables.table import Column, Entry, Table, tabulate
from mezzmark.report.view import RunView

TWO_SIDED_95: Final = 1.96
RUNS_DIFFER: Final = TWO_SIDED_95 * RUN_SPREAD * math.sqrt(2)
"""What two runs differ by in which nothing changed, as the half-width of a log ratio."""


class SiteCell(Fact):
    """A cell with its headline figure as text, and as the log of its cost (time, or time a frame)
    with how far the interval reaches below and above. `work` is the same where cells compare."""

    cell_id: str
    task: str
    work: str
    figure: str = ""
    cost_log: float | None = None
    below: float | None = None
    above: float | None = None

    @property
    def anchor(self) -> str:
        """The cell's id as the id of an element: without blanks."""
        return re.sub(r"\s", "+", visible_text(self.cell_id).replace(" | ", "/"))


class SiteRun(Fact):
    """What the pages of all runs say of one; `folder` and `host_page` are names below the site."""

    digest: str
    run_id: str
    folder: str
    host_page: str
    host: HostFacts
    started_utc: str
    title: str
    headline: str
    encodings: tuple[Encoding, ...]
    bitrates_bps: dict[str, float]
    cells: tuple[SiteCell, ...]

    @property
    def page(self) -> str:
        """The address of its page from the site's folder."""
        return f"runs/{self.folder}/index.html"

    @property
    def host_name(self) -> str:
        """The host as people call it."""
        return visible_text(self.host.host_label)


def site_run(view: RunView, *, digest: str, folder: str, host_page: str) -> SiteRun:
    """What is kept of a run."""
    manifest = view.manifest
    return SiteRun(
        digest=digest,
        run_id=manifest.run_id,
        folder=folder,
        host_page=host_page,
        host=manifest.host.model_copy(update={"library_versions": {}, "storage_path": ""}),
        started_utc=start_of(view),
        title=visible_text(manifest.scenario.title or manifest.scenario.name),
        headline=run_answer(view).headline,
        encodings=manifest.encodings,
        bitrates_bps=view.bitrates_bps,
        cells=tuple(
            _site_cell(summary, work_of(summary.cell, manifest))
            for summary in view.summaries
            if not summary.arm and TASKS[summary.cell.task].is_compared
        ),
    )


def _site_cell(summary: CellSummary, work: str) -> SiteCell:
    spec = TASKS[summary.cell.task]
    plain = SiteCell(cell_id=summary.cell.cell_id, task=summary.cell.task, work=work)
    found = summary.estimates.get(spec.headline)
    if found is None or found.point <= 0:
        return plain
    cost = found.inverted("") if spec.figure(spec.headline).better == "more" else found
    reach = {} if cost.low is None or cost.high is None else _reach(cost, cost.low, cost.high)
    changes = {"figure": estimate_text(found), "cost_log": math.log(cost.point)} | reach
    return plain.model_copy(update=changes)


def _reach(cost: Estimate, low: float, high: float) -> dict[str, float]:
    if low <= 0 or math.isinf(high):
        return {}
    return {"below": math.log(cost.point / low), "above": math.log(high / cost.point)}


def run_part(run: SiteRun, basis: str, links: Sequence[tuple[str, str]]) -> ComparisonSection:
    """The page of a run: its answer, what there is of it, every cell with an address that stays."""
    table = tabulate(
        run.cells,
        [
            Column("cell", lambda c: Entry(c.cell_id, link=f"#{quote(c.anchor)}"), "left"),
            Column("figure", lambda c: TASKS[c.task].headline, "left"),
            Column("measured", lambda c: Entry(c.figure, sort=c.cost_log)),
        ],
        table_id="cells",
        title=prose.cells_title(len(run.cells)),
        note=prose.RUN_NOTE,
        ids=[cell.anchor for cell in run.cells],
    )
    return _page(
        kicker=f"{run.title} · {run.host_name} · {run.started_utc[:DATE_LENGTH]}",
        headline=run.headline,
        title=prose.TITLES["run"],
        basis=basis,
        links=((prose.PAGES["index"], "../../index.html"), *links),
        tables=[table],
    )


def index_part(
    runs: Sequence[SiteRun], histories: Iterable[str], links: Sequence[tuple[str, str]]
) -> ComparisonSection:
    """The first page: runs, hosts (those of `histories` have such a page) and encodings."""
    hosts = by_host(runs)
    tables = [_run_table(runs), _host_table(hosts, set(histories)), _encoding_table(runs)]
    return _page(
        kicker="mezzmark",
        headline=prose.site_headline([run.started_utc for run in runs], len(hosts)),
        title=prose.TITLES["index"],
        links=(*([(prose.PAGES["compare"], "compare.html")] if len(hosts) > 1 else []), *links),
        tables=tables,
    )


def _page(
    *,
    kicker: str,
    headline: str,
    title: str,
    links: Sequence[tuple[str, str]],
    tables: Sequence[Table],
    basis: str = "",
) -> ComparisonSection:
    return ComparisonSection(
        anchor="site",
        kicker=kicker,
        headline=headline,
        basis=basis,
        cautions=(),
        pictures=(),
        groups=filled_sections(Section(anchor="all", title=title, tables=tuple(tables))),
        links=tuple(links),
    )


def by_host(runs: Sequence[SiteRun]) -> dict[str, list[SiteRun]]:
    """Runs of each host, the earliest first; hosts by label."""
    hosts: dict[str, list[SiteRun]] = {}
    for run in sorted(runs, key=lambda run: (run.host_name, run.host_page, run.started_utc)):
        hosts.setdefault(run.host_page, []).append(run)
    return hosts


def _run_table(runs: Sequence[SiteRun]) -> Table:
    latest_first = sorted(runs, key=lambda r: (r.started_utc, r.run_id), reverse=True)
    return tabulate(
        latest_first,
        [
            Column("begun", lambda r: Entry(r.started_utc[:DATE_LENGTH], link=r.page), "left"),
            Column("host", lambda r: r.host_name, "left"),
            Column("scenario", lambda r: r.title, "left"),
            Column("answer", lambda r: r.headline, "left", is_long=True),
        ],
        table_id="runs",
        title="Runs",
        ids=[run.folder for run in latest_first],
    )


def _host_table(hosts: Mapping[str, Sequence[SiteRun]], histories: set[str]) -> Table:
    def course(runs: Sequence[SiteRun]) -> Entry:
        page = runs[0].host_page
        text = count_text(len(runs), "run")
        return Entry(text, sort=len(runs), link=f"history/{page}.html" * (page in histories))

    return tabulate(
        hosts.values(),
        [
            Column("host", lambda r: r[-1].host_name, "left"),
            Column("processor", lambda r: r[-1].host.cpu_model, "left"),
            Column("cores", lambda r: r[-1].host.usable_core_count),
            Column("memory", lambda r: fact_text("memory_bytes", r[-1].host.memory_bytes)),
            Column("latest run", lambda r: Entry(_date(r[-1]), link=r[-1].page), "left"),
            Column("history", course, "left"),
        ],
        table_id="hosts",
        title="Hosts",
        ids=[f"host-{page}" for page in hosts],
    )


def _date(run: SiteRun) -> str:
    return run.started_utc[:DATE_LENGTH]


def _encoding_table(runs: Sequence[SiteRun]) -> Table:
    kinds: dict[tuple[str, ...], list[tuple[Encoding, SiteRun]]] = {}
    for run in runs:
        for one in run.encodings:
            key = (one.name, one.codec, one.profile, one.container, one.pixel_format)
            kinds.setdefault(key, []).append((one, run))

    def rate(uses: Sequence[tuple[Encoding, SiteRun]]) -> Entry | None:
        rates = [r.bitrates_bps[e.name] / 1e6 for e, r in uses if e.name in r.bitrates_bps]
        ends = [number_text(end) for end in (min(rates), max(rates))] if rates else []
        return Entry(f"{span_text(*ends)} Mbit/s", sort=min(rates)) if rates else None

    return tabulate(
        [uses for _, uses in sorted(kinds.items())],
        [
            Column("encoding", lambda u: u[0][0].name, "left"),
            Column("codec", lambda u: f"{u[0][0].codec} {u[0][0].profile}".strip(), "left"),
            Column("container", lambda u: u[0][0].container.upper(), "left"),
            Column("samples", lambda u: f"{u[0][0].bit_depth or '?'} bit {u[0][0].chroma}", "left"),
            Column("alpha", lambda u: "yes" if u[0][0].has_alpha else "no", "left"),
            Column("bit rate", rate),
            Column("runs", len),
            Column("hosts", lambda u: len({run.host_page for _, run in u})),
        ],
        table_id="encodings",
        title="Encodings",
        note=prose.ENCODING_NOTE,
    )


HostCells = dict[str, tuple[SiteRun, SiteCell]]
"""By work: the latest run of a host that measured it, and the cell there."""


def host_cells(runs: Sequence[SiteRun]) -> HostCells:
    """The latest measured cells of one host."""
    return {
        cell.work: (run, cell) for run in runs for cell in run.cells if cell.cost_log is not None
    }


def compare_part(runs: Sequence[SiteRun]) -> ComparisonSection:
    """The page of two hosts as it is without a script: each host against the one that shares
    most cells with others, by task."""
    hosts = {page: (mine[-1], host_cells(mine)) for page, mine in by_host(runs).items()}
    works = {page: set(cells) for page, (_, cells) in hosts.items()}
    reference = max(
        hosts, key=lambda page: sum(len(works[page] & other) for other in works.values())
    )
    rows = []
    for page, (run, cells) in hosts.items():
        logs: dict[str, list[float]] = {}
        for work, (_, cell) in cells.items() if page != reference else ():
            there = hosts[reference][1].get(work)
            if there:
                logs.setdefault(cell.task, []).append(
                    (there[1].cost_log or 0.0) - (cell.cost_log or 0.0)
                )
        rows += [(run.host_name, task, values) for task, values in logs.items()]
    table = tabulate(
        rows,
        [
            Column("host", lambda r: r[0], "left"),
            Column("task", lambda r: TASKS[r[1]].label, "left"),
            Column("times as fast", lambda r: _ratio(sum(r[2]) / len(r[2]))),
            Column("smallest", lambda r: _ratio(min(r[2]))),
            Column("largest", lambda r: _ratio(max(r[2]))),
            Column("common cells", lambda r: len(r[2])),
        ],
        table_id="against",
        title=prose.against_title(hosts[reference][0].host_name),
        note=prose.FALLBACK_NOTE,
    )
    return _page(
        kicker="mezzmark",
        headline=prose.PAGES["compare"],
        title=prose.TITLES["compare"],
        links=[(prose.PAGES["index"], "index.html")],
        tables=[table],
    )


def _ratio(log: float) -> Entry:
    return Entry(number_text(math.exp(log)), sort=math.exp(log))


def compare_data(runs: Sequence[SiteRun]) -> str:
    """What `site.js` compares any two hosts by, as a line of script; no text can end the script."""
    hosts = []
    names: dict[str, tuple[str, str]] = {}
    for mine in by_host(runs).values():
        cells = host_cells(mine)
        names |= {w: (TASKS[c.task].label, visible_text(c.cell_id)) for w, (_, c) in cells.items()}
        hosts.append(
            {
                "name": mine[-1].host_name,
                "cells": {
                    work: [f"{run.page}#{quote(cell.anchor)}", cell.figure, *_logs(cell)]
                    for work, (run, cell) in cells.items()
                },
            }
        )
    data = {"note": prose.COMPARE_NOTE, "spread": RUNS_DIFFER, "cells": names, "hosts": hosts}
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return f"const SITE = {text};\n"


def _logs(cell: SiteCell) -> list[float | None]:
    logs = (cell.cost_log, cell.below, cell.above)
    return [None if value is None else round(value, 5) for value in logs]
