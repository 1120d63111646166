"""What a template is given; report_templates/README.md documents every name."""

from collections.abc import Sequence
from dataclasses import dataclass

from mezzmark.decide.estimate.observed_run import complete_round_count
from mezzmark.report.figures.gallery import Picture, draw_gallery
from mezzmark.report.prose.answer import Answer
from mezzmark.report.prose.cautions import steadiness_sentences
from mezzmark.report.prose.footage import footage_words
from mezzmark.report.prose.numbers import (
    count_text,
    round_count_text,
    shown_name,
    visible_text,
)
from mezzmark.report.sections import background
from mezzmark.report.sections.choose import ChooseSection, build_choose_section
from mezzmark.report.sections.fidelity import FidelitySection, build_fidelity_section
from mezzmark.report.sections.throughput import ThroughputSection, build_throughput_section
from mezzmark.report.tables import run as tables
from mezzmark.report.tables.cells import (
    ENCODE_CELLS,
    SCRUB_CELLS,
    encode_cells_table,
    scrub_cells_table,
)
from mezzmark.report.tables.encodings import encoding_table
from mezzmark.report.tables.table import Table
from mezzmark.report.view import RunView


@dataclass(frozen=True, slots=True, kw_only=True)
class RunContext:
    """One run, ready to be written down. `prefix` begins every id that belongs to it."""

    prefix: str
    title: str
    description: str
    footage_words: str
    basis: str
    answer: Answer
    pictures: tuple[Picture, ...]
    rankings: tuple[Table, ...]
    encodes: Table
    proofs: Table
    failures: Table
    throughput: ThroughputSection | None
    fidelity: FidelitySection | None
    choice: ChooseSection | None
    scrub_cells: Table
    encode_cells: Table
    footage: Table
    encodings: Table
    host: list[tuple[str, str]]
    steadiness: list[str]
    method: list[str]
    versions: list[tuple[str, str]]

    def pictures_of(self, kind: str) -> tuple[Picture, ...]:
        """The figures of a kind; report_templates/README.md names the kinds."""
        return tuple(picture for picture in self.pictures if picture.kind == kind)


def run_contexts(views: Sequence[RunView]) -> tuple[RunContext, ...]:
    """One context per run; ids and file names get a prefix only where there are several."""
    return tuple(
        _run_context(view, "" if len(views) == 1 else f"run{index + 1}-")
        for index, view in enumerate(views)
    )


def _run_context(view: RunView, prefix: str) -> RunContext:
    scenario = view.manifest.scenario
    throughput = build_throughput_section(view, prefix=prefix)
    fidelity = build_fidelity_section(view, prefix=prefix)
    choice = build_choose_section(view, prefix=prefix)
    return RunContext(
        prefix=prefix,
        title=visible_text(scenario.title or scenario.name),
        description=visible_text(scenario.description),
        footage_words=footage_words(view.manifest.clips),
        basis=_basis(view),
        answer=view.answer,
        pictures=(
            *draw_gallery(view, prefix=prefix),
            *(choice.pictures if choice else ()),
            *(throughput.pictures if throughput else ()),
            *(fidelity.pictures if fidelity else ()),
        ),
        throughput=throughput,
        fidelity=fidelity,
        choice=choice,
        rankings=tuple(
            tables.ranking_table(view, ranking, table_id=f"{prefix}ranking-{index}")
            for index, ranking in enumerate(view.rankings)
        ),
        encodes=tables.encode_table(view, table_id=f"{prefix}encode"),
        proofs=tables.proof_table(view, table_id=f"{prefix}proof"),
        failures=tables.failure_table(view, table_id=f"{prefix}failures"),
        scrub_cells=scrub_cells_table(view, table_id=f"{prefix}{SCRUB_CELLS}"),
        encode_cells=encode_cells_table(view, table_id=f"{prefix}{ENCODE_CELLS}"),
        footage=tables.clip_table(view, table_id=f"{prefix}footage"),
        encodings=encoding_table(view, table_id=f"{prefix}encodings"),
        host=background.run_facts(view),
        steadiness=steadiness_sentences(view.steadiness, view.manifest),
        method=background.method_sentences(view),
        versions=background.version_facts(view),
    )


def _basis(view: RunView) -> str:
    """One line under the headline: on what, with what, how often."""
    manifest = view.manifest
    encodings = {trial.cell.encoding for trial in view.trials if trial.cell.task != "kernel"}
    host = manifest.host
    machine = host.cpu_model or host.host_label
    return (
        f"{shown_name(machine)}, {count_text(host.usable_core_count, 'core')} · "
        f"{count_text(len(manifest.clips), 'clip')} · "
        f"{count_text(len(encodings), 'encoding')} · "
        f"{round_count_text(complete_round_count(view), view.round_count)} · "
        f"{count_text(len(view.trials), 'trial')} · "
        f"{view.confidence_level * 100:g} % intervals in brackets"
    )
