"""Arithmetic of storage, networks and ingest against published and practical values."""

import csv
from pathlib import Path

import pytest

from fixtures.made_sizing import SHOP
from mezzmark.decide.size.sizing import footage_gb, payload_mb_per_s

DATA = Path(__file__).parent / "data" / "ethernet_efficiency.csv"
ETHERNET = list(csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()[1:]))
UNTAGGED = [row for row in ETHERNET if row["vlan_bytes"] == "0"]


@pytest.mark.parametrize("row", UNTAGGED, ids=lambda row: f"{row['mtu']} {row['stack']}")
@pytest.mark.parametrize("link_gbps", [1, 10, 25, 100])
def test_ethernet_payload_rates_agree_with_the_table(row: dict[str, str], link_gbps: int) -> None:
    """Rates for two MTUs and five header stacks; the values for MTU 1500 are those of
    wiki.td-er.nl "Ethernet payload datarates"."""
    mtu = int(row["mtu"])
    frame = {"mtu_bytes": mtu, "header_bytes": mtu - int(row["payload"])}
    shop = SHOP.model_copy(update={"link_gbps": link_gbps, **frame})
    rate = float(row[f"MBps_{link_gbps}G"])
    assert payload_mb_per_s(shop) == pytest.approx(rate, abs=5e-4)


@pytest.mark.parametrize(
    ("bitrate_bps", "gb_per_hour"),
    [
        (36e6, 16), (82e6, 37), (117e6, 53), (176e6, 79),
        (45e6, 20), (102e6, 46), (147e6, 66), (220e6, 99),
    ],
)  # fmt: skip
def test_rdd_36_sizes_per_hour(bitrate_bps: float, gb_per_hour: float) -> None:
    """RDD 36 at 1080p 24 and 29.97: target rates and whole GB per hour as the codec's maker prints
    them (GB column from memory)."""
    assert footage_gb(bitrate_bps, 1) == pytest.approx(gb_per_hour, abs=0.51)


@pytest.mark.parametrize(
    ("frame_bytes", "frame_rate", "gb_per_hour"),
    [
        (917504, 30000 / 1001, 98.991),
        (606208, 30000 / 1001, 65.405),
        (188416, 24000 / 1001, 16.263),
    ],
)
def test_vc_3_sizes_per_hour(frame_bytes: int, frame_rate: float, gb_per_hour: float) -> None:
    """VC-3 has fixed frames (SMPTE ST 2019-1 compression IDs 1235, 1237, 1253): 219.98, 145.35 and
    36.14 Mb/s make 98.99, 65.41 and 16.26 GB an hour."""
    assert footage_gb(frame_bytes * 8 * frame_rate, 1) == pytest.approx(gb_per_hour, abs=2e-3)


def test_avc_at_its_level_limit() -> None:
    """AVC level 4.1 High carries at most 62.5 Mb/s (Rec. ITU-T H.264 Table A-1): 28.125 GB/h."""
    assert footage_gb(50_000 * 1250, 1) == pytest.approx(28.125)


def test_bytes_are_decimal() -> None:
    """100 Mb/s is 45.0 GB an hour (IEC 80000-13)."""
    assert footage_gb(100e6, 1) == pytest.approx(45.0)
