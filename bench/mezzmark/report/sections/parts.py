"""What a page is made of; report_templates/README.md documents every name."""

import re
from dataclasses import dataclass, replace

from mezzmark.report.figures.drawing import Picture
from mezzmark.report.tables.table import Table, filled


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading (`nav` where the list of sections has a shorter one), then, as far as there are
    any, a line that answers it, sentences, figures, tables, and sections of the same kind as
    `tabs`, one shown at a time; `folded` tables and `scripts` (title, text) are behind controls.
    """

    anchor: str
    title: str
    nav: str = ""
    headline: str = ""
    sentences: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    tabs: tuple["Section", ...] = ()
    folded: tuple[Table, ...] = ()
    scripts: tuple[tuple[str, str], ...] = ()

    @property
    def all_pictures(self) -> tuple[Picture, ...]:
        """Its own figures and those of its tabs, in the order of the page."""
        return (*self.pictures, *(p for tab in self.tabs for p in tab.all_pictures))


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
    """Those that have something to say, with their filled tables; a single tab needs no control."""
    kept = []
    for section in sections:
        tabs = filled_sections(*section.tabs)
        found = replace(
            section,
            tables=filled(*section.tables),
            folded=filled(*section.folded),
            tabs=tabs if len(tabs) > 1 else (),
        )
        for tab in tabs if len(tabs) == 1 else ():
            names = ("sentences", "pictures", "tables", "folded")
            both = {name: getattr(found, name) + getattr(tab, name) for name in names}
            found = replace(found, **both)
        kept.append(found)
    return tuple(
        s for s in kept if s.headline or s.sentences or s.pictures or s.tables or s.tabs or s.folded
    )


def slug(text: str) -> str:
    """`text` as part of an id or a file name: letters of ASCII, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower())
