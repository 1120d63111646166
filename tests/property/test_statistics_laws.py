"""Laws of intervals, tails, Holm and verdicts that hold for any data."""

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.tails import estimate_tail
from mezzmark.decide.compare.verdicts import Evidence, judge_evidence
from mezzmark.statistics.intervals import log_t_interval, mean_share_interval, t_interval
from mezzmark.statistics.paired import holm_adjusted, paired_change, undisturbed_change

COST = st.floats(0.1, 1000.0)
COSTS = st.lists(COST, min_size=3, max_size=20)
PAIRS = st.lists(st.tuples(COST, COST), min_size=3, max_size=15)
SCALE = st.sampled_from([0.001, 0.5, 2.0, 1e6])
LAW = settings(deadline=None)
"""No limit in seconds: the machine may be busy."""

MIRROR = {"improved": "regressed", "regressed": "improved", "slower": "inconclusive"}


def evidence_of(pairs: list[tuple[float, float]]) -> Evidence:
    before, after = zip(*pairs, strict=True)
    return Evidence(
        undisturbed=undisturbed_change(before, after, is_paired=True),
        typical=paired_change(before, after),
    )


def swapped(pairs: list[tuple[float, float]]) -> list[tuple[float, float]]:
    return [(after, before) for before, after in pairs]


@LAW
@given(st.lists(PAIRS, min_size=1, max_size=4))
def test_swapping_the_sides_mirrors_every_interval(cells: list) -> None:
    """Limits become their reciprocals; where the typical trial got no slower either way, regressed
    becomes improved, equivalent stays, and what is open stays open."""
    arguments = {"tolerance_fraction": 0.05, "confidence_level": 0.95}
    there = judge_evidence([evidence_of(c) for c in cells], **arguments)
    back = judge_evidence([evidence_of(swapped(c)) for c in cells], **arguments)
    for one, other in zip(there, back, strict=True):
        assert math.isclose(one.interval.low * other.interval.high, 1.0, abs_tol=1e-9)
        if max(one.typical.low, other.typical.low) <= 1.05:
            mirrored = MIRROR.get(one.verdict, one.verdict)
            assert other.verdict in (mirrored, "slower")


@LAW
@given(PAIRS, SCALE)
def test_units_of_cost_do_not_matter(pairs: list, scale: float) -> None:
    """Milliseconds or seconds: the same change."""
    one = evidence_of(pairs)
    other = evidence_of([(scale * before, scale * after) for before, after in pairs])
    for first, second in ((one.undisturbed, other.undisturbed), (one.typical, other.typical)):
        assert math.isclose(first.log_ratio, second.log_ratio, abs_tol=1e-9)
        assert math.isclose(first.standard_error, second.standard_error, abs_tol=1e-9)


@LAW
@given(PAIRS, st.floats(0.001, 0.5), st.floats(0.001, 0.5))
def test_a_wider_tolerance_never_unproves_equivalence(
    pairs: list, first: float, second: float
) -> None:
    """What lies within a tolerance lies within a wider one."""
    narrow, wide = sorted((first, second))
    verdicts = [
        judge_evidence([evidence_of(pairs)], tolerance_fraction=t, confidence_level=0.95)[0].verdict
        for t in (narrow, wide)
    ]
    assert verdicts[0] != "equivalent" or verdicts[1] == "equivalent"


@settings(LAW, max_examples=30)
@given(st.lists(PAIRS, min_size=2, max_size=4), st.randoms(use_true_random=False))
def test_the_order_of_cells_does_not_matter(cells: list, random) -> None:
    """Shuffled cells get their own judgements back."""
    order = list(range(len(cells)))
    random.shuffle(order)
    arguments = {"tolerance_fraction": 0.05, "confidence_level": 0.95}
    evidence = [evidence_of(cell) for cell in cells]
    plain = judge_evidence(evidence, **arguments)
    mixed = judge_evidence([evidence[k] for k in order], **arguments)
    assert [plain[k] for k in order] == list(mixed)


