"""Clips become one figure by their shares of the footage's time, in one place."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from pydantic import ValidationError

from fixtures.fabricated_run import Fabrication, fabricate_manifest, fabricate_run
from mezzmark.decide.estimate.observed_run import Observation, ObservedRun
from mezzmark.decide.estimate.over_clips import (
    as_shown_speed,
    bitrates_over_clips,
    common_rounds,
    hours_per_hour,
    mix_of,
    over_clips,
    pool_clips,
    share_within,
)
from mezzmark.decide.estimate.ranking import Ranked, rank_encodings
from mezzmark.decide.size.inputs import gather_encodings
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate, OfClip
from mezzmark.model.run import Manifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Work
from mezzmark.report.prose.answer import run_answer
from mezzmark.report.prose.latency import instant_share_sentence
from mezzmark.report.prose.method import mix_text
from mezzmark.report.prose.numbers import estimate_text
from mezzmark.report.view import RunView

HALVES = {"slow": 0.5, "quick": 0.5}


def _encodes(fps: Mapping[str, float], rounds: int = 5) -> list[Observation]:
    return [
        Observation(
            cell=Cell(task="encode", clip=clip, encoding="e"),
            round_index=index,
            figures={"throughput_fps": speed},
            work=Work(sample_count=1, frame_count=100, wall_ns=round(100e9 / speed)),
        )
        for clip, speed in fps.items()
        for index in range(rounds)
    ]


def _scrubs(clip: str, rounds: list[np.ndarray]) -> list[Observation]:
    return [
        Observation(
            cell=Cell(task="scrub", clip=clip, encoding="e"),
            round_index=index,
            figures={"p50_ms": float(np.median(moves))},
            work=Work(sample_count=moves.size, latencies_ms=moves),
        )
        for index, moves in enumerate(rounds)
    ]


def _manifest(shares: tuple[float | None, float | None] = (None, None)) -> Manifest:
    """Two clips of 25 fps footage."""
    plain = fabricate_manifest(Fabrication(clips=("slow", "quick")))
    clips = (
        clip.model_copy(update={"share": share, "duration_s": clip.frame_count / 25})
        for clip, share in zip(plain.clips, shares, strict=True)
    )
    return plain.model_copy(update={"clips": tuple(clips)})


def test_an_hour_of_two_unlike_clips() -> None:
    """At 2 and 200 fps an hour of 25 fps footage takes (12.5 + 0.125) / 2 = 6.3125 h, and with nine
    parts of ten of the quick clip 1.3625 h."""
    for shares, hours in (((None, None), 6.3125), ((0.1, 0.9), 1.3625)):
        manifest = _manifest(shares)
        pooled = pool_clips(_encodes({"slow": 2, "quick": 200}), manifest)
        [speed] = (figures["throughput_fps"] for figures in pooled.values())
        assert hours_per_hour(speed, manifest).point == pytest.approx(hours)


def test_clips_of_unlike_size_or_rate_are_shown_in_real_time() -> None:
    """12.5 fps of 25 fps footage stay so; where one clip is of another rate they are 0.5 times
    real time."""
    manifest = _manifest()
    [figures] = pool_clips(_encodes({"slow": 12.5, "quick": 12.5}), manifest).values()
    assert as_shown_speed(figures["throughput_fps"], manifest).unit == "fps"
    slow, quick = manifest.clips
    other = slow.model_copy(update={"original": slow.original.model_copy(update={"width_px": 64})})
    unlike = manifest.model_copy(update={"clips": (other, quick)})
    shown = as_shown_speed(figures["throughput_fps"], unlike)
    assert (shown.point, shown.unit) == (pytest.approx(0.5), "× real time")


def test_a_clip_counts_its_share_however_many_moves_it_had() -> None:
    """Ten times the moves in the quick clip leave half of the mixture slow, and the slow clip is
    the one named; the limits do not move with the quick clip's number either way by much."""
    rng = np.random.default_rng(1)
    slow = [rng.normal(400, 5, 40) for _ in range(10)]
    for count in (40, 400):
        quick = [rng.normal(10, 1, count) for _ in range(10)]
        rounds = common_rounds([*_scrubs("slow", slow), *_scrubs("quick", quick)], HALVES)
        share = share_within(rounds, 100)
        assert share.point == pytest.approx(0.5)
        assert [(c.clip, c.point) for c in share.by_clip] == [("slow", 0.0), ("quick", 1.0)]
        p95 = over_clips(TASKS["scrub"].figure("p95_ms"), rounds, confidence_level=0.95)
        # 95 of 100 of the mixture is 90 of 100 of the slow clip
        assert p95.point == pytest.approx(np.quantile(np.concatenate(slow), 0.9), rel=1e-3)
        assert p95.low < p95.point < p95.high
        assert p95.by_clip[0].clip == "slow"


def test_the_clips_are_shown_where_one_number_says_little() -> None:
    """Half of the moves near 400 ms, half near 10: the median's interval spans both clips."""
    rng = np.random.default_rng(2)
    scrubs = [
        o
        for clip, ms in (("slow", 400), ("quick", 10))
        for o in _scrubs(clip, [rng.normal(ms, ms / 20, 24) for _ in range(8)])
    ]
    figure = TASKS["scrub"].figure("p50_ms")
    median = over_clips(figure, common_rounds(scrubs, HALVES), confidence_level=0.95)
    assert median.spans_clips
    assert [round(c.point, -1) for c in median.by_clip] == [400, 10]
    alone = over_clips(figure, common_rounds(scrubs, {"quick": 1.0}), confidence_level=0.95)
    assert not alone.spans_clips


