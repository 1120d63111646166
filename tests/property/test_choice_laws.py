"""Laws of preference for any figures: order of encodings, dominance, and margins."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mezzmark.decide.choose.choice import ChoiceRequest
from mezzmark.decide.choose.judge import choose_among
from mezzmark.decide.choose.preference import NOBODY, above_floor, dominance, prefer
from mezzmark.model.request import parse_wishes
from simulation.choice_rates import ask, draw_catalogue, draw_catalogue_figures

SIZES = st.tuples(st.integers(1, 9), st.integers(1, 4))
WISHES = parse_wishes(
    (
        "less scrub.jump.p50_ms",
        "less bitrate_bps",
        "more encode.throughput_fps",
        "less scrub.near.p95_ms",
    )
)
MARGINS = st.sampled_from((0.0, 0.05, 0.3))


def costs_of(seed: int, size: tuple[int, int], *, ties: bool) -> np.ndarray:
    rng = np.random.default_rng(seed)
    costs = rng.normal(0, 0.2, size)
    return np.round(costs, 1) if ties else costs


def rule_of(weighted: bool, margin: float, goals: int, seed: int) -> ChoiceRequest:
    weights = tuple(np.random.default_rng(seed).uniform(0.1, 3, goals)) if weighted else ()
    return ChoiceRequest(
        needs=(), wishes=WISHES[:goals], weights=weights, indifference_fraction=margin, floor_ms=1.0
    )


@settings(max_examples=400, deadline=None)
@given(st.integers(0, 10**6), SIZES, st.booleans(), MARGINS, st.booleans())
def test_a_dominated_encoding_is_never_preferred(
    seed: int, size: tuple[int, int], weighted: bool, margin: float, ties: bool
) -> None:
    """Whatever another one equals or beats in every goal, and beats in one, is not chosen."""
    costs = costs_of(seed, size, ties=ties)
    everyone = np.ones(size[0], dtype=bool)
    rule = rule_of(weighted, margin, size[1], seed)
    chosen = int(prefer(costs, everyone, rule))
    costs = above_floor(costs, rule)
    beaten = (costs <= costs[chosen]).all(axis=1) & (costs < costs[chosen]).any(axis=1)
    if weighted and ties:
        # Sums of rounded numbers may tie by rounding; a real difference may not be passed over.
        beaten &= (costs[chosen] - costs).max(axis=1) > 1e-9
    assert not beaten.any()
    assert dominance(costs[np.newaxis], everyone)[chosen] == 0


@settings(deadline=None)
@given(st.integers(0, 10**6), SIZES, st.booleans(), MARGINS)
def test_the_order_of_encodings_does_not_matter(
    seed: int, size: tuple[int, int], weighted: bool, margin: float
) -> None:
    """Shuffled encodings: the same one is preferred."""
    costs = costs_of(seed, size, ties=False)
    rule = rule_of(weighted, margin, size[1], seed)
    order = np.random.default_rng(seed + 1).permutation(size[0])
    everyone = np.ones(size[0], dtype=bool)
    assert order[int(prefer(costs[order], everyone, rule))] == int(prefer(costs, everyone, rule))


@settings(deadline=None)
@given(st.integers(0, 10**6), SIZES, st.booleans(), MARGINS)
def test_only_the_eligible_are_preferred(
    seed: int, size: tuple[int, int], weighted: bool, margin: float
) -> None:
    """Nobody eligible: nobody; else one of them, and within the margin of the best first goal."""
    costs = costs_of(seed, size, ties=False)
    eligible = np.random.default_rng(seed + 2).random(size[0]) < 0.5
    chosen = int(prefer(costs, eligible, rule_of(weighted, margin, size[1], seed)))
    if not eligible.any():
        assert chosen == NOBODY
        return
    assert eligible[chosen]
    if not weighted:
        waits = np.maximum(costs[:, 0], 0)  # the floor of 1 ms
        best = waits[eligible].min()
        assert waits[chosen] <= best + np.log1p(margin if size[1] > 1 else 0) + 1e-12


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 10**6), SIZES, st.booleans(), MARGINS, st.booleans())
def test_who_is_not_chosen_changes_nothing_among_the_others(
    seed: int, size: tuple[int, int], weighted: bool, margin: float, on_edges: bool
) -> None:
    """Independence of irrelevant alternatives: without any one that was not chosen, values on and
    near the edges of steps included, the same one is chosen."""
    rng = np.random.default_rng(seed)
    costs = costs_of(seed, size, ties=False)
    if on_edges:
        step = np.log1p(margin) or 0.1
        costs = np.round(costs / step) * step + rng.choice([-1e-7, 0, 1e-7], size)
    rule, everyone = rule_of(weighted, margin, size[1], seed), np.ones(size[0], dtype=bool)
    chosen = int(prefer(costs, everyone, rule))
    for gone in np.flatnonzero(np.arange(size[0]) != chosen):
        assert int(prefer(costs, np.arange(size[0]) != gone, rule)) == chosen


@settings(deadline=None)
@given(st.integers(0, 10**6), st.booleans())
def test_the_chances_of_one_choice_fit_together(seed: int, weighted: bool) -> None:
    """Chances of being best add up to no more than one, and nobody's exceeds its chance to meet
    all needs; who is ruled out has none."""
    rng = np.random.default_rng(seed)
    catalogue = draw_catalogue("bunched", rng, noise="normal", rounds=4)
    request = ask(catalogue, rng, is_weighted=weighted)
    draws = draw_catalogue_figures(catalogue, request, rng, draw_count=60)
    choice = choose_among(request, draws, dict.fromkeys(catalogue.names, ()), {})
    chances = [entry.chance_best for entry in choice.encodings]
    assert sum(chance or 0 for chance in chances) <= 1 + 1e-9
    for entry in choice.encodings:
        if entry.status == "ruled out":
            assert entry.chance_best is None
        elif entry.chance_best is not None:
            assert entry.chance_all is not None
            assert entry.chance_best <= entry.chance_all + 1e-9
