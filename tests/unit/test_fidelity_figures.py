"""Figures and words of fidelity, from series and tags written out here, without FFmpeg."""

import math

import numpy as np
import pytest
from pydantic import ValidationError

from fixtures.fabricated_fidelity import EXPECTED, generation, reading, trial
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.choose.evidence import QUALITY_CAP_DB, bounded_quality
from mezzmark.decide.picture.fidelity import (
    compare_ladders,
    generation_figures,
    judge_encodings,
    rungs,
)
from mezzmark.decide.picture.tags import guessed_matrix, is_range_lost, tag_verdicts
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.footage import ColourTags
from mezzmark.model.tasks.fidelity import (
    METRICS,
    FidelitySettings,
    QualityMetric,
    TagSurvival,
    metric_of,
)
from mezzmark.model.tasks.spec import Figure
from mezzmark.report.prose.picture import consequence_words, picture_sentences, tag_text


def test_mean_and_worst() -> None:
    """A frame with 100 times the error is 20 dB worse, and counts like every other in the mean."""
    found = generation_figures(generation([1.0] * 99 + [100.0]), frame_rate=25)
    psnr = found.frames["psnr"]
    best = 10 * math.log10(255**2)
    assert psnr.worst == pytest.approx(best - 20)
    assert psnr.mean == pytest.approx(best - 0.2)
    assert found.bitrate_bps == pytest.approx(8 * 1000 * 25)


def test_identical_frames_have_no_decibels() -> None:
    """Identical frames are left out of the mean; without any other there is no figure, exact or
    not."""
    some = generation_figures(generation([0.0, 0.0, 4.0]), frame_rate=25)
    assert some.frames["psnr"].mean == pytest.approx(10 * math.log10(255**2 / 4))
    for is_exact in (True, False):
        every = generation_figures(generation([0.0] * 3, exact=is_exact), frame_rate=25)
        assert every.is_bit_exact == is_exact
        assert {"psnr", "xpsnr"}.isdisjoint(every.frames)


def test_a_metric_that_was_not_asked_for_has_no_figure() -> None:
    """An empty series of each metric leaves it out and no other."""
    whole = generation([4.0, 9.0])
    for name, series in (("psnr", "squared_error"), ("ssim", "ssim_all"), ("xpsnr", "xpsnr_db")):
        quality = whole.quality.model_copy(update={"xpsnr_db": ((40.0, 41.0, 42.0),) * 2})
        without = whole.model_copy(update={"quality": quality.model_copy(update={series: ()})})
        found = generation_figures(without, frame_rate=25)
        assert found.frames.keys() == METRICS.keys() - {name}


def test_a_made_up_metric_is_a_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """One more row is estimated over clips, is known by its figure, and may be asked for."""
    worth = Figure(name="worth", unit="", of=lambda _: None, better="more", meaning="made up")
    row = QualityMetric(
        label="Worth",
        filter_name="ssim",
        of=lambda quality: 1 / np.asarray(quality.ssim_all),
        figures=(worth,),
        decimals=2,
    )
    monkeypatch.setitem(METRICS, "worth", row)
    (judged,) = judge_encodings([trial("a", "x", [generation([4.0] * 3)])])
    found = judged.figure("worth")
    assert found is not None
    assert found.point == pytest.approx(1 / 0.9)
    assert metric_of("worth") == "worth"
    assert FidelitySettings(metrics=("worth",)).metrics == ("worth",)
    with pytest.raises(ValidationError, match="not one of"):
        FidelitySettings(metrics=("unheard-of",))


def test_intervals_are_over_clips() -> None:
    """Three clips give a t interval over their means, two give none; the worst frame over all
    clips is named with its clip."""
    errors = {"a": 1.0, "b": 2.0, "c": 4.0}
    trials = [trial(clip, "x", [generation([error] * 4)]) for clip, error in errors.items()]
    (judged,) = judge_encodings(trials)
    means = [10 * math.log10(255**2 / error) for error in errors.values()]
    estimate = judged.estimates["psnr"]
    half = 4.302653 * np.std(means, ddof=1) / math.sqrt(3)  # t of 2 degrees, 97.5 %
    assert estimate.point == pytest.approx(np.mean(means))
    assert estimate.low == pytest.approx(np.mean(means) - half, rel=1e-6)
    assert (estimate.worst, estimate.worst_clip) == (pytest.approx(min(means)), "c")
    (two,) = judge_encodings(trials[:2])
    assert two.estimates["psnr"].low is None
    assert [(w.kind, w.needed) for w in two.estimates["psnr"].withheld] == [("few_clips", 1)]