def test_what_is_said_of_unlike_clips() -> None:
    """Clips of 400 and 10 ms are shown each by itself; the share within the limit names the worse
    one; and the page says how much each counts."""
    clips = (OfClip(clip="slow", point=400.0), OfClip(clip="quick", point=10.0))
    wide = Estimate.exact(60.0, "ms").model_copy(update={"by_clip": clips})
    assert estimate_text(wide) == "10.0 to 400 ms (slow 400; quick 10.0)"
    share = Estimate.exact(0.5, "").model_copy(
        update={"by_clip": (OfClip(clip="slow", point=0.0), OfClip(clip="quick", point=1.0))}
    )
    entry = Ranked(encoding="e", clip_count=2, estimates={}, wrong_count=0, instant_share=share)
    said = instant_share_sentence(entry)
    assert "50.0 % of the moves of e took at most 100 ms; fewest did with slow: 0 %" in said
    assert "slow 20.0 % and quick 80.0 %" in mix_text(_manifest((0.2, 0.8)))
    assert "counts alike" in mix_text(_manifest())


def test_an_encoding_that_lacks_a_clip_is_never_the_fastest() -> None:
    """It is shown with its own clip's figure, quicker than the other's, and its lack by name."""
    whole = {clip: [np.full(24, ms)] * 6 for clip, ms in (("slow", 40.0), ("quick", 20.0))}
    observations = [
        replace(o, cell=o.cell.model_copy(update={"encoding": name}))
        for name, clips in (("all", whole), ("part", {"quick": [np.full(24, 5.0)] * 6}))
        for clip, rounds in clips.items()
        for o in _scrubs(clip, rounds)
    ]
    setting = observations[0].cell.setting
    ranking = rank_encodings(ObservedRun(_manifest(), (), tuple(observations)), (), setting)
    assert [entry.encoding for entry in ranking.entries] == ["part", "all"]
    assert ranking.find("part").missing_clips == ("slow",)
    assert ranking.fastest.encoding == "all"


@pytest.mark.parametrize("task", ["scrub", "encode"])
def test_a_run_without_one_of_its_clips_says_so(task: str) -> None:
    """Where every encoding lacks a clip, none is called the fastest, and no picture wrong."""
    manifest, trials = fabricate_run(Fabrication(clips=("slow", "quick"), rounds=3))
    kept = tuple(t for t in trials if t.cell.clip == "slow" and t.cell.task == task)
    headline = run_answer(RunView(manifest, kept)).headline
    assert "no encoding was measured with every clip" in headline


def test_without_one_of_the_clips_there_is_no_figure() -> None:
    """The clips that count are fixed beforehand: a missing one is not left out of a mean."""
    mine = _encodes({"quick": 200})
    assert pool_clips(mine, _manifest()) == {}
    rounds = common_rounds(_scrubs("quick", [np.full(24, 10.0)] * 6), HALVES)
    assert share_within(rounds, 100) is None
    manifest = _manifest()
    lost = next(media for media in manifest.media if media.encoding != "original")
    kept = tuple(media for media in manifest.media if media is not lost)
    lacking = manifest.model_copy(update={"media": kept})
    assert set(bitrates_over_clips(manifest)) - set(bitrates_over_clips(lacking)) == {lost.encoding}


def test_bit_rates_are_weighted_by_time() -> None:
    """A quarter of the time at 100 Mbit/s and the rest at 20 make 40 Mbit/s, whatever the files'
    own lengths."""
    manifest = _manifest((0.25, 0.75))
    rates = {"slow": 100e6, "quick": 20e6}
    media = (m.model_copy(update={"bitrate_bps": rates[m.clip]}) for m in manifest.media)
    found = bitrates_over_clips(manifest.model_copy(update={"media": tuple(media)}))
    assert list(found.values()) == pytest.approx([40e6] * len(found))
    assert found


@pytest.mark.parametrize(
    ("shares", "problem"),
    [((0.5, None), "give all of them one"), ((0.5, 0.4), "add up to 0.9"), ((0.2, 0.8), "")],
)
def test_shares_of_a_scenario_add_up(shares: tuple[float | None, ...], problem: str) -> None:
    """All clips have a share or none has, and they make up the whole."""
    scenario = _manifest().scenario
    clips = [
        clip.model_copy(update={"share": share})
        for clip, share in zip(scenario.clips, shares, strict=True)
    ]
    if not problem:
        assert [c.share for c in scenario.but(clips=clips).clips] == list(shares)
        assert mix_of(_manifest((0.2, 0.8)).clips) == {"slow": 0.2, "quick": 0.8}
        return
    with pytest.raises(ValidationError, match=problem):
        Scenario.model_validate({**scenario.model_dump(), "clips": clips})


def test_size_and_report_have_one_bit_rate() -> None:
    """For cameras like the clips, bits a pixel times the mix's pixels a second is the bit rate."""
    manifest, trials = fabricate_run(Fabrication(clips=("slow", "quick"), rounds=3))
    small, large = manifest.clips
    wide = large.original.model_copy(update={"width_px": 3 * large.original.width_px})
    clips = (small, large.model_copy(update={"original": wide}))
    media = tuple(
        m.model_copy(update={"bitrate_bps": m.bitrate_bps * (1 + 5 * (m.clip == "quick"))})
        for m in manifest.media
    )
    unlike = manifest.model_copy(update={"clips": clips, "media": media})
    pixels_per_s = sum(clip.pixels_per_s for clip in clips) / 2
    bitrates = bitrates_over_clips(unlike)
    for found in gather_encodings([ObservedRun(unlike, trials)]):
        assert found.bits_per_pixel.point * pixels_per_s == pytest.approx(bitrates[found.encoding])
