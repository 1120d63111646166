"""What a template is given of each run; report_templates/README.md documents every name."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from mezzmark.decide.choose.choice import choice_plane
from mezzmark.decide.estimate.best_player import best_players
from mezzmark.model.cell import Setting
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.tasks import TASKS
from mezzmark.report.figures.drawing import Picture, make_picture
from mezzmark.report.figures.scatter import draw_choice, draw_links, draw_size
from mezzmark.report.figures.scrub import draw_latency, draw_spans
from mezzmark.report.figures.speeds import draw_encode
from mezzmark.report.prose.answer import Answer, run_answer
from mezzmark.report.prose.choice import details, standing, tipping_sentences, unchosen_text
from mezzmark.report.prose.footage import footage_words
from mezzmark.report.prose.latency import best_player_sentences, setting_label, waiting_sentences
from mezzmark.report.prose.making import making_headline, making_sentences, scripts_of
from mezzmark.report.prose.method import method_sentences, run_basis, steadiness_sentences
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.terms import encodings_about
from mezzmark.report.sections.parts import Section, filled_sections, slug
from mezzmark.report.sections.tasks import fidelity_section, hand_section, throughput_section
from mezzmark.report.tables import run as run_tables
from mezzmark.report.tables.choice import checklist as choice_checklist
from mezzmark.report.tables.choice import choice_table, doubt_table
from mezzmark.report.tables.facts import Facts, run_facts, version_facts
from mezzmark.report.tables.picture import survival_table
from mezzmark.report.tables.table import Table, filled, tabulate
from mezzmark.report.tables.tasks import cells_table
from mezzmark.report.view import OPEN_LOOPS, RunView

SHOWN: Final = {
    *OPEN_LOOPS,
    *("scrub", "encode", "grid", "ingest", "delivery", "decode", "fidelity", "kernel"),
}
"""Tasks that a section, or the machine's steadiness, speaks of; any other gets a table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunContext:
    """A run, ready to be written down. `prefix` begins its ids; `lead` is of the first page."""

    prefix: str
    title: str
    description: str
    footage_words: str
    basis: str
    answer: Answer
    checklist: Table
    standing: tuple[str, ...]
    lead: tuple[Picture, ...]
    sections: tuple[Section, ...]
    cells: tuple[Table, ...]
    proofs: tuple[Table, ...]
    footage: Table
    encodings: Table
    host: Facts
    steadiness: list[str]
    method: list[str]
    versions: Facts

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """All figures, in the order of the page."""
        return (*self.lead, *(p for section in self.sections for p in section.all_pictures))


def run_context(view: RunView) -> RunContext:
    """All that a page says of one run."""
    scenario = view.manifest.scenario
    answer = run_answer(view)
    steadiness = steadiness_sentences(view.steadiness, view.manifest)
    scrub_cells, encode_cells = cells_table(view, "scrub"), cells_table(view, "encode")
    scrub, lead = _scrub_section(view, scrub_cells)
    checklist = tabulate((), table_id=f"{view.prefix}needs")
    if view.choice is not None:
        about = encodings_about(view.manifest)
        checklist = choice_checklist(view.choice, about, table_id=checklist.table_id)
    sections = (
        scrub,
        hand_section(view),
        _encode_section(view, encode_cells, scrub_cells),
        throughput_section(view),
        fidelity_section(view),
        Section(
            anchor="whole-files",
            title="What else do the files keep?",
            nav="Whole files",
            tables=(survival_table(view),),
        ),
        *_other_sections(view),
        _choice_section(view),
        _making_section(view),
    )
    return RunContext(
        prefix=view.prefix,
        title=visible_text(scenario.title or scenario.name),
        description=visible_text(scenario.description),
        footage_words=footage_words(view.manifest.clips),
        basis=run_basis(view),
        answer=answer,
        checklist=checklist,
        standing=standing(view.choice) if view.choice else (),
        lead=lead,
        sections=filled_sections(*(_answered(section, answer) for section in sections)),
        cells=filled(scrub_cells, encode_cells),
        proofs=filled(run_tables.failure_table(view), run_tables.proof_table(view)),
        footage=run_tables.clip_table(view),
        encodings=run_tables.encoding_table(view),
        host=run_facts(view),
        steadiness=[text for text in steadiness if text not in answer.cautions],
        method=method_sentences(view),
        versions=version_facts(view),
    )


def _answered(section: Section, answer: Answer) -> Section:
    told = section.headline, *answer.by_question.get(section.anchor, ())
    first, *rest = [*filter(None, told)] or [""]
    return replace(section, headline=first, sentences=(*rest, *section.sentences))


