"""What each encoding asks of a shop: ingest, storage, network, and whether it pays off.

Pure: measured figures and a shop in, estimates out. Each measured interval is carried through as
draws (`mezzmark.decide.estimate.draws`); every assumption is a field of the shop and is listed.

Ingest time and stream size are taken as proportional to pixels and frame rate where cameras
differ from the clips measured. Waits of playhead moves are taken as measured. Long because all
figures of an encoding come of the same draws."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from mezzmark.decide.estimate.draws import (
    DRAW_COUNT,
    Drawn,
    combine,
    draw_estimate,
    estimate_drawn,
    exactly,
)
from mezzmark.decide.estimate.observed_run import Runs
from mezzmark.decide.size import queue, result
from mezzmark.decide.size.inputs import MeasuredEncoding, gather_encodings, measured_storage
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.shop import Shop, list_assumptions
from mezzmark.statistics.intervals import Floats

BITS_PER_BYTE: Final = 8
MB: Final = 1e6
GB: Final = 1e9
TB: Final = 1e12
TIB: Final = 2.0**40
FRAME_OVERHEAD_BYTES: Final = 38  # Preamble 8, header 14, check sequence 4, gap 12 (IEEE 802.3)
MS_PER_MIN: Final = 60_000.0
MIN_PER_HOUR: Final = 60.0


def payload_mb_per_s(shop: Shop) -> float:
    """What the shop's link carries at best, in 10⁶ payload bytes a second, in full frames.
    `header_bytes` lie inside the MTU (52: IPv4 and TCP with time stamps)."""
    fraction = (shop.mtu_bytes - shop.header_bytes) / (shop.mtu_bytes + FRAME_OVERHEAD_BYTES)
    return shop.link_gbps * 1e9 * fraction / BITS_PER_BYTE / MB


def planned_link_mb_per_s(shop: Shop) -> float:
    """What of the link may be planned for, in 10⁶ bytes a second."""
    return payload_mb_per_s(shop) * shop.link_usable_fraction


def carried_by(shop: Shop, read: Estimate | None) -> tuple[result.Limit, float]:
    """What limits the streams of all editors, and at how many 10⁶ bytes a second: storage as it was
    read, link included, where the link could have carried that; else what the shop says."""
    planned = planned_link_mb_per_s(shop)
    if read is not None and read.point <= payload_mb_per_s(shop):
        return "storage", read.point
    if read is not None or planned <= shop.array_mb_per_s:
        return "link", planned
    return "array", shop.array_mb_per_s


def footage_gb(bitrate_bps: float, hours: float) -> float:
    """Size of `hours` of footage, in 10⁹ bytes."""
    return bitrate_bps * hours * queue.SECONDS_PER_HOUR / BITS_PER_BYTE / GB


def size_encodings(
    runs: Runs, shop: Shop, *, rng: np.random.Generator, draw_count: int = DRAW_COUNT
) -> result.SizingResult:
    """What each encoding of the runs would ask of the shop. Raises RunError for no run or for runs
    of different machines. What was not measured is left out, and a note says so."""
    read, write = measured_storage(runs, "sequential"), measured_storage(runs, "write")
    measured = [_as_written(one, write) for one in gather_encodings(runs)]
    core_count = runs[0].manifest.host.usable_core_count
    sizer = _Sizer(shop=shop, rng=rng, draw_count=draw_count, read=read)
    originals = [clip.original for run in runs for clip in run.manifest.clips]
    sizes = {(original.width_px, original.height_px) for original in originals}
    return result.SizingResult(
        shop=shop,
        assumptions=list_assumptions(shop),
        encodings=tuple(sizer.size(encoding, core_count) for encoding in measured),
        unmeasured_cameras=tuple(
            camera.name
            for camera in shop.cameras
            if (camera.width_px, camera.height_px) not in sizes
        ),
        measured_core_count=core_count,
        link_payload_mb_per_s=payload_mb_per_s(shop),
        read_mb_per_s=read,
        draw_count=draw_count,
        confidence_level=CONFIDENCE_LEVEL,
    )


def _as_written(measured: MeasuredEncoding, write: Estimate | None) -> MeasuredEncoding:
    """No faster than storage was measured to take what ingest writes."""
    rate, bits = measured.pixel_rate, measured.bits_per_pixel
    if write is None or rate is None or bits is None:
        return measured
    most = write.scaled(BITS_PER_BYTE * MB / bits.point, "px/s")
    if rate.point <= most.point:
        return measured
    return replace(measured, pixel_rate=most, scaling=None, is_storage_bound=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sizer:
    """One shop and one source of draws, applied to each encoding in turn."""

    shop: Shop
    rng: np.random.Generator
    draw_count: int
    read: Estimate | None

    def size(self, measured: MeasuredEncoding, core_count: int) -> result.EncodingSizing:
        """All figures of one encoding, and the three answers."""
        is_original = measured.encoding == ORIGINAL
        ingest = {} if is_original else self._ingest(measured)
        rate = ingest.pop("pixel_rate", None)
        found = ingest | self._streams(measured)
        found |= {} if is_original else self._waits(measured, ingest.get("card_wait_hours"))
        units = {name: unit for name, unit in result.SIZING_FIGURES.items() if name in found}
        figures = {name: estimate_drawn(found[name], unit) for name, unit in units.items()}
        in_time = "yes" if is_original else result.meets_deadline(self.shop, figures)
        elsewhere: tuple[result.CorePrediction, ...] = ()
        if rate is not None:
            if in_time != "yes":
                # A child's draws leave those of the other figures as they are.
                seed = int(self.rng.spawn(1)[0].integers(2**32))
                needed = queue.find_machines_needed(self.shop, rate, figures, seed=seed)
                figures["machines_needed"] = needed
            elsewhere = queue.predict_ingest(
                self.shop,
                measured.scaling,
                hours=found["ingest_hours_per_day"],
                pixel_rate=rate,
                measured_core_count=core_count,
                rng=self.rng,
            )
        figures |= self._decoded(measured)
        is_bound = measured.rate_source is not None and measured.rate_source.is_bound

        def bounded(answer: result.Answer) -> result.Answer:
            """From an upper bound on speed only "no" follows."""
            return "cannot tell" if is_bound and answer == "yes" else answer

        return result.EncodingSizing(
            encoding=measured.encoding,
            figures=figures,
            keeps_up="yes" if is_original else bounded(result.keeps_up(figures)),
            meets_deadline=in_time if is_original else bounded(in_time),
            pays_off=bounded(result.pays_off(figures)),
            carries=result.carries(self.shop, figures),
            fits=result.fits(self.shop, figures),
            rate_source=measured.rate_source,
            limited_by=self._editors_limit(figures),
            played_in=measured.played[1] if measured.played else "",
            has_long_cards=result.has_long_cards(self.shop, figures),
            on_other_machines=tuple(
                one.model_copy(update={"meets_deadline": bounded(one.meets_deadline)})
                for one in elsewhere
            ),
            notes=tuple(_notes(measured, figures)),
        )

    def _editors_limit(self, figures: Mapping[str, Estimate]) -> result.Limit:
        """What the smallest number of editors comes from."""
        carried, decoded = figures.get("editors_carried"), figures.get("editors_decoded")
        if decoded is not None and (carried is None or decoded.point < carried.point):
            return "decoding"
        return "" if carried is None else carried_by(self.shop, self.read)[0]

    def _draw(self, estimate: Estimate) -> Drawn:
        return draw_estimate(estimate, rng=self.rng, draw_count=self.draw_count)

    def _ingest(self, measured: MeasuredEncoding) -> dict[str, Drawn]:
        """What ingest takes, and `pixel_rate` in pixels a second, where the speed is known."""
        if measured.pixel_rate is None:
            return {}
        rate = self._draw(measured.pixel_rate)
        pixels = sum(
            camera.count * camera.hours_per_day * queue.SECONDS_PER_HOUR * camera.pixels_per_s
            for camera in self.shop.cameras
        )
        machines = self.shop.ingest_machines
        hours = combine(lambda r: pixels / r / queue.SECONDS_PER_HOUR / machines, rate)
        return queue.draw_queue(self.shop, rate, rng=self.rng) | {
            "pixel_rate": rate,
            "ingest_hours_per_day": hours,
            "utilisation": combine(lambda h: h / queue.HOURS_PER_DAY, hours),
            "encode_again_days": combine(
                lambda h: h * self.shop.retention_days / queue.HOURS_PER_DAY, hours
            ),
        }

    def _streams(self, measured: MeasuredEncoding) -> dict[str, Drawn]:
        """What is stored and carried, and for how many editors; nothing of unmeasured sizes."""
        shop, is_original = self.shop, measured.encoding == ORIGINAL
        hours = np.array([camera.count * camera.hours_per_day for camera in shop.cameras])
        if is_original:
            rates = np.array([camera.bitrate_bps for camera in shop.cameras])
            stream_bps = exactly(float(rates @ hours / hours.sum()), draw_count=self.draw_count)
            peak_ratio = float(rates.max() * hours.sum() / (rates @ hours))
        elif measured.bits_per_pixel is not None:
            pixels = np.array([camera.pixels_per_s for camera in shop.cameras])
            mean_pixels = float(pixels @ hours / hours.sum())
            peak_ratio = float(pixels.max()) / mean_pixels
            bits = self._draw(measured.bits_per_pixel)
            stream_bps = combine(lambda b: b * mean_pixels, bits)
        else:
            return {}
        limit, mb_per_s = carried_by(shop, self.read)
        read = self.read if limit == "storage" else None
        usable = self._draw(read) if read else exactly(mb_per_s, draw_count=self.draw_count)
        played = combine(lambda b: b * shop.streams_per_editor / BITS_PER_BYTE / MB, stream_bps)
        figures = _storage(shop, stream_bps, is_original=is_original)
        # At the peak all may play footage of the camera with the most bits.
        busiest = combine(lambda mb: mb * peak_ratio, played)
        figures["network_peak_mb_per_s"] = combine(lambda mb: mb * shop.editors, busiest)
        figures["editors_carried"] = combine(lambda u, mb: np.floor(u / mb), usable, busiest)
        if measured.stream_s_per_move is not None:
            moves_per_s = shop.moves_per_hour / queue.SECONDS_PER_HOUR
            figures["network_mean_mb_per_s"] = combine(
                lambda b, s, mb: (
                    shop.editors
                    * (moves_per_s * s * b / BITS_PER_BYTE / MB + shop.playing_fraction * mb)
                ),
                stream_bps,
                self._draw(measured.stream_s_per_move),
                played,
            )
        return figures

    def _decoded(self, measured: MeasuredEncoding) -> dict[str, Estimate]:
        """How many editors one machine decodes for, who all play footage of the camera with the
        most pixels a second; nothing where no playing or decoding was measured."""
        if measured.played is None:
            return {}
        rate, shop = measured.played[0], self.shop
        each = max(camera.pixels_per_s for camera in shop.cameras) * shop.streams_per_editor
        # A child's draws leave those of the other figures as they are.
        draws = draw_estimate(rate, rng=self.rng.spawn(1)[0], draw_count=self.draw_count)
        editors = combine(lambda px: np.floor(px / each + 1e-6), draws)  # rates are not exact
        found = estimate_drawn(editors, result.SIZING_FIGURES["editors_decoded"])
        cap = found.point if rate.is_least else None
        return {"editors_decoded": found.model_copy(update={"capped_at": cap})}

    def _waits(self, measured: MeasuredEncoding, card_wait: Drawn | None) -> dict[str, Drawn]:
        """Waits saved and added. An endless queue adds an endless wait."""
        found: dict[str, Drawn] = {}
        awaited = self.shop.awaited_cards_per_day
        moves = self.shop.moves_per_hour * self.shop.editing_hours_per_day
        if card_wait is not None:
            added = found["wait_added_min_per_day"] = combine(
                # Who waits for no card waits not at all, even where the queue never ends.
                lambda hours: hours * awaited * MIN_PER_HOUR if awaited else np.zeros_like(hours),
                card_wait,
            )
        if measured.saved_ms is not None:
            saved_ms = self._draw(measured.saved_ms)
            saved = combine(lambda ms: ms * moves / MS_PER_MIN, saved_ms)
            found["wait_saved_min_per_day"] = saved
            if card_wait is not None:
                found["wait_balance_min_per_day"] = combine(lambda a, b: a - b, saved, added)
                if saved_ms.point > 0:
                    found["moves_to_pay_off"] = combine(_moves_to_pay_off, added, saved_ms)
        return found


def _storage(shop: Shop, stream_bps: Drawn, *, is_original: bool) -> dict[str, Drawn]:
    """Footage of a day and all that is kept, originals included."""
    originals_gb = sum(
        footage_gb(camera.bitrate_bps, camera.count * camera.hours_per_day)
        for camera in shop.cameras
    )
    copies = 0 if is_original else shop.copies
    hours = shop.footage_hours_per_day
    day_gb = combine(lambda b: b * hours * queue.SECONDS_PER_HOUR / BITS_PER_BYTE / GB, stream_bps)
    kept_bytes = combine(
        lambda gb: (copies * gb + shop.original_copies * originals_gb) * GB * shop.retention_days,
        day_gb,
    )
    figures = {} if is_original else {"intermediate_gb_per_day": day_gb}
    if not is_original:
        again = copies * shop.retention_days * GB / TB
        figures["encode_again_tb"] = combine(lambda gb: gb * again, day_gb)
    if (price := shop.cost_per_tb_year) is not None:
        figures["cost_per_year"] = combine(lambda size: size / TB * price, kept_bytes)
    return figures | {
        "storage_tb": combine(lambda size: size / TB, kept_bytes),
        "storage_tib": combine(lambda size: size / TIB, kept_bytes),
    }


def _notes(
    measured: MeasuredEncoding, figures: Mapping[str, Estimate]
) -> Iterator[result.SizingNote]:
    is_original = measured.encoding == ORIGINAL
    if is_original:
        yield "no_ingest"
    elif measured.rate_source is None:
        yield "rate_not_measured"
    elif measured.rate_source.is_bound:
        yield "rate_of_encoding_alone"
    elif measured.rate_source.with_decode:
        yield "rate_predicted"
    if measured.is_storage_bound:
        yield "rate_of_storage"
    if "storage_tb" not in figures:
        yield "size_not_measured"
    elif measured.stream_s_per_move is None:
        yield "reads_not_measured"
    if measured.saved_ms is None and not is_original:
        yield "waits_not_measured"
    if result.saves_nothing(figures):
        yield "slower_moves"


def _moves_to_pay_off(added_min: Floats, saved_ms: Floats) -> Floats:
    """Moves whose savings equal the wait added; without savings no number is enough."""
    saves = saved_ms > 0
    return np.where(saves, added_min * MS_PER_MIN / np.where(saves, saved_ms, 1.0), np.inf)