@LAW
@given(PAIRS)
def test_no_shown_interval_contradicts_its_verdict(pairs: list) -> None:
    """Beyond the tolerance, within it, above 1: as the interval lies, so the verdict says."""
    (found,) = judge_evidence(
        [evidence_of(pairs)] * 2, tolerance_fraction=0.05, confidence_level=0.95
    )[:1]
    low, high = found.interval.low, found.interval.high
    assert (found.verdict == "regressed") == (low > 1.05)
    assert found.verdict != "improved" or high < 1 / 1.05
    assert found.verdict != "equivalent" or 1 / 1.05 <= low <= high <= 1.05
    assert (found.verdict == "slower") <= (low > 1)
    assert found.is_change == ((low > 1 or high < 1) and found.verdict != "equivalent")


@LAW
@given(COSTS, st.floats(0.5, 0.98), SCALE)
def test_intervals_scale_and_widen(values: list[float], level: float, scale: float) -> None:
    """In other units the limits scale; at a higher level the interval holds the old one."""
    base = log_t_interval(values, confidence_level=level)
    scaled = log_t_interval([scale * value for value in values], confidence_level=level)
    assert math.isclose(scaled.low, scale * base.low, rel_tol=1e-6)
    assert math.isclose(scaled.high, scale * base.high, rel_tol=1e-6)
    wider = log_t_interval(values, confidence_level=level + 0.01)
    assert wider.low <= base.low <= base.point * (1 + 1e-12)
    assert base.point * (1 - 1e-12) <= base.high <= wider.high


@LAW
@given(st.lists(st.integers(0, 150).map(lambda n: n / 150), min_size=3, max_size=12))
def test_shares_stay_shares(shares: list[float]) -> None:
    """The limits lie within 0 and 1 about the mean; what is left of 1 has what is left of them; a
    higher level holds the lower."""
    found, high = (mean_share_interval(shares, confidence_level=level) for level in (0.95, 0.98))
    rest = mean_share_interval([1 - share for share in shares], confidence_level=0.95)
    assert 0 <= high.low <= found.low + 1e-9 <= found.point + 2e-9
    assert found.point <= found.high + 1e-9 <= high.high + 2e-9
    assert high.high <= 1
    assert math.isclose(found.low, 1 - rest.high, abs_tol=1e-6)


def test_shares_far_from_their_ends_have_students_t() -> None:
    """Shares that differ little about a half: both intervals are the same to a hundredth."""
    shares = [0.50, 0.51, 0.49, 0.505, 0.495, 0.5]
    found, plain = (
        make(shares, confidence_level=0.95) for make in (mean_share_interval, t_interval)
    )
    assert math.isclose(found.high - found.low, plain.high - plain.low, rel_tol=0.01)


@settings(LAW, max_examples=40)
@given(st.integers(0, 2**32 - 1), SCALE, st.sampled_from([0.05, 0.5, 0.9, 0.95]))
def test_tails_keep_their_laws(seed: int, scale: float, probability: float) -> None:
    """Order of trials and of samples does not matter; units scale; the interval holds its point;
    a higher level holds the lower one."""
    rng = np.random.default_rng(seed)
    trials = list(rng.lognormal(size=(6, 80)))
    base = estimate_tail(trials, probability, confidence_level=0.9)
    mixed = [rng.permutation(trials[k]) for k in rng.permutation(6)]
    assert estimate_tail(mixed, probability, confidence_level=0.9) == base
    scaled = estimate_tail([scale * t for t in trials], probability, confidence_level=0.9)
    assert math.isclose(scaled.point, scale * base.point, rel_tol=1e-9)
    higher = estimate_tail(trials, probability, confidence_level=0.95)
    if base.interval is not None:
        assert base.interval.low <= base.point <= base.interval.high
        assert math.isclose(scaled.interval.high, scale * base.interval.high, rel_tol=1e-9)
        if higher.interval is not None:
            assert higher.interval.low <= base.interval.low
            assert base.interval.high <= higher.interval.high


@LAW
@given(st.lists(st.floats(0, 1), max_size=12))
def test_holm_never_favours(p_values: list[float]) -> None:
    """Adjusted values are no smaller than raw ones, at most 1, at most Bonferroni's, and in the
    same order."""
    adjusted = holm_adjusted(p_values)
    for raw, found in zip(p_values, adjusted, strict=True):
        assert raw <= found <= min(1.0, len(p_values) * raw) + 1e-12
    order = np.argsort(p_values, kind="stable")
    assert (np.diff(adjusted[order]) >= -1e-12).all()
