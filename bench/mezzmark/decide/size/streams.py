"""What streams of one encoding ask of storage and network in a shop."""

from collections.abc import Callable
from typing import Final

import numpy as np

from mezzmark.decide.estimate.draws import Drawn, combine, exactly
from mezzmark.decide.size.inputs import MeasuredEncoding
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.shop import Shop

BITS_PER_BYTE: Final = 8
SECONDS_PER_HOUR: Final = 3600.0
MB: Final = 1e6
GB: Final = 1e9
TB: Final = 1e12
TIB: Final = 2.0**40

FRAME_OVERHEAD_BYTES: Final = 38
"""Preamble 8, header 14, check sequence 4, gap 12 (IEEE 802.3)."""


def payload_mb_per_s(shop: Shop) -> float:
    """What the shop's link carries at best, in 10⁶ payload bytes a second, in full frames.

    `header_bytes` are the network and transport headers inside the MTU (52: IPv4 and TCP with
    time stamps).
    """
    fraction = (shop.mtu_bytes - shop.header_bytes) / (shop.mtu_bytes + FRAME_OVERHEAD_BYTES)
    return shop.link_gbps * 1e9 * fraction / BITS_PER_BYTE / MB


def planned_link_mb_per_s(shop: Shop) -> float:
    """What of the link may be planned for, in 10⁶ bytes a second."""
    return payload_mb_per_s(shop) * shop.link_usable_fraction


def footage_gb(bitrate_bps: float, hours: float) -> float:
    """Size of `hours` of footage, in 10⁹ bytes."""
    return bitrate_bps * hours * SECONDS_PER_HOUR / BITS_PER_BYTE / GB


def size_streams(
    shop: Shop, measured: MeasuredEncoding, draw: Callable[[Estimate], Drawn], draw_count: int
) -> dict[str, Drawn]:
    """Storage kept, what the network carries, and how many editors that is enough for; nothing
    where the size of the encoding was not measured."""
    hours = np.array([camera.count * camera.hours_per_day for camera in shop.cameras])
    is_original = measured.encoding == ORIGINAL
    if is_original:
        rates = np.array([camera.bitrate_bps for camera in shop.cameras])
        stream_bps = exactly(float(rates @ hours / hours.sum()), draw_count=draw_count)
    elif measured.bits_per_pixel is not None:
        pixels = np.array([camera.pixels_per_s for camera in shop.cameras])
        mean_pixels = float(pixels @ hours / hours.sum())
        stream_bps = combine(lambda bits: bits * mean_pixels, draw(measured.bits_per_pixel))
    else:
        return {}
    usable = min(planned_link_mb_per_s(shop), shop.array_mb_per_s)
    played = combine(lambda b: b * shop.streams_per_editor / BITS_PER_BYTE / MB, stream_bps)
    figures = _storage(shop, stream_bps, is_original=is_original)
    figures["network_peak_mb_per_s"] = combine(lambda mb: mb * shop.editors, played)
    figures["editors_carried"] = combine(lambda mb: np.floor(usable / mb), played)
    if measured.stream_s_per_move is not None:
        moves_per_s = shop.moves_per_hour / SECONDS_PER_HOUR
        figures["network_mean_mb_per_s"] = combine(
            lambda b, s, mb: (
                shop.editors
                * (moves_per_s * s * b / BITS_PER_BYTE / MB + shop.playing_fraction * mb)
            ),
            stream_bps,
            draw(measured.stream_s_per_move),
            played,
        )
    return figures


def _storage(shop: Shop, stream_bps: Drawn, *, is_original: bool) -> dict[str, Drawn]:
    """Footage of a day and all that is kept, originals included."""
    originals_gb = sum(
        footage_gb(camera.bitrate_bps, camera.count * camera.hours_per_day)
        for camera in shop.cameras
    )
    copies = 0 if is_original else shop.copies
    hours = shop.footage_hours_per_day
    day_gb = combine(lambda b: b * hours * SECONDS_PER_HOUR / BITS_PER_BYTE / GB, stream_bps)
    kept_bytes = combine(
        lambda gb: (copies * gb + shop.original_copies * originals_gb) * GB * shop.retention_days,
        day_gb,
    )
    figures = {} if is_original else {"intermediate_gb_per_day": day_gb}
    return figures | {
        "storage_tb": combine(lambda size: size / TB, kept_bytes),
        "storage_tib": combine(lambda size: size / TIB, kept_bytes),
    }
