"""Arithmetic of storage and networks: bits, decimal and binary bytes, Ethernet."""

from typing import Final

BITS_PER_BYTE: Final = 8
SECONDS_PER_HOUR: Final = 3600.0
MB: Final = 1e6
GB: Final = 1e9
TB: Final = 1e12
TIB: Final = 2.0**40

FRAME_OVERHEAD_BYTES: Final = 38
"""Preamble 8, header 14, check sequence 4, gap 12 (IEEE 802.3)."""

VLAN_TAG_BYTES: Final = 4
"""IEEE 802.1Q."""


def payload_fraction(*, mtu_bytes: int, header_bytes: int, is_tagged: bool = False) -> float:
    """The share of an Ethernet line's bits that is payload in full frames.

    `header_bytes` are the network and transport headers inside the MTU (52: IPv4 and TCP with
    time stamps). Raises ValueError where nothing is left.
    """
    if not 0 <= header_bytes < mtu_bytes:
        raise ValueError("header_bytes must be at least 0 and smaller than mtu_bytes")
    wire = mtu_bytes + FRAME_OVERHEAD_BYTES + (VLAN_TAG_BYTES if is_tagged else 0)
    return (mtu_bytes - header_bytes) / wire


def link_payload_mb_per_s(link_gbps: float, *, mtu_bytes: int, header_bytes: int) -> float:
    """What a link carries at best, in 10⁶ payload bytes a second."""
    fraction = payload_fraction(mtu_bytes=mtu_bytes, header_bytes=header_bytes)
    return link_gbps * 1e9 * fraction / BITS_PER_BYTE / MB


def footage_gb(bitrate_bps: float, hours: float) -> float:
    """Size of `hours` of footage, in 10⁹ bytes."""
    return bitrate_bps * hours * SECONDS_PER_HOUR / BITS_PER_BYTE / GB


def gb_to_gib(size_gb: float) -> float:
    """10⁹ bytes in units of 2³⁰ bytes."""
    return size_gb * GB / 2**30


def mean_rate_mb_per_s(size_gb: float, duration_s: float) -> float:
    """The mean rate of moving `size_gb` in `duration_s`, in 10⁶ bytes a second."""
    return size_gb * GB / duration_s / MB
