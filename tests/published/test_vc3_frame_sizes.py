"""Coded picture sizes of VC-3 against the published tables in `data/` (sources stated there)."""

import csv
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.encoded_pictures import write_pictures
from mezzmark.engines.media.pixels import apply_tags, planes_of
from mezzmark.model.catalogue.core import find_encoding, resolve_custom
from mezzmark.model.encoding import CustomEncoding, Encoding, check_frame
from mezzmark.model.footage import ColourTags

DATA = Path(__file__).parent / "data"
RATE = Fraction(30000, 1001)
TAGS = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
ID_OFFSET = 0x28
"""Where a coded picture's header holds the compression ID, 32 bits (as FFmpeg writes it)."""

CATALOGUE_OF_ID = {
    1235: "vc3-hd-220x",
    1237: "vc3-hd-145",
    1238: "vc3-hd-220",
    1251: "vc3-hd-220",
    1252: "vc3-hd-145",
    1253: "vc3-hd-45",
}
RATE_OF_OTHER_ID = {1241: 220, 1242: 145, 1243: 220, 1244: 145, 1250: 220, 1258: 115, 1259: 110}
"""Mb/s by which FFmpeg's encoder knows the IDs that the catalogue does not offer."""
NOT_ENCODABLE = {1256, 1260}
"""FFmpeg's encoder has these only with an adaptive frame or 4:4:4 mode that it refuses here."""


def rows(name: str) -> list[dict[str, str]]:
    """The lines of a table, its comments left out."""
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


CLASSIC = rows("vc3_classic_frame_sizes.csv")
INDEPENDENT = rows("vc3_resolution_independent_frame_sizes.csv")


def pictures(pixel_format: str, size: tuple[int, int], *, is_noise: bool) -> list[av.VideoFrame]:
    """Pictures of noise, which strain any rate control; or one of bars, quick at any size."""
    rng = np.random.default_rng(7)
    frames = []
    for _ in range(2 if is_noise else 1):
        frame = av.VideoFrame(*size, pixel_format)
        for plane in planes_of(frame):
            top = 255 if plane.dtype == np.uint8 else 1023
            if is_noise:
                plane[:] = rng.integers(0, top, plane.shape, dtype=plane.dtype)
            else:
                plane[:] = np.arange(plane.shape[1]) // 16 * 16 % top
        apply_tags(frame, TAGS)
        frames.append(frame)
    return frames


def coded_pictures(
    encoding: Encoding, size: tuple[int, int], folder: Path, *, is_noise: bool = False
) -> list[bytes]:
    """The packets of the pictures above in this encoding."""
    path = folder / "x.mov"
    write_pictures(
        pictures(encoding.pixel_format, size, is_noise=is_noise),
        encoding,
        path,
        TAGS,
        frame_rate=RATE,
    )
    with av.open(str(path)) as container:
        return [bytes(packet) for packet in container.demux(video=0) if packet.size]


def classic_encoding(row: dict[str, str]) -> Encoding:
    """The catalogue's encoding for a compression ID, or one written out where it has none."""
    cid = int(row["cid"])
    if cid in CATALOGUE_OF_ID:
        encoding = find_encoding(CATALOGUE_OF_ID[cid])
        check_frame(encoding, int(row["width"]), int(row["height"]), None)
        return encoding
    return resolve_custom(
        CustomEncoding(
            name=row["cid"],
            encoder="dnxhd",
            pixel_format="yuv422p10le" if row["bits"] == "10" else "yuv422p",
            bitrate_bps=RATE_OF_OTHER_ID[cid] * 1_000_000,
            options={"flags": "+ildct"} if row["scan"] == "i" else {},
        )
    )


@pytest.mark.parametrize(
    "row",
    [row for row in CLASSIC if int(row["cid"]) not in NOT_ENCODABLE],
    ids=lambda row: row["cid"],
)
def test_classic_compression_ids_have_their_published_bytes(
    row: dict[str, str], tmp_path: Path
) -> None:
    """Every picture of a classic ID has the table's bytes exactly, and its header the ID."""
    size = (int(row["width"]), int(row["height"]))
    packets = coded_pictures(classic_encoding(row), size, tmp_path, is_noise=size[1] == 720)
    assert [len(packet) for packet in packets] == [int(row["frame_bytes"])] * len(packets)
    ids = {int.from_bytes(packet[ID_OFFSET : ID_OFFSET + 4], "big") for packet in packets}
    assert ids == {int(row["cid"])}


@pytest.mark.parametrize(
    "row",
    [row for row in INDEPENDENT if row["published_bytes"] or int(row["width"]) <= 1920],
    ids=lambda row: f"{row['profile']}-{row['width']}x{row['height']}",
)
def test_resolution_independent_profiles_have_their_published_bytes(
    row: dict[str, str], tmp_path: Path
) -> None:
    """Every picture of LB, SQ, HQ, HQX and 444 has the published bytes exactly; where only the
    formula is known (sizes up to 1080 lines), it has the formula's."""
    size = (int(row["width"]), int(row["height"]))
    packets = coded_pictures(find_encoding(f"vc3-{row['profile']}"), size, tmp_path)
    expected = int(row["published_bytes"] or row["formula_bytes"])
    assert [len(packet) for packet in packets] == [expected]


@pytest.mark.parametrize(("cid", "nominal_mbps"), [(1235, 220), (1237, 145), (1253, 45)])
def test_the_table_gives_the_nominal_rates(cid: int, nominal_mbps: int) -> None:
    """Bytes · 8 · 29.97 is the rate in the published name, to the rounding of the name. This ties
    the table to a source other than FFmpeg; names at other rates are rounded too far for it."""
    row = next(row for row in CLASSIC if int(row["cid"]) == cid)
    assert float(int(row["frame_bytes"]) * 8 * RATE) / 1e6 == pytest.approx(nominal_mbps, abs=0.5)
