"""What a machine decodes in hardware is what came of decoding, on a made-up device."""

from pathlib import Path

from mezzmark.model.jobs import JobFailed, Measured, PreparedMedia
from mezzmark.model.tasks.scrub import ScrubJob
from mezzmark.model.tasks.spec import MediaReference, ProcessFacts
from mezzmark.report.prose.machine import hardware_outcome
from mezzmark.runner.hardware import GIVE_UP_AFTER, PROBES, probe_hardware
from unit.test_request_design import trial


def made_up(job, _timeout_s):
    """`box` shows AVC right, HEVC wrong and nothing else; `ghost` is not there."""
    if not isinstance(job, ScrubJob):
        name = job.encoding.name if hasattr(job, "encoding") else ""
        yield PreparedMedia(
            media=MediaReference(media_path=name, index_path=""),
            **{
                "frame_count": 2,
                "fingerprint": "",
                "file_bytes": 1,
                "duration_s": 1.0,
                "was_cached": True,
            },
        )
        return
    name = job.media[0].media_path
    if job.player.device == "ghost" or not name.startswith(("AVC", "HEVC")):
        yield JobFailed(where="", what="no such decoder", remedy="", exit_code=5)
        return
    moves = trial(0, 5.0, moves=2).measurement
    proof = ("right", "right" if name.startswith("AVC") else "wrong")
    moves = moves.model_copy(update={"proof": proof})
    yield Measured(measurement=moves, process=ProcessFacts(cpu_ns=1))


def test_only_proved_pictures_count_and_an_absent_device_is_soon_left(tmp_path: Path) -> None:
    """AVC three times right, HEVC four times wrong, the others refused with the reason; a device
    that refuses three kinds is not asked again, and one without decoders never."""
    every = tuple({probe.decoder for probe in PROBES})
    decoders = {"box": every, "ghost": every, "idle": ()}
    found = list(probe_hardware(cache_dir=tmp_path, dispatch=made_up, decoders=decoders))
    of_box = [(h.codec, h.outcome) for h in found if h.device == "box"]
    assert len(of_box) == len(PROBES)
    assert {outcome for codec, outcome in of_box if codec == "AVC"} == {"right"}
    assert [outcome for codec, outcome in of_box if codec == "HEVC"] == ["wrong"] * 4
    assert [h.outcome for h in found if h.device == "ghost"] == ["refused"] * GIVE_UP_AFTER
    assert {h.device for h in found} == {"box", "ghost"}
    assert {hardware_outcome(h) for h in found} == {
        *("right", "wrong: do not use it", "no (no such decoder)")
    }
    ten_bit = [h for h in found if h.profile == "Main 4:2:2 10"]
    assert [(h.bit_depth, h.chroma) for h in ten_bit] == [(10, "4:2:2")]
