"""The ingest queue's figures as draws: one simulation per draw of the ingest speed."""

from typing import Final

import numpy as np

from mezzmark.decide.draws import Drawn
from mezzmark.decide.queueing import simulate_shop
from mezzmark.decide.units import SECONDS_PER_HOUR
from mezzmark.facts.shop import Shop

SIMULATION_COUNT: Final = 200
"""Each simulation has its own cards and its own draw of the speed; 200 leave five beyond each
95 % limit."""

FIGURES: Final = {
    "utilisation": "utilisation",
    "card_wait_hours": "mean_wait_hours",
    "card_wait_p95_hours": "p95_wait_hours",
    "late_cards": "late_fraction",
}
"""Figure of the sizing → attribute of the simulation."""


def draw_queue(shop: Shop, pixel_rate: Drawn, *, rng: np.random.Generator) -> dict[str, Drawn]:
    """Waits of cards for the drawn ingest speeds, in pixels a second.

    The point is the mean over simulations at the measured point. The draws are shared out over
    as many as `pixel_rate` has, so that they combine with others.
    """
    pixels_per_hour = SECONDS_PER_HOUR * np.array([camera.pixels_per_s for camera in shop.cameras])

    def simulate(rate: float) -> list[float]:
        figures = simulate_shop(
            shop,
            machine_hours_per_footage_hour=pixels_per_hour / rate / SECONDS_PER_HOUR,
            rng=rng,
        )
        return [getattr(figures, attribute) for attribute in FIGURES.values()]

    rates = pixel_rate.draws[: min(SIMULATION_COUNT, pixel_rate.draws.size)]
    drawn = np.array([simulate(float(rate)) for rate in rates])
    points = np.array([simulate(pixel_rate.point) for _ in rates]).mean(axis=0)
    shares = rng.integers(0, len(rates), pixel_rate.draws.size)
    return {
        figure: Drawn(
            point=float(points[column]),
            draws=drawn[shares, column],
            round_count=pixel_rate.round_count,
            withheld=pixel_rate.withheld,
        )
        for column, figure in enumerate(FIGURES)
    }
