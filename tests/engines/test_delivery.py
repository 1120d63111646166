"""Deliveries on real encoders: whole files, two passes that really are two."""

from pathlib import Path

import pytest

from fixtures.encoded_pictures import FRAME_COUNT, decode_all, master, stamp_in
from fixtures.scrubbed import indexed
from mezzmark.engines.encode.delivery import run_delivery
from mezzmark.host.common import read_clock_ns
from mezzmark.model.errors import DestinationError
from mezzmark.model.tasks.delivery import DeliveryJob, DeliveryMeasurement, DeliverySettings


def _job(folder: Path, *, passes: int = 1, **settings: object) -> DeliveryJob:
    plain = {"bitrate_bps": 1_500_000, "preset": "veryfast", "frames": FRAME_COUNT}
    return DeliveryJob(
        source=indexed(master().path, folder, master().index),
        frame_count=FRAME_COUNT,
        settings=DeliverySettings.model_validate(plain | settings),
        passes=passes,
        thread_count=1,
        scratch_dir=str(folder),
    )


def _measure(job: DeliveryJob) -> DeliveryMeasurement:
    measured = run_delivery(job, read_clock_ns).measurement
    assert isinstance(measured, DeliveryMeasurement)
    return measured


@pytest.mark.parametrize("codec", ["AVC", "HEVC"])
@pytest.mark.parametrize("passes", [1, 2])
def test_deliveries_are_whole(tmp_path: Path, codec: str, passes: int) -> None:
    """One and two passes of either codec give every picture, in order, with one time per pass; two
    passes leave the statistics that the second one read, and its stream is another one."""
    measured = _measure(_job(tmp_path, passes=passes, codec=codec))
    assert measured.decoded_frame_count == FRAME_COUNT
    assert measured.stamps_in_order is True
    assert len(measured.pass_ns) == len(measured.pass_cpu_ns) == passes
    assert min(measured.pass_ns) > 0
    assert measured.decode_ns > 0
    assert [stamp_in(f) for f in decode_all(tmp_path / "delivery.mp4")] == list(range(FRAME_COUNT))
    assert bool(list(tmp_path.glob("passes.log*"))) == (passes == 2)
    if passes == 2:
        first, last = (tmp_path / name for name in ("first-pass.mp4", "delivery.mp4"))
        assert first.read_bytes() != last.read_bytes()


def test_the_second_pass_reads_the_first(tmp_path: Path) -> None:
    """With the statistics of a first pass the encoder spends its bits otherwise: the stream is not
    that of one pass, and nearer to the rate asked for or equal to it."""
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        folder.mkdir()
    one, two = (_measure(_job(folders[n - 1], passes=n)) for n in (1, 2))
    assert one.packet_bytes != two.packet_bytes
    asked_bytes = 1_500_000 / 8 * FRAME_COUNT / 25
    assert abs(two.packet_bytes - asked_bytes) <= abs(one.packet_bytes - asked_bytes)


def test_a_delivery_may_be_smaller(tmp_path: Path) -> None:
    """At a lower height the file has that height and as many pictures."""
    measured = _measure(_job(tmp_path, height_px=96))
    assert (measured.width_px, measured.height_px) == (192, 96)
    frames = decode_all(tmp_path / "delivery.mp4")
    assert {(frame.width, frame.height) for frame in frames} == {(192, 96)}
    assert len(frames) == FRAME_COUNT


def test_a_delivery_overwrites_nothing(tmp_path: Path) -> None:
    """Where something stands under the delivery's name it is refused and left alone."""
    (tmp_path / "delivery.mp4").write_bytes(b"mine")
    with pytest.raises(DestinationError):
        run_delivery(_job(tmp_path), read_clock_ns)
    assert (tmp_path / "delivery.mp4").read_bytes() == b"mine"
