"""Scrubbing over a modelled link and from a cold file cache: the pictures are the same, and the
waiting is told apart."""

from pathlib import Path

import pytest

from fixtures.clip_zoo import ZOO, make_zoo_clip
from fixtures.scrubbed import indexed, scrub_job
from mezzmark.engines.play import scrub
from mezzmark.engines.play.scrub import run_scrub
from mezzmark.host.common import read_clock_ns
from mezzmark.host.file_pages import drop_pages, resident_fraction
from mezzmark.model.jobs import Measured
from mezzmark.model.link import LinkSettings
from mezzmark.model.tasks.scrub import PROVED, ScrubMeasurement, shown_proof
from mezzmark.model.tasks.spec import MediaReference

FRAMES = (5, 30, 31, 2, 47, 0)


@pytest.mark.parametrize("name", ["avc-mp4-audio", "avc-ts", "avc-mkv", "rdd36-mov"])
def test_moves_over_a_link_are_right_and_wait_for_it(name: str, tmp_path: Path) -> None:
    """Every picture is proved; a move that reads waits for one round trip at least, one that finds
    all in FFmpeg's own buffer does not, and without a link nothing is said of waiting."""
    media, found = indexed(make_zoo_clip(ZOO[name], tmp_path)), {}
    for link in (None, LinkSettings(rate="1 Gbit/s", round_trip_ms=2).link):
        job = scrub_job(media, FRAMES, link=link)
        ticks = iter(range(0, 10**12, 10**9))  # a second between any two looks at the clock
        found[link] = run_scrub(job, lambda: next(ticks)).measurement  # noqa: B023
    local, linked = found.values()
    assert isinstance(linked, ScrubMeasurement)
    assert set(shown_proof(linked)) <= set(PROVED)
    assert local.wait_ns == ()
    waited = [wait_ns >= 2_000_000 for wait_ns in linked.wait_ns]
    assert any(waited)
    assert waited == [read_bytes > 0 for read_bytes in linked.read_bytes]
    assert linked.shown_frame == local.shown_frame


def cold_run(media: MediaReference) -> Measured:
    return run_scrub(scrub_job(media, FRAMES, is_cold=True), read_clock_ns)


def test_cold_moves_are_proved_cold_and_planted_warm_ones_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None of the file is resident when a move begins, and every read is waiting. Where pages stay,
    or nothing is known of them, the trial is not called cold."""
    media = indexed(path := make_zoo_clip(ZOO["rdd36-mov"], tmp_path))
    drop_pages(path)
    if resident_fraction(path) != 0:
        pytest.skip("the file cache cannot be emptied, or not be asked, here")
    cold = cold_run(media)
    assert (cold.flags, cold.measurement.resident_fraction) == ((), (0.0,) * len(FRAMES))
    assert set(shown_proof(cold.measurement)) <= set(PROVED)
    pairs = zip(cold.measurement.wait_ns, cold.measurement.read_bytes, strict=True)
    assert all((wait_ns > 0) is (read_bytes > 0) for wait_ns, read_bytes in pairs)
    with monkeypatch.context() as warm:
        warm.setattr(scrub, "drop_pages", lambda path: Path(path).read_bytes())
        found = cold_run(media)
        assert (found.flags, found.measurement.resident_fraction) == (("not_cold",), (1.0,) * 6)
    monkeypatch.setattr(scrub, "resident_fraction", lambda path: None)
    unknown = cold_run(media)
    assert (unknown.flags, unknown.measurement.resident_fraction) == (("not_cold",), ())
