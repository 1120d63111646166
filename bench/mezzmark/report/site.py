"""Runs in, static site out: pages that need no network, no build step and no script to be read.

A run's pages stand in a folder named by its id and are made anew only when the run, mezzmark or
the templates changed; its cells have addresses that stay. The index, the comparison of hosts and
the files of all cells are small and are made each time. Nothing is ever removed, and what stands
in a folder that mezzmark did not mark is not touched.
"""

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Final

import pandas as pd
from jinja2 import Environment
from pydantic import ValidationError

from mezzmark import __version__
from mezzmark.decide.compare.history import FEWEST_RUNS, trace_history
from mezzmark.decide.machine.identity import HOST_OVER_TIME, host_key
from mezzmark.model.errors import RunError
from mezzmark.own_files import SITE_MARKER, claim_folder, replace_all, translate_os_errors
from mezzmark.report.export.files import as_parquet
from mezzmark.report.export.tidy import cells_csv
from mezzmark.report.page import PAGE_NAME, read_view, render, template_environment
from mezzmark.report.prose.method import run_basis
from mezzmark.report.prose.site import PAGES, published_text
from mezzmark.report.sections.comparison import build_history
from mezzmark.report.sections.context import run_context
from mezzmark.report.sections.parts import ComparisonSection
from mezzmark.report.sections.site import (
    SiteRun,
    by_host,
    compare_data,
    compare_part,
    index_part,
    run_part,
    site_run,
)
from mezzmark.store.run_store import MANIFEST_NAME, TRIALS_NAME, Run, read_manifest, read_run

INDEX: Final = "index.html"
CARD: Final = "run.json"
"""What is kept of a run; written last, so that a run with a card is whole."""

PARQUET_TABLES: Final = ("cells", "trials", "samples")
SITE_SCRIPTS: Final = ("report.js", "site.js")