def test_a_trial_that_does_not_count_is_not_judged() -> None:
    """A failed trial, a flagged one, one of an arm, a second one of a clip, and a clip that the mix
    does not know change nothing; an encoding with no other has no entry."""
    first = trial("a", "x", [generation([1.0])])
    worse = trial("a", "x", [generation([9000.0])])
    apart = [
        worse.model_copy(update=change)
        for change in ({"outcome": "failed"}, {"flags": ("suspended",)}, {"arm": "null"})
    ]
    unknown = [trial("b", name, [generation([9000.0])]) for name in ("x", "y")]
    [judged] = judge_encodings([*apart, first, worse, *unknown], {"a": 1.0})
    assert judged == judge_encodings([first], {"a": 1.0})[0]
    assert judged.estimates["psnr"].sample_count == 1


def test_a_clip_counts_by_its_share() -> None:
    """A clip of half the footage counts as two of a quarter each in means of quality and bit rate;
    what a share of 0.5 adds to the interval's variance is four times what 0.25 adds."""
    errors = {"a": 1.0, "b": 2.0, "c": 4.0}
    trials = [trial(clip, "x", [generation([error] * 4)]) for clip, error in errors.items()]
    [judged] = judge_encodings(trials, {"a": 0.5, "b": 0.25, "c": 0.25})
    [doubled] = judge_encodings([*trials, trial("d", "x", [generation([1.0] * 4)])])
    estimate = judged.estimates["psnr"]
    assert estimate.point == pytest.approx(doubled.estimates["psnr"].point)
    assert judged.bitrate_bps == pytest.approx(doubled.bitrate_bps)
    gaps = [10 * math.log10(255**2 / error) - estimate.point for error in errors.values()]
    variance = 1.5 * (4 * gaps[0] ** 2 + gaps[1] ** 2 + gaps[2] ** 2) / 16
    assert estimate.low == pytest.approx(estimate.point - 4.302653 * math.sqrt(variance), rel=1e-6)


def test_generations_are_followed() -> None:
    """The mean PSNR by generation falls as the errors rise; a generation without any error has
    no figure."""
    generations = [generation([0.0], exact=True), generation([1.0], number=2)]
    (judged,) = judge_encodings([trial("a", "x", generations)])
    assert judged.by_generation_db == (None, pytest.approx(10 * math.log10(255**2)))


def test_ladders_of_two_codecs() -> None:
    """A codec whose every encoding has the error of the other's at half its bits is 50 % smaller
    at equal PSNR, and 10·log10(2) dB better where error falls as one over the rate."""
    anchor = ("vc3-lb", "vc3-sq", "vc3-hq", "vc3-hqx")
    test = ("rdd36-proxy", "rdd36-lt", "rdd36-standard", "rdd36-hq")
    trials = []
    for names, cost in ((anchor, 2), (test, 1)):
        for step, name in enumerate(names):
            found = generation([16.0 / 2**step] * 2)
            file_bytes = cost * 10_000 * 2**step
            trials.append(trial("a", name, [found.model_copy(update={"file_bytes": file_bytes})]))
    encodings = [find_encoding(name) for name in (*anchor, *test)]
    (found,) = compare_ladders(judge_encodings(trials), encodings)
    assert (found.anchor, found.test) == ("RDD 36", "VC-3")
    assert found.rate_fraction == pytest.approx(1.0)
    assert found.quality_db == pytest.approx(-10 * math.log10(2))


def survival(**changes: object) -> TagSurvival:
    """Tags that all survived, but for `changes`."""
    tags = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
    facts: dict[str, object] = {
        "encoding": "x",
        "container": "mov",
        "height_px": 1080,
        "written": tags,
        "read": tags,
        "chroma_location": ("topleft", "topleft"),
        "field_order": ("progressive", "progressive"),
        "sample_aspect": ("4/3", "4/3"),
        "timecode": ("01:02:03:04", "01:02:03:04"),
        "frame_rate": ("24000/1001", "24000/1001"),
        "duration_s": (0.125, 0.1251),
        "delta_e_shown": 0.0,
    }
    return TagSurvival.model_validate(facts | changes)


