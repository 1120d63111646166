"""Bit rates of encodings over all clips of a run, from the files as they lay on disk."""

from typing import Final

from mezzmark.decide.wording import number_text
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.run import Manifest

BITS_PER_HOUR_TO_GB: Final = 3600 / 8 / 1e9


def pooled_bitrates_bps(manifest: Manifest) -> dict[str, float]:
    """Bits per second of each encoding over all its clips, from the files as they lay on disk.

    The original's is taken from the clips' own files where it has no entry of its own.
    """
    totals: dict[str, tuple[float, float]] = {}
    for media in manifest.media:
        if media.bitrate_bps > 0:
            bits, seconds = totals.get(media.encoding, (0.0, 0.0))
            file_bits = media.file_bytes * 8.0
            totals[media.encoding] = bits + file_bits, seconds + file_bits / media.bitrate_bps
    if ORIGINAL not in totals:
        known = [clip.original for clip in manifest.clips if clip.original.duration_s]
        if known:
            totals[ORIGINAL] = (
                sum(media.file_bytes * 8.0 for media in known),
                sum(media.duration_s or 0.0 for media in known),
            )
    return {name: bits / seconds for name, (bits, seconds) in totals.items() if seconds > 0}


def hour_gb_text(bitrate_bps: float) -> str:
    """`52.2 GB for an hour`; GB is 10^9 bytes."""
    return f"{number_text(bitrate_bps * BITS_PER_HOUR_TO_GB)} GB for an hour"


def size_text(bitrate_bps: float) -> str:
    """`116 Mbit/s, or 52.2 GB for an hour`."""
    return f"{number_text(bitrate_bps / 1e6)} Mbit/s, or {hour_gb_text(bitrate_bps)}"
