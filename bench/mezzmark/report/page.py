"""Runs in, report out: one HTML page, its Markdown twin, a tidy table, and the figures as files.

The report is a pure function of the runs and the template: no clock and no machine is asked, so
the same runs give the same bytes.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from jinja2 import ChoiceLoader, Environment, FileSystemLoader, StrictUndefined, TemplateError
from markupsafe import Markup

from mezzmark.decide.compare.fleet import FleetCheck
from mezzmark.model.errors import DestinationError, RunError, ScenarioError
from mezzmark.own_files import replace_all, translate_os_errors
from mezzmark.report.export.tidy import cells_csv
from mezzmark.report.figures.theme import colour_variables
from mezzmark.report.prose import fleet as fleet_words
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.sections.comparison import build_comparison, build_fleet
from mezzmark.report.sections.context import RunContext, run_context
from mezzmark.report.sections.parts import ComparisonSection, slug
from mezzmark.report.tables.table import markdown_table, markdown_text
from mezzmark.report.view import RunView
from mezzmark.store.run_store import read_run
from mezzmark.store.toml_files import shipped_folder

REPORT_FOLDER: Final = "report"  # where in a run's folder its report goes unless told otherwise

COMPARISON_FOLDER: Final = "comparison"
"""Where in the first run's folder a report of several runs goes: the run's own stays as it is."""

PAGE_NAME: Final = "report.html"

GENERATOR_MARK: Final = '<meta name="generator" content="mezzmark">'
"""By this a page is known as ours; every page carries it, whatever template it is made from."""

_MARKS: Final = (GENERATOR_MARK, "<style>\n:root{--fig-paper:")
"""Either tells a page of ours; the second stands in pages made before there was the first."""


def report_folder(run_dirs: Sequence[Path], out_dir: Path | None) -> Path:
    """The folder named, or one inside the first run: `report`, for several runs `comparison`."""
    inside = REPORT_FOLDER if len(run_dirs) == 1 else COMPARISON_FOLDER
    return Path(out_dir or run_dirs[0] / inside)


def marked_page(html: str) -> str:
    """The page with its generator named in the head; at its end where it has no head."""
    if GENERATOR_MARK in html:
        return html
    marked, count = re.subn(r"(<head\b[^>]*>)", rf"\1\n{GENERATOR_MARK}", html, count=1)
    return marked if count else f"{html}\n{GENERATOR_MARK}\n"


def refuse_foreign_files(folder: Path, names: Sequence[str]) -> None:
    """DestinationError when `folder` holds one of these files and the first, the page, is not
    mezzmark's: a page of ours says that the files beside it are ours too."""
    present = [folder / name for name in names if (folder / name).exists()]
    if present and not (present[0] == folder / names[0] and _is_ours(present[0])):
        what = "it was not written by mezzmark, and a report would take its place"
        remedy = "Choose another folder with --out."
        raise DestinationError(where=str(present[0]), what=what, remedy=remedy)


def _is_ours(page: Path) -> bool:
    try:
        text = page.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return any(mark in text for mark in _MARKS)


@dataclass(frozen=True, slots=True)
class ReportPaths:
    """What was written, and the answer as plain text for a terminal."""

    html: Path
    markdown: Path
    cells_csv: Path
    figures: tuple[Path, ...]
    answer: str


def write_report(
    run_dirs: Sequence[Path],
    *,
    out_dir: Path | None = None,
    template: Path | None = None,
    prices: Sequence[str] = (),
    with_figure_files: bool = True,
) -> ReportPaths:
    """Write the report of one or more runs into the folder of `report_folder`, in place of an
    earlier one; the runs are only read.

    Several runs are first compared with each other: host beside host, and where a host has three
    runs or more, over time. `prices` ("HOST=2400 EUR") belong to hosts: a label or a run's folder.
    Without figure files the page keeps its figures, and `report.md` has neither images nor
    captions. `template` is a folder of templates in place of the shipped ones of the same name.
    RunError for an unreadable run or one without trials, ScenarioError for a bad template,
    DestinationError where something else than a report stands or nothing can be written,
    DiskFullError.
    """
    if not run_dirs:
        raise RunError(where="report", what="no run was named", remedy="Name a run's folder.")
    environment = template_environment(template, with_figure_files=with_figure_files)
    views = [
        read_view(run_dir, f"run{number}-" if len(run_dirs) > 1 else "")
        for number, run_dir in enumerate(run_dirs, start=1)
    ]
    names = [run_dir.resolve().name for run_dir in run_dirs]
    together = build_comparison(views, names, prices=prices)
    runs = [run_context(view) for view in views]
    title = runs[0].title if len(runs) == 1 else f"{len(runs)} runs"
    given: dict[str, Any] = {"runs": runs, "together": together, "title": title}
    given["names"] = list(map(visible_text, names))
    content = {
        PAGE_NAME: render(environment, "report.html.j2", **given),
        "report.md": render(environment, "report.md.j2", **given),
        "cells.csv": cells_csv([(view.manifest, view.summaries) for view in views]),
    }
    if with_figure_files:
        shown = (*(part.pictures for part in together), *(run.pictures for run in runs))
        content |= {f"figures/{one.file_stem}.svg": one.svg for of in shown for one in of}
    folder = report_folder(run_dirs, out_dir)
    refuse_foreign_files(folder, list(content))
    html, markdown, table, *figures = put_files(folder, content)
    answer = _plain_answer(runs, together, names if len(names) > 1 else ())
    return ReportPaths(html, markdown, table, tuple(figures), answer)