LOST = survival(
    read=ColourTags(),
    timecode=("01:02:03:04", None),
    sample_aspect=("4/3", "1"),
    chroma_location=(None, None),
    duration_s=(0.125, 0.25),
    delta_e_as_601=4.3,
    delta_e_as_full=5.6,
)


def test_kept_tags() -> None:
    """Nothing lost: ten tags kept, none of HDR asked for, and nothing is guessed."""
    kept = survival()
    assert [v.state for v in tag_verdicts(kept)] == ["kept"] * 10 + ["not asked"] * 2
    assert guessed_matrix(kept) is None
    assert not is_range_lost(kept)


def test_lost_and_changed_tags() -> None:
    """Each kind of loss is named, with what was written and read, and what is guessed instead: the
    matrix by the picture's height."""
    verdicts = {v.tag: v for v in tag_verdicts(LOST)}
    states = {tag: verdict.state for tag, verdict in verdicts.items()}
    assert states == {
        **dict.fromkeys(("range", "primaries", "transfer", "matrix", "timecode"), "lost"),
        **dict.fromkeys(("sample aspect", "duration"), "changed"),
        **dict.fromkeys(("field order", "rate"), "kept"),
        **dict.fromkeys(("chroma location", "mastering display", "light level"), "not asked"),
    }
    assert (verdicts["duration"].written, verdicts["duration"].read) == (0.125, 0.25)
    assert is_range_lost(LOST)
    assert guessed_matrix(LOST) == "BT.709"
    assert guessed_matrix(LOST.model_copy(update={"height_px": 576})) == "BT.601"


@pytest.mark.parametrize(
    ("field", "stated", "read", "pictures", "state", "is_told_of_pictures"),
    [
        ("matrix", 6, 5, 6, "kept", False),  # one meaning, two numbers
        ("transfer", 6, 1, 14, "kept", False),
        ("matrix", 6, 6, 1, "kept", True),
        ("matrix", 2, 6, 6, "added", False),  # what is guessed of 576 lines
        ("matrix", 2, 1, 1, "changed", True),
        ("matrix", 2, 2, 2, "not asked", False),
        ("matrix", 6, 2, 2, "lost", False),
        ("primaries", 9, 1, 2, "changed", False),
        ("transfer", 16, 18, 16, "changed", False),
    ],
)
def test_tags_are_held_against_each_other_by_meaning(
    field: str, stated: int, read: int, pictures: int, state: str, is_told_of_pictures: bool
) -> None:
    """Of an SD clip: code points of one meaning are one; the pictures' own tags are told where they
    mean something else than the clip, or than what viewers guess of it."""
    codes = {"written": stated, "read": read, "pictures": pictures}
    tags = {name: ColourTags(colour_range=1, **{field: code}) for name, code in codes.items()}
    verdicts = {v.tag: v for v in tag_verdicts(survival(**tags, height_px=576))}
    assert verdicts[field].state == state
    assert (verdicts[field].in_pictures is not None) == is_told_of_pictures


def test_clips_whose_tags_fare_alike_are_one_outcome() -> None:
    """Two clips that kept all are told together, a third that lost all apart; the larger shift of
    the two viewers counts."""
    kept = survival()
    found = [kept, kept.model_copy(update={"delta_e_by_pictures": 4.0}), LOST]
    trials = []
    for clip, tags in zip("abc", found, strict=True):
        made = trial(clip, "x", [generation([4.0])])
        measured = made.measurement.model_copy(update={"tags": tags})
        trials.append(made.model_copy(update={"measurement": measured}))
    [entry] = judge_encodings(trials)
    assert [outcome.clips for outcome in entry.tags] == [("a", "b"), ("c",)]
    shift = entry.figure("delta_e_tags")
    assert shift is not None
    assert shift.point == 4.0


