"""What is said of ingest and delivery names the setting where several were measured."""

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.fabricated_throughput import delivery_trial, ingest_trial
from mezzmark.model.records import Trial
from mezzmark.report.prose.throughput import throughput_sentences
from mezzmark.report.view import RunView

ROUNDS = range(4)


def _told(trials: list[Trial]) -> str:
    manifest = fabricate_manifest(Fabrication())
    (text,) = throughput_sentences(RunView(manifest, tuple(trials)))
    return text


def _delivery(passes: int, threads: int = 1) -> list[Trial]:
    """Exports of passes of a second each, whatever the threads."""
    made = [delivery_trial("VC-3 SQ", passes, index) for index in ROUNDS]
    return [_with(trial, threads=threads) for trial in made]


def _with(trial: Trial, **settings: object) -> Trial:
    cell = trial.cell.but(setting=trial.cell.setting.but(**settings))
    return trial.model_copy(update={"cell": cell})


@pytest.mark.parametrize(
    ("trials", "setting"),
    [
        ([*_delivery(1), *_delivery(2)], " (in one pass)"),
        ([*_delivery(2, 4)], ""),
        ([*_delivery(1, 4), *_delivery(2, 2)], " (in one pass with 4 threads)"),
    ],
)
def test_an_export_names_passes_and_threads_where_several_were_measured(
    trials: list[Trial], setting: str
) -> None:
    """One pass takes a second, two take two: the better one is named with what was varied, and
    nothing is named that had one value throughout."""
    text = _told(trials)
    assert text.startswith("The export for delivery ran at ")
    assert text.endswith(f" from VC-3 SQ{setting}.")


def test_an_export_names_threads_alone_where_only_they_differ() -> None:
    """The same passes with 2 threads and, twice as slow, with 1: the faster number is named."""
    slow = [_with(delivery_trial("VC-3 SQ", 2, index), passes=1, threads=1) for index in ROUNDS]
    assert _told([*slow, *_delivery(1, 2)]).endswith(" from VC-3 SQ (with 2 threads).")


def test_ingest_names_the_order_of_clips_where_several_were_measured() -> None:
    """Largest first takes two seconds less than the folder's order: it is named; a single order is
    not."""
    late = [ingest_trial("VC-3 SQ", index, order="fifo", late_s=2) for index in ROUNDS]
    early = [ingest_trial("VC-3 SQ", index, order="longest-first") for index in ROUNDS]
    assert (
        " to VC-3 SQ (longest clips first), each with its fastest order, number of jobs and "
        in (_told([*late, *early]))
    )
    assert " to VC-3 SQ, each with its fastest number of jobs and threads" in _told(early)
