"""What each encoding asks of a shop: ingest, storage, network, and whether it pays off.

Pure: measured figures and a shop in, estimates out. Each measured interval is carried through as
draws (`mezzmark.decide.draws`); every assumption is a field of the shop and is listed.

Ingest time and stream size are taken as proportional to pixels and frame rate where cameras
differ from the clips measured. Waits of playhead moves are taken as measured.
"""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.draws import DRAW_COUNT, Drawn, combine, draw_estimate, estimate_drawn, exactly
from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.other_machines import predict_hours
from mezzmark.decide.queue_draws import draw_queue
from mezzmark.decide.sizing_inputs import MeasuredEncoding, gather_encodings
from mezzmark.decide.units import BITS_PER_BYTE, GB, MB, SECONDS_PER_HOUR, TB, TIB
from mezzmark.decide.units import link_payload_mb_per_s as payload_mb_per_s
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.shop import Shop, list_assumptions
from mezzmark.facts.sizing import (
    SIZING_FIGURES,
    Answer,
    CorePrediction,
    EncodingSizing,
    SizingResult,
)

MS_PER_MIN = 60_000.0
MIN_PER_HOUR = 60.0

_Floats = NDArray[np.float64]


def size_encodings(
    runs: Sequence[MeasuredRun],
    shop: Shop,
    *,
    rng: np.random.Generator,
    confidence_level: float = 0.95,
    draw_count: int = DRAW_COUNT,
) -> SizingResult:
    """What each encoding of the runs would ask of the shop.

    Raises RunError for no run or for runs of different machines. A figure whose measurement is
    missing is left out and a note says what to measure.
    """
    measured = gather_encodings(runs, confidence_level=confidence_level)
    core_count = runs[0].manifest.host.usable_core_count
    sizer = _Sizer(shop=shop, rng=rng, confidence_level=confidence_level, draw_count=draw_count)
    return SizingResult(
        shop=shop,
        assumptions=list_assumptions(shop),
        encodings=tuple(sizer.size(encoding, core_count) for encoding in measured),
        measured_core_count=core_count,
        link_payload_mb_per_s=_link_mb_per_s(shop),
        draw_count=draw_count,
        confidence_level=confidence_level,
        notes=_shape_notes(shop, measured),
    )


