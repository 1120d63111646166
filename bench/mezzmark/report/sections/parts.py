"""What stands in the report before the runs' own articles, where there are several runs."""

from dataclasses import dataclass, replace

from mezzmark.report.figures.gallery import Picture
from mezzmark.report.tables.table import Table, filled


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A heading with sentences and tables."""

    anchor: str
    title: str
    sentences: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonSection:
    """A comparison of hosts, of two runs of one host, or a history; report_templates/README.md
    documents the names."""

    anchor: str
    kicker: str
    headline: str
    basis: str
    cautions: tuple[str, ...]
    pictures: tuple[Picture, ...]
    groups: tuple[Group, ...]


def filled_groups(*groups: Group) -> tuple[Group, ...]:
    """The groups that have something to say, with those of their tables that have rows."""
    kept = (replace(g, tables=filled(*g.tables)) for g in groups)
    return tuple(group for group in kept if group.sentences or group.tables)
