"""What streams of one encoding ask of storage and network in a shop."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from mezzmark.decide.draws import Drawn, combine, exactly
from mezzmark.decide.sizing_inputs import MeasuredEncoding
from mezzmark.decide.units import (
    BITS_PER_BYTE,
    GB,
    MB,
    SECONDS_PER_HOUR,
    TB,
    TIB,
    footage_gb,
    link_payload_mb_per_s,
)
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.shop import Shop

Limit = Literal["link", "array", ""]

NO_SIZE_NOTE: Final = "its size was not measured"
NO_READS_NOTE: Final = "bytes read per playhead move were not measured: add a [scrub] table"


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamSizing:
    """Figures of storage and network by name, which of link and array is the limit, and notes."""

    figures: dict[str, Drawn]
    limited_by: Limit
    notes: tuple[str, ...] = ()


def size_streams(
    shop: Shop,
    measured: MeasuredEncoding,
    *,
    draw: Callable[[Estimate], Drawn],
    draw_count: int,
) -> StreamSizing:
    """Storage kept, what the network carries, and how many editors that is enough for."""
    stream = _stream_bps(shop, measured, draw=draw, draw_count=draw_count)
    if stream is None:
        return StreamSizing(figures={}, limited_by="", notes=(NO_SIZE_NOTE,))
    link, array = planned_link_mb_per_s(shop), shop.array_mb_per_s
    played = combine(lambda b: b * shop.streams_per_editor / BITS_PER_BYTE / MB, stream)
    figures = _storage(shop, stream, is_original=measured.encoding == ORIGINAL)
    figures["network_peak_mb_per_s"] = combine(lambda mb: mb * shop.editors, played)
    figures["editors_carried"] = combine(lambda mb: np.floor(min(link, array) / mb), played)
    notes: tuple[str, ...] = (NO_READS_NOTE,)
    if measured.stream_s_per_move is not None:
        notes = ()
        figures["network_mean_mb_per_s"] = combine(
            lambda b, s, mb: (
                shop.editors
                * (
                    shop.moves_per_hour / SECONDS_PER_HOUR * s * b / BITS_PER_BYTE / MB
                    + shop.playing_fraction * mb
                )
            ),
            stream,
            draw(measured.stream_s_per_move),
            played,
        )
    return StreamSizing(
        figures=figures, limited_by="link" if link <= array else "array", notes=notes
    )


def payload_mb_per_s(shop: Shop) -> float:
    """What the shop's link carries at best, in 10⁶ payload bytes a second."""
    return link_payload_mb_per_s(
        shop.link_gbps, mtu_bytes=shop.mtu_bytes, header_bytes=shop.header_bytes
    )


def planned_link_mb_per_s(shop: Shop) -> float:
    """What of the link may be planned for, in 10⁶ bytes a second."""
    return payload_mb_per_s(shop) * shop.link_usable_fraction


def _storage(shop: Shop, stream: Drawn, *, is_original: bool) -> dict[str, Drawn]:
    """Footage of a day and all that is kept, originals included."""
    footage_hours = sum(camera.count * camera.hours_per_day for camera in shop.cameras)
    originals_gb = sum(
        footage_gb(camera.bitrate_bps, camera.count * camera.hours_per_day)
        for camera in shop.cameras
    )
    copies = 0 if is_original else shop.copies
    day_gb = combine(lambda b: b * footage_hours * SECONDS_PER_HOUR / BITS_PER_BYTE / GB, stream)
    kept_bytes = combine(
        lambda gb: (copies * gb + shop.original_copies * originals_gb) * GB * shop.retention_days,
        day_gb,
    )
    figures = {} if is_original else {"intermediate_gb_per_day": day_gb}
    return figures | {
        "storage_tb": combine(lambda size: size / TB, kept_bytes),
        "storage_tib": combine(lambda size: size / TIB, kept_bytes),
    }


def _stream_bps(
    shop: Shop,
    measured: MeasuredEncoding,
    *,
    draw: Callable[[Estimate], Drawn],
    draw_count: int,
) -> Drawn | None:
    """Mean bit rate of one stream over the shop's footage hours."""
    hours = np.array([camera.count * camera.hours_per_day for camera in shop.cameras])
    if measured.encoding == ORIGINAL:
        rates = np.array([camera.bitrate_bps for camera in shop.cameras])
        return exactly(float(rates @ hours / hours.sum()), draw_count=draw_count)
    if measured.bits_per_pixel is None:
        return None
    pixels = np.array([camera.pixels_per_s for camera in shop.cameras])
    mean_pixels = float(pixels @ hours / hours.sum())
    return combine(lambda bits: bits * mean_pixels, draw(measured.bits_per_pixel))
