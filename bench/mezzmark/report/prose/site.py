"""A published site in sentences: its index, its hosts, the address of a cell; stands alone as the
English of `report.sections.site`."""

from collections.abc import Sequence
from typing import Final

from mezzmark.report.prose.history import DATE_LENGTH
from mezzmark.report.prose.numbers import count_text, shown_name, span_text

PAGES: Final = {
    "index": "All runs",
    "compare": "Compare two hosts",
    "report": "The whole report",
    "report.md": "The report as text",
    "run.csv": "This run's cells as CSV",
    "all.csv": "All cells as CSV",
}
"""What leads to a page or a file."""

TITLES: Final = {"index": "What is here", "run": "Every cell", "compare": "All hosts"}
"""Of the parts that hold the tables."""

RUN_NOTE: Final = (
    "Each row has an address that stays, whatever is published later: this page's, # and the "
    "row's name, as its link has it."
)

COMPARE_NOTE: Final = (
    "The latest figure of each cell that both hosts measured alike: same footage, files, encoder "
    "options and settings. In brackets, cell by cell, 95 % intervals of the ratio from those of "
    "the two figures (Zou & Donner 2008), with 1 % for what runs differ by. For a verdict "
    "mezzmark’s report of both runs pairs rounds and holds all intervals together."
)

FALLBACK_NOTE: Final = (
    "Geometric mean over the cells that both measured alike, beside the smallest and the largest; "
    "above 1 the host is faster. Two hosts compare as their numbers here do, as far as their cells "
    "are the same."
)

ENCODING_NOTE: Final = "As the runs recorded them; bit rates over the clips of each run."


def site_headline(dates: Sequence[str], host_count: int) -> str:
    """How much is published: runs, hosts and time."""
    days = sorted(date[:DATE_LENGTH] for date in dates)
    span = span_text(days[0], days[-1]) if days else ""
    return f"{count_text(len(days), 'run')} of {count_text(host_count, 'host')}, {span}"


def cells_title(count: int) -> str:
    """Over the cells of a run."""
    return count_text(count, "cell")


def against_title(reference: str) -> str:
    """Over the table that stands there without a script."""
    return f"Each host against {shown_name(reference)}"


def published_text(built: int, total: int, left: Sequence[str]) -> str:
    """What a command did: pages made anew, pages left, histories that lack runs."""
    lines = [
        f"{count_text(total, 'run')} published, {count_text(built, 'page')} made or replaced.",
        *(
            f"The history of {shown_name(name)} stays as it was: not all its runs were named."
            for name in left
        ),
    ]
    return "\n".join(lines)
