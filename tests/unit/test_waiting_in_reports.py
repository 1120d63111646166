"""What a report says of moves that waited for storage."""

import pytest

from fixtures.fabricated_run import fabricate_run
from mezzmark.decide.choose.choose import choose_encoding
from mezzmark.decide.choose.evidence import list_encodings
from mezzmark.model.cell import KERNEL_CLIP, STORAGE_ENCODING, Cell, Setting
from mezzmark.model.errors import ScenarioError
from mezzmark.model.link import LinkSettings
from mezzmark.model.records import Trial
from mezzmark.model.request import ChooseSettings
from mezzmark.model.tasks.storage import StorageMeasurement
from mezzmark.report.export.tidy import samples_frame
from mezzmark.report.figures.scatter import draw_links
from mezzmark.report.figures.theme import theme_context
from mezzmark.report.prose.latency import waiting_sentences
from mezzmark.report.tables.tasks import cells_table
from mezzmark.report.view import RunView

LINK = "1 Gbit/s, 0.5 ms"


def linked(trial: Trial) -> Trial:
    """The trial over a link, for which move n waits n ms; the last one's picture is wrong."""
    count = len(trial.measurement.proof)
    measured = trial.measurement.model_copy(
        update={
            "wait_ns": (*(n * 1_000_000 for n in range(1, count)), 10**12),
            "proof": ("right",) * (count - 1) + ("wrong",),
        }
    )
    cell = trial.cell.but(setting=trial.cell.setting.but(link=LINK))
    return trial.model_copy(update={"cell": cell, "measurement": measured})


def test_waiting_is_told_of_cells_that_were_looked_at_and_no_others() -> None:
    """The median wait of proved moves is a figure of linked cells alone; the table has a column for
    it only where there are any, and each linked setting has its sentence."""
    manifest, trials = fabricate_run()
    scrubs = [trial for trial in trials if trial.cell.task == "scrub"]
    local = RunView(manifest, tuple(scrubs))
    both = RunView(manifest, (*scrubs, *map(linked, scrubs)))
    for view, is_looked_at in ((local, False), (both, True)):
        heads = [column.head for column in cells_table(view, "scrub").columns]
        assert ("storage" in heads) is is_looked_at
        settings = [r.setting for r in view.rankings if r.setting["link"]]
        assert len(waiting_sentences(view.rankings)) == len(settings)
        assert bool(settings) is is_looked_at
    count = len(scrubs[0].measurement.proof)
    for ranking in both.rankings:
        for entry in ranking.entries:
            wait = entry.estimates.get("wait_p50_ms")
            assert (wait is not None) is (ranking.setting["link"] == LINK)
            if wait:
                assert wait.point == pytest.approx(count / 2)


def test_moves_over_a_link_are_exported_and_drawn_by_its_rate() -> None:
    """Each move's wait is in the table of moves, a gap where nobody looked. Two links that differ
    in their rate alone are one figure with two marks each encoding and rate; one link is none."""
    manifest, trials = fabricate_run()
    scrubs = [trial for trial in trials if trial.cell.task == "scrub"]
    both = [*scrubs, *map(linked, scrubs)]
    waits = samples_frame([RunView(manifest, tuple(both))]).wait_ns
    told = [ns for trial in both for ns in trial.measurement.wait_ns]
    assert (waits.dropna().tolist(), waits.isna().sum()) == (told, len(told))
    links = [LinkSettings(rate=rate).link for rate in ("1 Gbit/s", "10 Gbit/s")]
    faster = {"link": links[1].name}
    tenfold = [
        one.model_copy(update={"cell": one.cell.but(setting=one.cell.setting.but(**faster))})
        for one in map(linked, scrubs)
    ]
    one, two = (
        RunView(manifest.model_copy(update={"links": tuple(links)}), tuple(both + more))
        for more in ([], tenfold)
    )
    assert one.link_families == []
    family, *_ = two.link_families
    assert [link.rate_bps for link, _ in family] == [1e9, 1e10]
    anchors = [{entry.encoding: "row" for entry in ranking.entries} for _, ranking in family]
    with theme_context():
        assert len(draw_links(two, family, anchors).links) == 2 * 2 * len(anchors[0])


def test_a_run_of_raw_storage_alone_has_a_table_and_no_choice() -> None:
    """Rates of three rounds stand in the storage table as 100 MB/s; there is no encoding to choose
    from, which is said as of any run that measured no wish."""
    manifest, trials = fabricate_run()
    setting = Setting(access="sequential", request_kib=1024, jobs=2)
    cell = Cell(task="storage", clip=KERNEL_CLIP, encoding=STORAGE_ENCODING, setting=setting)
    measured = StorageMeasurement(
        access="sequential",
        byte_count=10**8,
        wall_ns=10**9,
        process_start_ns=(0, 5),
        process_end_ns=(10**9, 10),
    )
    changes = {"cell": cell, "measurement": measured, "blocks": 1, "arm": "", "flags": ()}
    of_rounds = {trial.round_index: trial for trial in trials}.values()
    stored = tuple(trial.model_copy(update=changes) for trial in of_rounds)
    view = RunView(manifest.model_copy(update={"encodings": ()}), stored)
    (summary,) = view.summaries
    assert summary.estimates["mb_per_s"].point == pytest.approx(100)
    assert len(cells_table(view, "storage").rows) == 1
    assert list_encodings([view]) == ()
    with pytest.raises(ScenarioError, match="none of the wishes was measured"):
        choose_encoding([view], ChooseSettings())