def _choice_section(view: RunView) -> Section:
    """What the choice turns on, as figure and table; or why nothing can be chosen."""
    start = Section(anchor="choosing", title="What would change the choice?", nav="Choice")
    choice = view.choice
    if choice is None:
        problem = view.choice_problem
        return replace(start, headline=unchosen_text(problem)) if problem else start
    table_id = f"{view.prefix}choice"
    table, plane = choice_table(choice, table_id=table_id), choice_plane(choice)
    draws = [partial(draw_choice, choice, plane, anchors=table.links)] if plane else []
    told = (ORIGINAL,) if choice.needs else ()  # in the checklist
    first, *rest = (*tipping_sentences(choice), *details(choice))
    return replace(
        start,
        headline=first,
        sentences=tuple(rest),
        pictures=tuple(make_picture(table_id, draw) for draw in draws),
        tables=(table, doubt_table(choice, table_id=f"{table_id}-why", but=told)),
    )


def _making_section(view: RunView) -> Section:
    """How the recommended files are made."""
    start = Section(anchor="making", title="How are these files made?", nav="Files")
    making = view.choice and view.choice.making
    if not making:
        return start
    return replace(
        start,
        headline=making_headline(making),
        sentences=making_sentences(making),
        scripts=tuple(scripts_of(making).items()),
    )


def _scrub_section(view: RunView, cells: Table) -> tuple[Section, tuple[Picture, ...]]:
    """A tab for each setting, the leading one first; its figure stands on the first page."""
    tabs: list[Section] = []
    lead: tuple[Picture, ...] = ()
    for number, ranking in enumerate(view.rankings, start=1):
        table = run_tables.ranking_table(view, ranking)
        links = {"names": table.links, "cells": _by_encoding(cells, ranking.setting)}
        stem = f"{view.prefix}scrub-latency-{number}-{_setting_slug(ranking.setting)}"
        picture = make_picture(stem, partial(draw_latency, view, ranking, **links))
        label = setting_label(ranking, view.rankings[0])
        if not tabs:
            lead, spans_links = (picture,), links
        pictures = (picture,) if tabs else ()
        tabs.append(Section(anchor=stem, title=label, pictures=pictures, tables=(table,)))
    if tabs:
        stem = f"{view.prefix}where-the-waiting-goes"
        spans = make_picture(stem, partial(draw_spans, view, view.rankings[0], **spans_links))
        tabs.append(Section(anchor=stem, title=spans.title, pictures=(spans,)))
    for number, family in enumerate(view.link_families, start=1):
        stem = f"{view.prefix}link-speeds-{number}"
        each = [_by_encoding(cells, ranking.setting) for _, ranking in family]
        picture = make_picture(stem, partial(draw_links, view, family, each))
        tabs.append(Section(anchor=stem, title=picture.title, pictures=(picture,)))
    told = best_players(view.trials) if view.choice is None else ()  # else the choice tells it
    start = Section(anchor="time", title="Is scrubbing fast?", nav="Scrubbing", tabs=tuple(tabs))
    sentences = (*best_player_sentences(told), *waiting_sentences(view.rankings))
    return replace(start, sentences=sentences), lead


def _by_encoding(cells: Table, setting: Setting) -> dict[str, str]:
    return {c.encoding: anchor for c, anchor in cells.links.items() if c.setting == setting}


def _setting_slug(setting: Setting) -> str:
    """Of a file name, for a scrub setting: `jump-roll-4t-slice`; two may have the same."""
    axes = ("pattern", "policy", "threads", "player", "viewer_height", "link", "cache", "root")
    units = {"threads": "t"}
    return slug("-".join(f"{setting[a]}{units.get(a, '')}" for a in axes if setting[a]))


def _encode_section(view: RunView, cells: Table, scrub_cells: Table) -> Section:
    """Time, drawn where it is of several thread counts; disk against waiting where no choice is."""
    table = run_tables.encode_table(view)
    has_lines = any(len(by_threads) > 1 for by_threads in view.encodes.values())
    marks = {(c.encoding, c.setting["threads"]): anchor for c, anchor in cells.links.items()}
    draw = partial(draw_encode, view, anchors=table.links, cells=marks)
    speed = (make_picture(f"{view.prefix}encode-speed", draw),) if has_lines else ()
    time = Section(anchor="encode-time", title="time", pictures=speed, tables=(table,))
    return Section(
        anchor="encoding",
        title="What does encoding cost?",
        nav="Encoding",
        tabs=(
            replace(time, tables=(), folded=(table,)) if has_lines else time,
            Section(anchor="size", title="disk", pictures=_size_pictures(view, scrub_cells)),
        ),
    )


def _size_pictures(view: RunView, cells: Table) -> tuple[Picture, ...]:
    is_drawn = view.choice is not None and choice_plane(view.choice) is not None
    if is_drawn or not view.rankings:
        return ()
    first = view.rankings[0]
    if not any(entry.encoding in view.bitrates_bps for entry in first.entries):
        return ()
    draw = partial(draw_size, view, first, cells=_by_encoding(cells, first.setting))
    return (make_picture(f"{view.prefix}size-against-latency", draw),)


def _other_sections(view: RunView) -> Iterator[Section]:
    """Of every other task of the task table, cell by cell."""
    for task in sorted({summary.cell.task for summary in view.summaries} - SHOWN):
        table = cells_table(view, task)
        yield Section(anchor=slug(task), title=TASKS[task].label, tables=(table,))