def write_fleet_page(check: FleetCheck, folder: Path) -> Path:
    """Write the page of a check into the folder of the fleet's checks, in place of the last one's.
    DestinationError where something else stands there, DiskFullError."""
    refuse_foreign_files(folder, [fleet_words.PAGE_NAME])
    given: dict[str, Any] = {"runs": (), "together": [build_fleet(check)]}
    given["title"] = fleet_words.TITLE
    content = render(template_environment(), "report.html.j2", **given)
    return put_files(folder, {fleet_words.PAGE_NAME: content})[0]


def put_files(folder: Path, content: Mapping[str, bytes], *, option: str = "--out") -> list[Path]:
    """Files by name in the folder. DestinationError, DiskFullError; `option` names another."""
    with translate_os_errors(
        folder,
        full=f"Free some space, or choose another folder with {option}.",
        remedy=f"Choose another folder with {option}.",
        needed_bytes=sum(map(len, content.values())),
    ):
        replace_all({folder / name: data for name, data in content.items()})
    return [folder / name for name in content]


def _plain_answer(
    runs: Sequence[RunContext], together: Sequence[ComparisonSection], names: Sequence[str]
) -> str:
    """The answers as lines of plain text, each run's below its name where several have one."""
    parts = [([part.headline], part.cautions) for part in together]
    for run, name in zip(runs, names or [""] * len(runs), strict=True):
        first = [f"Run {visible_text(name)}"] if name else []
        findings = (f"- {text}" for text in run.answer.findings)
        parts.append(([*first, run.answer.headline, "", *findings], run.answer.cautions))
    return "\n\n".join(
        "\n".join([*lines, *(f"- ! {text}" for text in cautions)]) for lines, cautions in parts
    )


def read_view(run_dir: Path, prefix: str = "") -> RunView:
    """A run for a report; RunError where it cannot be read or has no trials."""
    run = read_run(run_dir)
    if not run.trials:
        what = "no trial of this run has ended yet, so there is nothing to report"
        remedy = "Go on with it: mezzmark measure … --resume."
        raise RunError(where=str(run_dir), what=what, remedy=remedy)
    return RunView(
        run.manifest,
        run.trials,
        run_dir=run.run_dir,
        torn_line_count=run.torn_line_count,
        unknown=run.unknown,
        prefix=prefix,
    )


def template_environment(
    template: Path | None = None, *, with_figure_files: bool = False
) -> Environment:
    """The shipped templates, behind those of a folder of one's own."""
    shipped = FileSystemLoader(shipped_folder("report_templates"))
    loaders = [shipped]
    if template is not None:
        folder = Path(template)
        if not folder.is_dir():
            what = "is not a folder of templates"
            remedy = "Give a folder that holds report.html.j2, report.md.j2 or style.css."
            raise ScenarioError(where=str(template), what=what, remedy=remedy)
        loaders.insert(0, FileSystemLoader(folder))
    environment = Environment(
        loader=ChoiceLoader(loaders),
        autoescape=lambda name: name is not None and name.endswith((".html", ".html.j2")),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals["has_figure_files"] = with_figure_files
    environment.filters["md"] = markdown_text
    environment.filters["table"] = markdown_table
    environment.filters["slug"] = slug
    environment.filters["visible"] = visible_text
    return environment


def render(
    environment: Environment, name: str, *, data: str = "", more: Sequence[str] = (), **given: Any
) -> bytes:
    """One template's text as UTF-8; a mistake in it is told with its file and line. Its script is
    `data`, then `report.js` and `more` of the templates' folder; `given` are its other names."""
    light, dark = (f":root{{{side}}}" for side in colour_variables())
    colours = f"{light}\n@media screen and (prefers-color-scheme:dark){{{dark}}}\n"
    try:
        source, _, _ = environment.loader.get_source(environment, "style.css")  # type: ignore[union-attr]
        script = data
        for part in ("report.js", *more):
            script += environment.loader.get_source(environment, part)[0]  # type: ignore[union-attr]
        text = environment.get_template(name).render(
            **given, style=Markup(colours + source), script=Markup(script)
        )
    except TemplateError as error:
        line = getattr(error, "lineno", None)
        raise ScenarioError(
            where=f"{getattr(error, 'filename', None) or name}{f', line {line}' if line else ''}",
            what=f"the template cannot be used ({error.message or type(error).__name__})",
            remedy="report_templates/README.md lists what a template is given.",
        ) from None
    return (marked_page(text) if name.endswith(".html.j2") else text).encode("utf-8")
