"""Coded picture sizes of the AVC intra classes against the table in `data/` (sources there)."""

from fractions import Fraction
from pathlib import Path

import av
import pytest

from fixtures.encoded_pictures import stored_facts
from mezzmark.engines.encode.encoded_file import write_frames
from mezzmark.engines.encode.encoders import open_encoder
from mezzmark.engines.encode.timing import evenly_timed
from mezzmark.engines.media.shape import carry_shape, mark_fields
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.encoding import check_frame
from mezzmark.model.errors import EncodingError
from published.test_vc3_frame_sizes import TAGS, pictures, rows

CLASSES = rows("avc_intra_classes.csv")
FEW = [("720", "25"), ("720", "24000/1001"), ("1080", "25")]
"""Tried each time: both sizes of the tables."""


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(
            row,
            id="-".join(row.values()),
            marks=[] if (row["height"], row["rate"]) in FEW else pytest.mark.slow,
        )
        for row in CLASSES
    ],
)
def test_every_picture_has_the_published_bytes(row: dict[str, str], tmp_path: Path) -> None:
    """Noise, which strains any rate control, takes the table's bytes exactly in every picture, and
    class 50 says that its samples are 4:3; interlaced pictures come back with their order."""
    width_px, height_px, rate = int(row["width"]), int(row["height"]), Fraction(row["rate"])
    encoding = find_encoding(f"avc-intra-{row['class']}")
    clip_width_px = height_px * 16 // 9
    check_frame(encoding, clip_width_px, height_px, rate, is_interlaced=row["scan"] == "i")
    assert encoding.picture_size(clip_width_px, height_px) == (width_px, height_px)
    order = "top first" if row["scan"] == "i" else None
    source = stored_facts(encoding, (clip_width_px, height_px), field_order=order)
    frames = pictures(encoding.pixel_format, (width_px, height_px), is_noise=True)
    frames = [mark_fields(frame, order) for frame in frames]
    encoder = open_encoder(
        path := tmp_path / "x.mxf",
        encoding,
        size=(width_px, height_px),
        frame_rate=rate,
        tags=TAGS,
        thread_count=1,
        prepare=carry_shape(encoding, source),
    )
    write_frames(evenly_timed(frames, rate), encoder)
    with av.open(str(path)) as container:
        track = container.streams.video[0]
        packets = [packet for packet in container.demux(track) if packet.size]
        assert [p.size for p in packets] == [int(row["frame_bytes"])] * len(frames)
        assert [f.interlaced_frame for p in packets for f in p.decode()] == [bool(order)] * 2
        assert track.sample_aspect_ratio == Fraction(16 * height_px, 9 * width_px)


@pytest.mark.parametrize(
    ("size", "rate"), [((1920, 1080), "24"), ((1920, 1080), "30"), ((3840, 2160), "25")]
)
def test_what_stands_in_no_table_is_refused(size: tuple[int, int], rate: str) -> None:
    """The encoder is never asked for a size or rate of which it may crash."""
    for name in ("avc-intra-50", "avc-intra-100"):
        with pytest.raises(EncodingError, match="only at"):
            check_frame(find_encoding(name), *size, Fraction(rate))
