"""What stands in the report before the runs' own articles, where there are several runs."""

from dataclasses import dataclass

from mezzmark.report.figures.gallery import Picture
from mezzmark.report.tables.table import Table, filled


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A heading with sentences and tables."""

    anchor: str
    title: str
    sentences: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()


def refused_group(anchor: str, *tables: Table) -> Group:
    """What cannot be compared."""
    return Group(anchor=anchor, title="What cannot be compared, and why", tables=filled(*tables))


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """A comparison of hosts or a history; report_templates/README.md documents the names."""

    anchor: str
    kicker: str
    headline: str
    basis: str
    cautions: tuple[str, ...]
    pictures: tuple[Picture, ...]
    groups: tuple[Group, ...]
