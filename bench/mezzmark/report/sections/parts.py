"""What a page is made of; report_templates/README.md documents every name."""

import re
from dataclasses import dataclass, replace

from mezzmark.report.figures.gallery import Picture
from mezzmark.report.tables.table import Table, filled


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading (`nav` where the list of sections has a shorter one), then, as far as there are
    any, a line that answers it, sentences, figures and tables."""

    anchor: str
    title: str
    nav: str = ""
    headline: str = ""
    sentences: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonSection:
    """A comparison of hosts, of two runs of one host, or a history, before the runs' articles."""

    anchor: str
    kicker: str
    headline: str
    basis: str
    cautions: tuple[str, ...]
    pictures: tuple[Picture, ...]
    groups: tuple[Section, ...]


def filled_sections(*sections: Section) -> tuple[Section, ...]:
    """Those that have something to say, with those of their tables that have rows."""
    kept = (replace(section, tables=filled(*section.tables)) for section in sections)
    return tuple(s for s in kept if s.headline or s.sentences or s.pictures or s.tables)


def slug(text: str) -> str:
    """`text` as part of an id or a file name: letters of ASCII, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower())