def test_what_is_said_of_tags_and_encodings() -> None:
    """Tags one by one, what their loss does, and an encoding in a sentence that leaves its name as
    it was written."""
    chart = reading(EXPECTED, delta_e=0.2)
    refused = trial("a", "refused", [generation([4.0])])
    refusal = {"chart_refusal": "the encoder refused it"}
    measurement = refused.measurement.model_copy(update=refusal)
    entries = judge_encodings(
        [
            trial("a", "vc3-sq", [generation([4.0, 9.0])], chart=chart),
            trial("a", "ffv1", [generation([0.0], exact=True)], chart=chart),
            refused.model_copy(update={"measurement": measurement}),
        ]
    )
    contradictory = survival(pictures=ColourTags(matrix=9), delta_e_by_pictures=2.4)
    visible = {"read": LOST.read, "height_px": 576, "delta_e_shown": 2.4}
    lines = [
        *(f"{verdict.tag}: {tag_text(verdict)}" for verdict in tag_verdicts(LOST)),
        *(consequence_words(found) for found in (survival(), LOST, survival(**visible))),
        tag_text(tag_verdicts(contradictory)[3]),
        consequence_words(contradictory),
        *picture_sentences(entries),
    ]
    assert_matches_snapshot("\n".join(lines), "picture_sentences")


def test_interval_of_ssim_stays_below_one() -> None:
    """SSIM near 1 with a wide spread over clips has an interval that does not pass 1."""
    trials = []
    for clip, value in (("a", 0.80), ("b", 0.99), ("c", 0.999)):
        found = generation([1.0] * 4)
        series = found.quality.model_copy(update={"ssim_all": (value,) * 4})
        trials.append(trial(clip, "x", [found.model_copy(update={"quality": series})]))
    (judged,) = judge_encodings(trials)
    estimate = judged.estimates["ssim"]
    assert estimate.low < estimate.point < 1
    assert 0.99 < estimate.high < 1


def test_rungs_of_a_ladder() -> None:
    """Two encodings of one bit rate are one rung, the better; a dearer one that is worse is
    none."""
    points = [(100.0, 30.0), (200.0, 33.0), (201.0, 34.0), (400.0, 33.5), (800.0, 39.0)]
    assert rungs(points) == [(100.0, 30.0), (201.0, 34.0), (800.0, 39.0)]


def test_quality_figures_to_choose_by() -> None:
    """SSIM is the mean over clips; what came back untouched counts as 1 and as the cap in dB; what
    was not measured is none."""
    [lossy] = judge_encodings([trial("a", "lossy", [generation([4.0])])])
    psnr_db = 10 * math.log10(255**2 / 4)
    for name, expected in (("ssim", 0.9), ("psnr_db", psnr_db), ("psnr_worst_db", psnr_db)):
        found = lossy.figure(name)
        assert found is not None
        assert found.point == bounded_quality(name, found.point) == pytest.approx(expected)
    assert lossy.model_copy(update={"estimates": {}}).figure("ssim") is None
    assert lossy.figure("delta_e_max") is None
    assert (bounded_quality("ssim"), bounded_quality("psnr_db")) == (1.0, QUALITY_CAP_DB)
    assert bounded_quality("delta_e_p90", 0.01) == bounded_quality("delta_e_p90") == 0.1


def test_the_largest_patch_may_be_in_another_clip_than_the_largest_shift() -> None:
    """One clip is off by 3 in every patch, another by 9 in one only: the shift is told of the
    first, the largest patch of the second, and `choose` limits by those two."""
    even = reading(EXPECTED, delta_e=3.0)
    spot = reading(EXPECTED, delta_e=0.5)
    lone = spot.patches[0].model_copy(update={"delta_e_2000": 9.0})
    spot = spot.model_copy(update={"patches": (lone, *spot.patches[1:])})
    trials = [
        trial(clip, "lossy", [generation([4.0])], chart=chart)
        for clip, chart in (("even", even), ("spot", spot))
    ]
    [entry] = judge_encodings(trials)
    assert entry.worst_chart is entry.clips[0].diagnosis
    assert entry.worst_patch is entry.clips[1].diagnosis
    shifts = [entry.figure(name) for name in ("delta_e_max", "delta_e_p90")]
    assert [shift.point for shift in shifts if shift] == [9.0, 3.0]