class _Sizer:
    """One shop and one source of draws, applied to each encoding in turn."""

    def __init__(
        self, *, shop: Shop, rng: np.random.Generator, confidence_level: float, draw_count: int
    ) -> None:
        self.shop, self.rng = shop, rng
        self.confidence_level, self.draw_count = confidence_level, draw_count

    def size(self, measured: MeasuredEncoding, core_count: int) -> EncodingSizing:
        """All figures of one encoding, and the two answers."""
        notes: list[str] = []
        found: dict[str, Drawn] = {}
        self._add_ingest(found, notes, measured)
        limited_by = self._add_streams(found, notes, measured)
        self._add_waits(found, notes, measured)
        return EncodingSizing(
            encoding=measured.encoding,
            figures={
                name: self._estimate(found[name], unit)
                for name, (unit, _) in SIZING_FIGURES.items()
                if name in found
            },
            meets_deadline=self._meets_deadline(found, measured),
            pays_off=self._pays_off(found, measured),
            limited_by=limited_by,
            on_other_machines=self._other_machines(found, measured, core_count),
            notes=tuple(notes),
        )

    def _draw(self, estimate: Estimate) -> Drawn:
        return draw_estimate(estimate, rng=self.rng, draw_count=self.draw_count)

    def _estimate(self, drawn: Drawn, unit: str) -> Estimate:
        return estimate_drawn(drawn, unit, confidence_level=self.confidence_level)

    def _add_ingest(
        self, found: dict[str, Drawn], notes: list[str], measured: MeasuredEncoding
    ) -> None:
        if measured.encoding == ORIGINAL:
            notes.append("nothing to ingest: editors work on the originals")
            return
        if measured.pixel_rate is None:
            notes.append("ingest speed was not measured: add an [ingest] or a [grid] table")
            return
        if not measured.rate_source.startswith("ingest"):
            notes.append(
                f"ingest speed is that of encoding alone ({measured.rate_source}), without "
                "decoding the originals, and so too hopeful: add an [ingest] table"
            )
        rate = self._draw(measured.pixel_rate)
        pixels = sum(
            camera.count
            * camera.hours_per_day
            * SECONDS_PER_HOUR
            * float(camera.frame_rate)
            * camera.width_px
            * camera.height_px
            for camera in self.shop.cameras
        )
        machines = self.shop.ingest_machines
        found["ingest_hours_per_day"] = combine(
            lambda r: pixels / r / SECONDS_PER_HOUR / machines, rate
        )
        queue = draw_queue(self.shop, rate, rng=self.rng)
        found |= queue
        if not np.isfinite(queue["card_wait_hours"].point):
            notes.append("the ingest machines never catch up: the queue grows from day to day")

    def _add_streams(
        self, found: dict[str, Drawn], notes: list[str], measured: MeasuredEncoding
    ) -> Literal["link", "array", ""]:
        shop = self.shop
        stream = self._stream_bps(measured)
        if stream is None:
            notes.append("its size was not measured")
            return ""
        footage_hours = sum(camera.count * camera.hours_per_day for camera in shop.cameras)
        originals_gb = sum(
            camera.count * camera.hours_per_day * camera.bitrate_bps for camera in shop.cameras
        ) * (SECONDS_PER_HOUR / BITS_PER_BYTE / GB)
        day_gb = combine(
            lambda b: b * footage_hours * SECONDS_PER_HOUR / BITS_PER_BYTE / GB, stream
        )
        copies = 0 if measured.encoding == ORIGINAL else shop.copies
        kept_bytes = combine(
            lambda gb: (
                (copies * gb + shop.original_copies * originals_gb) * GB * shop.retention_days
            ),
            day_gb,
        )
        if measured.encoding != ORIGINAL:
            found["intermediate_gb_per_day"] = day_gb
        found["storage_tb"] = combine(lambda size: size / TB, kept_bytes)
        found["storage_tib"] = combine(lambda size: size / TIB, kept_bytes)
        played = combine(lambda b: b * shop.streams_per_editor / BITS_PER_BYTE / MB, stream)
        found["network_peak_mb_per_s"] = combine(lambda mb: mb * shop.editors, played)
        link, array = _link_mb_per_s(shop) * shop.link_usable_fraction, shop.array_mb_per_s
        found["editors_carried"] = combine(lambda mb: np.floor(min(link, array) / mb), played)
        if measured.stream_s_per_move is None:
            notes.append("bytes read per playhead move were not measured: add a [scrub] table")
        else:
            found["network_mean_mb_per_s"] = combine(
                lambda b, s, mb: (
                    shop.editors
                    * (
                        shop.moves_per_hour / SECONDS_PER_HOUR * s * b / BITS_PER_BYTE / MB
                        + shop.playing_fraction * mb
                    )
                ),
                stream,
                self._draw(measured.stream_s_per_move),
                played,
            )
        return "link" if link <= array else "array"

    def _stream_bps(self, measured: MeasuredEncoding) -> Drawn | None:
        """Mean bit rate of one stream over the shop's footage hours."""
        cameras = self.shop.cameras
        hours = np.array([camera.count * camera.hours_per_day for camera in cameras])
        if measured.encoding == ORIGINAL:
            rates = np.array([camera.bitrate_bps for camera in cameras])
            return exactly(float(rates @ hours / hours.sum()), draw_count=self.draw_count)
        if measured.bits_per_pixel is None:
            return None
        pixels = np.array([c.width_px * c.height_px * float(c.frame_rate) for c in cameras])
        mean_pixels = float(pixels @ hours / hours.sum())
        return combine(lambda bits: bits * mean_pixels, self._draw(measured.bits_per_pixel))

    def _add_waits(
        self, found: dict[str, Drawn], notes: list[str], measured: MeasuredEncoding
    ) -> None:
        if measured.encoding == ORIGINAL:
            return
        shop = self.shop
        moves = shop.moves_per_hour * shop.editing_hours_per_day
        added = found.get("card_wait_hours")
        if added is not None and np.isfinite(added.point):
            awaited = shop.awaited_cards_per_day
            added = combine(lambda hours: hours * awaited * MIN_PER_HOUR, added)
            found["wait_added_min_per_day"] = added
        else:
            added = None
        if measured.saved_ms is None:
            notes.append(
                "waits were not measured on the originals as well: add a [scrub] table "
                'and the encoding "original"'
            )
            return
        saved_ms = self._draw(measured.saved_ms)
        saved = combine(lambda ms: ms * moves / MS_PER_MIN, saved_ms)
        found["wait_saved_min_per_day"] = saved
        if added is None:
            return
        found["wait_balance_min_per_day"] = combine(lambda a, b: a - b, saved, added)
        if saved_ms.point > 0:
            found["moves_to_pay_off"] = combine(_moves_to_pay_off, added, saved_ms)
        else:
            notes.append("it never pays off by waiting less: moves are no faster than originals'")

    def _other_machines(
        self, found: dict[str, Drawn], measured: MeasuredEncoding, core_count: int
    ) -> tuple[CorePrediction, ...]:
        now = found.get("ingest_hours_per_day")
        if now is None:
            return ()
        return tuple(
            predict_hours(
                now,
                measured.scaling,
                core_count=count,
                measured_core_count=core_count,
                rng=self.rng,
                confidence_level=self.confidence_level,
            )
            for count in self.shop.core_counts
        )

    def _meets_deadline(self, found: dict[str, Drawn], measured: MeasuredEncoding) -> Answer:
        if measured.encoding == ORIGINAL:
            return "yes"
        late = found.get("late_cards")
        if late is None:
            return "not measured"
        estimate = self._estimate(late, "")
        if estimate.low is None or estimate.high is None:
            return "cannot tell"
        if estimate.high <= self.shop.late_cards_fraction:
            return "yes"
        return "no" if estimate.low > self.shop.late_cards_fraction else "cannot tell"

    def _pays_off(self, found: dict[str, Drawn], measured: MeasuredEncoding) -> Answer:
        wait = found.get("card_wait_hours")
        if wait is not None and not np.isfinite(wait.point):
            return "no"  # footage that is never ready saves nobody any time
        balance = found.get("wait_balance_min_per_day")
        if measured.encoding == ORIGINAL or balance is None:
            return "not measured"
        estimate = self._estimate(balance, "min")
        if estimate.low is None or estimate.high is None:
            return "cannot tell"
        if estimate.low > 0:
            return "yes"
        return "no" if estimate.high < 0 else "cannot tell"


def _moves_to_pay_off(added_min: _Floats, saved_ms: _Floats) -> _Floats:
    """Moves whose savings equal the wait added; without savings no number is enough."""
    with np.errstate(divide="ignore"):
        moves = added_min * MS_PER_MIN / np.where(saved_ms > 0, saved_ms, 0.0)
    return np.asarray(moves)


def _link_mb_per_s(shop: Shop) -> float:
    return payload_mb_per_s(
        shop.link_gbps, mtu_bytes=shop.mtu_bytes, header_bytes=shop.header_bytes
    )


def _shape_notes(shop: Shop, measured: Sequence[MeasuredEncoding]) -> tuple[str, ...]:
    """Where cameras differ in size from the clips measured, and what was assumed."""
    sizes = {size for encoding in measured for size in encoding.clip_sizes}
    return tuple(
        f'"{camera.name}" shoots {camera.width_px}×{camera.height_px}, which was not measured: '
        "ingest and size are scaled by pixels, waits are taken as measured"
        for camera in shop.cameras
        if (camera.width_px, camera.height_px) not in sizes
    )
