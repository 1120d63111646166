"""Where a report goes, and that it takes the place of nothing but an earlier report."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from mezzmark.model.errors import DestinationError

REPORT_FOLDER: Final = "report"
"""Where in a run's folder its report goes unless told otherwise."""

COMPARISON_FOLDER: Final = "comparison"
"""Where in the first run's folder a report of several runs goes: the run's own stays as it is."""

PAGE_NAME: Final = "report.html"

GENERATOR_MARK: Final = '<meta name="generator" content="mezzmark">'
"""By this a page is known as ours; every page carries it, whatever template it is made from."""

_MARKS: Final = (GENERATOR_MARK, "<style>\n:root{--fig-paper:")
"""Either tells a page of ours; the second stands in pages made before there was the first."""


def report_folder(run_dirs: Sequence[Path], out_dir: Path | None) -> Path:
    """The folder named, or one inside the first run: `report`, for several runs `comparison`."""
    if out_dir is not None:
        return Path(out_dir)
    inside = REPORT_FOLDER if len(run_dirs) == 1 else COMPARISON_FOLDER
    return Path(run_dirs[0]) / inside


def marked_page(html: str) -> str:
    """The page with its generator named in the head; at its end where it has no head."""
    if GENERATOR_MARK in html:
        return html
    marked, count = re.subn(r"(<head\b[^>]*>)", rf"\1\n{GENERATOR_MARK}", html, count=1)
    return marked if count else f"{html}\n{GENERATOR_MARK}\n"


def refuse_foreign_files(folder: Path, names: Sequence[str]) -> None:
    """DestinationError when `folder` holds one of these files and mezzmark's page is not there.

    A page of ours in the folder says that the files beside it are ours too.
    """
    page = folder / PAGE_NAME
    present = [folder / name for name in names if (folder / name).exists()]
    if not present or (page in present and _is_ours(page)):
        return
    foreign = page if page in present else present[0]
    raise DestinationError(
        where=str(foreign),
        what="it was not written by mezzmark, and a report would take its place",
        remedy="Choose another folder with --out.",
    )


def _is_ours(page: Path) -> bool:
    try:
        text = page.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return any(mark in text for mark in _MARKS)
