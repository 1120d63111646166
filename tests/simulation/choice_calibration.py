"""Whether chances that a choice states come true as often as stated, in ten bins: moves of one or
two clips, ties, waits near the floor and near the edges of steps.

    python tests/simulation/choice_calibration.py [catalogues] [seed]

The truth is what the stated distributions give: quantiles by root-finding on the mixture of the
clips, needs on each clip by itself, and the rule applied to true values.
"""

import sys
from typing import Final

import numpy as np
from scipy import optimize, stats

from mezzmark.decide.choose.choice import ChoiceRequest
from mezzmark.decide.choose.draws import FigureSamples, draw_figures
from mezzmark.decide.choose.judge import choose_among
from mezzmark.decide.choose.preference import prefer
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.model.estimate import Estimate
from mezzmark.model.figures import parse_figure
from mezzmark.model.request import Need, parse_wishes

FLOOR_MS: Final = 40.0
MOVES: Final = 24
MOVE_SD: Final = 0.3
TRIAL_SD: Final = 0.05
ENCODE_SD: Final = 0.03
ROUNDS: Final = (6, 10, 15)
P50, P95, SPEED, RATE = (
    parse_figure(name, where="simulation")
    for name in ("scrub.jump.p50_ms", "scrub.jump.p95_ms", "encode.throughput_fps", "bitrate_bps")
)
WISHES = parse_wishes([f"less {P50.name}", f"more {SPEED.name}", f"less {RATE.name}"])
BINS: Final = 10

Claims = list[tuple[float, bool]]


def true_quantile(medians: np.ndarray, probability: float) -> float:
    """The log quantile of the clips' moves together, each clip alike; as deviations of one move and
    of its trial."""
    sd = float(np.hypot(MOVE_SD, TRIAL_SD))

    def short(log: float) -> float:
        return float(stats.norm.cdf((log - medians) / sd).mean()) - probability

    return float(optimize.brentq(short, medians.min() - 5, medians.max() + 5))


def timed(logs: np.ndarray, unit: str, **more: object) -> FigureSamples:
    """A figure of rounds with these logs."""
    estimate = estimate_values(np.exp(logs).tolist(), unit, logs.size, 0.95)
    kept = {(0, index): float(log) for index, log in enumerate(logs)}
    point = float(more.pop("point", logs.mean()))
    return FigureSamples(point=point, logs=kept, estimate=estimate, **more)


def simulate(rng: np.random.Generator) -> tuple[Claims, Claims]:
    """One catalogue: chances to be the best, and to meet the needs, each with whether it is so."""
    size, clips, rounds = int(rng.integers(2, 7)), int(rng.integers(1, 3)), int(rng.choice(ROUNDS))
    centre = np.log(FLOOR_MS) + rng.uniform(-0.4, 1.2, (size, 1))
    medians = centre + rng.normal(0, 0.3, (size, clips))
    speeds, bit_logs = rng.normal(3, 0.5, size), np.log(1e8) + rng.normal(0, 0.5, size)
    if rng.random() < 0.3:  # ties of all that can tie
        medians[1], speeds[1], bit_logs[1] = medians[0], speeds[0], bit_logs[0]
    p50 = np.array([true_quantile(row, 0.5) for row in medians])
    p95 = medians + stats.norm.ppf(0.95) * np.hypot(MOVE_SD, TRIAL_SD)
    limit = float(np.exp(rng.choice(p95.ravel()) + rng.normal(0, 0.1)))
    request = ChoiceRequest(
        needs=(Need.parse(f"{P95.name} <= {limit}"),), wishes=WISHES, floor_ms=FLOOR_MS
    )
    names = tuple(f"encoding {e}" for e in range(size))
    shared = rng.normal(0, TRIAL_SD / 2, (rounds, 1, 1))
    own = rng.normal(0, TRIAL_SD * np.sqrt(3) / 2, (size, rounds, clips, 1))
    moves = medians[:, None, :, None] + shared + own
    moves = moves + rng.normal(0, MOVE_SD, (size, rounds, clips, MOVES))
    encode = speeds[:, None] + rng.normal(0, ENCODE_SD, (size, rounds))
    samples = {
        P50: {
            name: timed(np.median(mine, axis=(1, 2)), "ms", point=float(np.median(mine)))
            for name, mine in zip(names, moves, strict=True)
        },
        P95: {
            name: FigureSamples(
                clips={
                    str(c): FigureSamples(moves=tuple(np.exp(mine[:, c])), point=0.0)
                    for c in range(clips)
                }
            )
            for name, mine in zip(names, moves, strict=True)
        },
        SPEED: {name: timed(mine, "fps") for name, mine in zip(names, encode, strict=True)},
        RATE: {
            name: FigureSamples(point=float(log), estimate=Estimate.exact(np.exp(log), "bit/s"))
            for name, log in zip(names, bit_logs, strict=True)
        },
    }
    draws = draw_figures(samples, names, rng=rng, draw_count=1000)
    choice = choose_among(request, draws, dict.fromkeys(names, ()), {})
    costs = np.stack([p50, -speeds, bit_logs], axis=1)
    met = (p95 <= np.log(limit)).all(axis=1)
    right = int(prefer(costs, met, request))
    best, all_needs = [], []
    for e, entry in enumerate(choice.encodings):
        # Two that are one in truth are one claim: that either of them is the best.
        alike = [twin for twin in range(size) if (medians[twin] == medians[e]).all()]
        if entry.chance_best is not None and e == alike[0]:
            chances = [choice.encodings[twin].chance_best or 0.0 for twin in alike]
            best.append((sum(chances), right in alike))
        if entry.chance_all is not None:
            all_needs.append((entry.chance_all, bool(met[e])))
    return best, all_needs


def table(claims: Claims) -> list[tuple[float, float, int, float]]:
    """A row a bin: mean stated, share that came true, how many, and the gap in standard errors."""
    stated, so = np.array([c for c, _ in claims]), np.array([s for _, s in claims])
    rows = []
    place = np.minimum((stated * BINS).astype(int), BINS - 1)
    for index in range(BINS):
        mine = place == index
        if mine.any():
            said, came, count = float(stated[mine].mean()), float(so[mine].mean()), int(mine.sum())
            error = max(float(np.sqrt(said * (1 - said) / count)), 0.5 / count)
            rows.append((said, came, count, (came - said) / error))
    return rows


def main(count: int, seed: int) -> None:
    """Prints both tables."""
    rng = np.random.default_rng(seed)
    found = [simulate(rng) for _ in range(count)]
    for name, place in (("to be the best", 0), ("to meet every need", 1)):
        print(f"| stated chance {name} | came true | claims | gap, standard errors |")
        print("|---|---|---|---|")
        for said, came, claims, gap in table([c for one in found for c in one[place]]):
            print(f"| {100 * said:.1f} % | {100 * came:.1f} % | {claims} | {gap:+.1f} |")


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:]]
    main(*(numbers + [3000, 20264][len(numbers) :]))
