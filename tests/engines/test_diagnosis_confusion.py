"""Every planted mistake is named, over the catalogue, and none is seen where none was made."""

from collections import Counter
from pathlib import Path

import pytest

from fixtures.chart_trips import (
    CATALOGUE,
    Confusion,
    chart_for,
    confuse,
    false_alarms,
    judge,
    send,
    share_named_right,
)
from fixtures.planted_faults import Fault, sample_faults
from mezzmark.engines.media.pixels import frame_from_planes, pixel_format_facts, planes_of
from mezzmark.model.catalogue.core import find_encoding

LEAST_SHARE = 0.95
QUICK = ("vc3-lb", "rdd36-proxy", "vc5-draft", "mjpeg-draft", "hevc-long", "uncompressed-8")
"""The coarsest encoding of each family, where a wrong diagnosis is likeliest."""

NEEDS_OTHER_SETTINGS = {"mpeg2-intra-50"}
"""Its fixed 50 Mb/s do not fit so small a chart."""


def show(found: Confusion) -> str:
    """The confusion matrix, its diagonal left out, for a failing test."""
    return "\n".join(
        f"{planted} → {said}: {count}"
        for (planted, said), count in sorted(found.items())
        if planted != said
    )


@pytest.mark.parametrize("name", QUICK)
def test_each_planted_fault_is_named(name: str, tmp_path: Path) -> None:
    """After decoding, every mistake on tags and on samples gets its own name, and the untouched
    trip gets none."""
    found = confuse(send(name, tmp_path))
    assert share_named_right(found) == 1.0, show(found)
    assert found["none", "no shift"] == 1, show(found)


def test_all_causes_are_planted(tmp_path: Path) -> None:
    """The matrix has a row for every cause the diagnosis knows; on an 8-bit encoding the row of
    the 8-bit steps is missing."""
    planted = {key for key, _ in confuse(send("rdd36-hq", tmp_path))}
    ranges, matrices, curves, primaries, steps, siting, none = 2, 6, 8, 2, 1, 1, 1
    assert len(planted) == ranges + matrices + curves + primaries + steps + siting + none
    planted = {key for key, _ in confuse(send("vc3-lb", tmp_path))}
    assert "8-bit steps" not in planted


@pytest.mark.parametrize("matrix", ["BT.601", "BT.2020"])
def test_charts_of_other_matrices(matrix: str, tmp_path: Path) -> None:
    """A chart written with another matrix and tagged so is diagnosed as well."""
    found = confuse(send("avc-intra-fast", tmp_path, matrix=matrix))
    assert share_named_right(found) == 1.0, show(found)
    assert found["none", "no shift"] == 1


def test_mistake_outside_the_known_ones_is_unexplained(tmp_path: Path) -> None:
    """Swapped chroma planes follow no known signature: visible, and said to be unexplained."""

    def swap(frame, tags):
        luma, cb, cr = planes_of(frame)
        return frame_from_planes((luma, cr, cb), frame.format.name, tags), tags

    trip = send("vc3-hq", tmp_path)
    found = judge(trip, Fault(key="swapped", way="samples", change=swap))
    assert found.cause == "unexplained"
    assert found.residual_codes == pytest.approx(found.change_codes)
    assert found.residual_codes > 20


@pytest.mark.slow
def test_confusion_matrix_of_the_whole_catalogue(tmp_path: Path) -> None:
    """Over every encoding that carries the chart at its usual settings, at least 95 % of the
    planted mistakes are named right in every row, and no untouched trip is accused."""
    found: Confusion = Counter()
    carried = []
    for name in CATALOGUE:
        if name in NEEDS_OTHER_SETTINGS:
            continue
        folder = tmp_path / name
        folder.mkdir()
        found += confuse(send(name, folder))
        carried.append(name)
    assert len(carried) >= 40
    assert false_alarms(found) == 0, show(found)
    for key in {planted for planted, _ in found} - {"none"}:
        row = {said: count for (planted, said), count in found.items() if planted == key}
        assert row.get(key, 0) / sum(row.values()) >= LEAST_SHARE, show(found)
    assert share_named_right(found) >= LEAST_SHARE


@pytest.mark.slow
def test_faults_planted_before_the_encoder(tmp_path: Path) -> None:
    """A mistake made before the encoder is named after the encoder too, ≥ 95 % over
    the codecs and pixel formats: the codec works on the wrong picture and must not hide it."""
    found: Confusion = Counter()
    kinds = {}  # one encoding of each codec and pixel format is enough here
    for name in CATALOGUE:
        if name not in NEEDS_OTHER_SETTINGS and chart_for(name).height_px <= 360:
            encoding = find_encoding(name)
            kinds.setdefault((encoding.codec, encoding.pixel_format), name)
    for name in kinds.values():
        folder = tmp_path / name
        folder.mkdir()
        plain = send(name, folder)
        for fault in writer_faults(name):
            trip = send(name, folder, before=fault, untouched=plain)
            found[fault.key, judge(trip).cause] += 1
    assert share_named_right(found) >= LEAST_SHARE, show(found)


def writer_faults(name: str) -> tuple[Fault, ...]:
    """The sample faults that an encoding's own pixel format can carry."""
    depth = pixel_format_facts(find_encoding(name).pixel_format).bit_depth
    return sample_faults(matrix="BT.709", bit_depth=depth)