_PLAIN_ID: Final = re.compile(r"[0-9A-Za-z-]{1,64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePaths:
    """What was written: the first page; how many runs' pages were made anew, of how many that the
    site has; and the hosts whose history was left, since runs of theirs were not named."""

    index: Path
    built_count: int
    run_count: int
    left_histories: tuple[str, ...]

    @property
    def answer(self) -> str:
        """What was done, for a terminal."""
        return published_text(self.built_count, self.run_count, self.left_histories)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Named:
    """A run that was named: where it lies, and a digest of all that its pages are made of."""

    run_dir: Path
    folder: str
    host_page: str
    digest: str


class _Site:
    """The folder with its templates: reads and writes its files."""

    def __init__(self, folder: Path, environment: Environment) -> None:
        self.folder = folder
        self.environment = environment

    def write(self, content: Mapping[str, bytes]) -> None:
        """Put files, by their names below the folder, in their places."""
        remedy = "Name another folder with --to."
        with translate_os_errors(
            self.folder,
            remedy=remedy,
            full=f"Free some space and publish again. {remedy}",
            needed_bytes=sum(map(len, content.values())),
        ):
            replace_all({self.folder / name: data for name, data in content.items()})

    def page(self, part: ComparisonSection, title: str, data: str = "") -> bytes:
        """A page of one part; with `data` that of two hosts."""
        scripts = SITE_SCRIPTS if data else SITE_SCRIPTS[:1]
        return render(
            self.environment, "report.html.j2", (), [part], title=title, scripts=scripts, data=data
        )

    def cards(self) -> dict[str, SiteRun]:
        """What is kept of every published run, by its folder; what cannot be read is no run."""
        found = {}
        for path in sorted(self.folder.glob(f"runs/*/{CARD}")):
            try:
                found[path.parent.name] = SiteRun.model_validate_json(path.read_bytes())
            except (OSError, ValidationError):
                continue
        return found


def publish_runs(
    run_dirs: Sequence[Path],
    *,
    to: Path,
    template: Path | None = None,
    confidence_level: float = 0.95,
    on_progress: Callable[[str, float], None] = lambda _message, _fraction: None,
) -> SitePaths:
    """Publish runs into the folder `to`, beside those that it has; the runs are only read.

    A run that is published and unchanged costs a look at its files. Raises RunError for a folder
    that is no run, one without trials, or two runs of one id; DestinationError where `to` holds
    what mezzmark did not publish; ScenarioError for a bad template; DiskFullError.
    """
    if not run_dirs:
        raise RunError(where="publish", what="no run was named", remedy="Name a run's folder.")
    environment = template_environment(template)
    environment.globals["has_figure_files"] = False
    named = _look_at(run_dirs, _template_digest(environment, confidence_level))
    folder = Path(to).expanduser().resolve()
    with translate_os_errors(folder, remedy="Name another folder with --to."):
        claim_folder(folder, SITE_MARKER)
    site = _Site(folder, environment)
    cards = site.cards()
    fresh = [n for n in named if n.folder not in cards or cards[n.folder].digest != n.digest]
    for number, run in enumerate(fresh):
        on_progress(f"{run.run_dir} ({number + 1} of {len(fresh)})", number / len(fresh))
        site.write(_run_files(site, run, confidence_level))
    on_progress(INDEX, 1.0)
    cards = site.cards()
    left = _write_histories(site, cards, named, confidence_level)
    site.write(_shared_files(site, list(cards.values())))
    return SitePaths(
        index=folder / INDEX,
        built_count=len(fresh),
        run_count=len(cards),
        left_histories=left,
    )


def _look_at(run_dirs: Sequence[Path], basis: bytes) -> list[_Named]:
    """The runs that are named, each once; RunError where two of one id differ."""
    found: dict[str, _Named] = {}
    for run_dir in run_dirs:
        manifest = read_manifest(Path(run_dir))
        digest = hashlib.sha256(basis)
        for name in (MANIFEST_NAME, TRIALS_NAME):
            path = Path(run_dir) / name
            digest.update(path.read_bytes() if path.is_file() else b"")
        host = host_key(manifest.host, HOST_OVER_TIME)
        run = _Named(
            run_dir=Path(run_dir),
            folder=_address(manifest.run_id),
            host_page=hashlib.sha256(repr(host).encode()).hexdigest()[:12],
            digest=digest.hexdigest(),
        )
        first = found.setdefault(run.folder, run)
        if first.digest != run.digest:
            raise RunError(
                where=str(run_dir),
                what=f"it has the id of {first.run_dir} and holds other trials",
                remedy="Name one of the two.",
            )
    return list(found.values())


def _address(run_id: str) -> str:
    """The run's folder: its id, or a digest where that could be no name of a folder."""
    is_plain = _PLAIN_ID.fullmatch(run_id)
    return run_id if is_plain else hashlib.sha256(run_id.encode()).hexdigest()[:32]


def _template_digest(environment: Environment, confidence_level: float) -> bytes:
    """What all pages of runs follow from beside the runs."""
    loader = environment.loader
    digest = hashlib.sha256(f"{__version__} {confidence_level} {_has_parquet()}".encode())
    for name in sorted(loader.list_templates() if loader else ()):
        if name.endswith((".j2", ".css", ".js")):
            digest.update(loader.get_source(environment, name)[0].encode())  # type: ignore[union-attr]
    return digest.digest()


def _has_parquet() -> bool:
    return find_spec("pyarrow") is not None


def _run_files(site: _Site, named: _Named, confidence_level: float) -> dict[str, bytes]:
    """All files of a run: its page, its report, its tables, and last its card."""
    view = read_view(named.run_dir, confidence_level)
    run = site_run(view, digest=named.digest, folder=named.folder, host_page=named.host_page)
    content = {"cells.csv": cells_csv([(view.manifest, view.summaries)])}
    if _has_parquet():
        content |= {f"{t}.parquet": as_parquet([view], table=t) for t in PARQUET_TABLES}
    files = [name for name in content if name != "cells.csv"]
    links = [
        (PAGES["report"], PAGE_NAME),
        (PAGES["report.md"], "report.md"),
        (PAGES["run.csv"], "cells.csv"),
        *((name, name) for name in files),
    ]
    context = [run_context(view)]
    content |= {
        INDEX: site.page(run_part(run, run_basis(view), links), run.title),
        PAGE_NAME: render(site.environment, "report.html.j2", context, ()),
        "report.md": render(site.environment, "report.md.j2", context, ()),
        CARD: run.model_dump_json().encode(),
    }
    return {f"runs/{named.folder}/{name}": data for name, data in content.items()}


def _write_histories(
    site: _Site, cards: Mapping[str, SiteRun], named: Iterable[_Named], confidence_level: float
) -> tuple[str, ...]:
    """Write the history of each host with three runs or more whose runs are not those it was made
    of; the names of those that lack runs which are published and were not named."""
    places = {run.folder: run.run_dir for run in named}
    left = []
    for page, runs in by_host(list(cards.values())).items():
        key = hashlib.sha256("".join(run.digest for run in runs).encode()).hexdigest().encode()
        key_path = site.folder / "history" / f"{page}.key"
        if len(runs) < FEWEST_RUNS or (key_path.is_file() and key_path.read_bytes() == key):
            continue
        if not all(run.folder in places for run in runs):
            left.append(runs[-1].host_name)
            continue
        # By their ids and not by their folders, which are nobody's business.
        measured = [_without_place(read_run(places[run.folder])) for run in runs]
        history = trace_history(measured, confidence_level=confidence_level)
        part = build_history(history, prefix="history")
        part = replace(part, links=((PAGES["index"], f"../{INDEX}"),))
        html = site.page(part, runs[-1].host_name)
        site.write({f"history/{page}.html": html, f"history/{page}.key": key})
    return tuple(left)


def _without_place(run: Run) -> Run:
    return replace(run, run_dir=None)  # type: ignore[arg-type]  # such runs go by their ids


def _shared_files(site: _Site, runs: Sequence[SiteRun]) -> dict[str, bytes]:
    """The pages and tables of all runs together."""
    links = [(PAGES["all.csv"], "cells.csv")]
    folders = [site.folder / "runs" / run.folder for run in runs]
    tables = [(folder / "cells.csv").read_bytes() for folder in folders]
    content = {"cells.csv": b"".join([tables[0], *(t.partition(b"\n")[2] for t in tables[1:])])}
    parquet = [folder / "cells.parquet" for folder in folders]
    if _has_parquet() and all(path.is_file() for path in parquet):
        buffer = BytesIO()
        pd.concat([pd.read_parquet(path) for path in parquet]).to_parquet(buffer, index=False)
        content["cells.parquet"] = buffer.getvalue()
        links.append(("cells.parquet", "cells.parquet"))
    pages = [path.stem for path in (site.folder / "history").glob("*.html")]
    if len(by_host(runs)) > 1:
        data = compare_data(runs)
        content["compare.html"] = site.page(compare_part(runs), PAGES["compare"], data)
    return content | {INDEX: site.page(index_part(runs, pages, links), "mezzmark")}
