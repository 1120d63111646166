"""What a machine decodes in hardware is what came of decoding, on a made-up device."""

from pathlib import Path

from mezzmark.engines.media import probe
from mezzmark.model.footage import MediaFacts
from mezzmark.model.jobs import JobFailed, Measured, PreparedMedia
from mezzmark.model.tasks.scrub import ScrubJob
from mezzmark.model.tasks.spec import MediaReference, ProcessFacts
from mezzmark.report.prose.machine import hardware_note
from mezzmark.runner.self_test import GIVE_UP_AFTER, probe_hardware
from unit.test_request_design import trial


def made_up(job, _timeout_s):
    """`box` shows AVC right, HEVC wrong and nothing else; `ghost` is not there."""
    if not isinstance(job, ScrubJob):
        name = job.encoding.name if hasattr(job, "encoding") else ""
        media = MediaReference(media_path=name, index_path="")
        facts = {"frame_count": 2, "fingerprint": "", "file_bytes": 1, "duration_s": 1.0}
        yield PreparedMedia(media=media, was_cached=True, **facts)
    elif job.player.device == "ghost" or job.media[0].media_path[:3] not in ("avc", "hev"):
        yield JobFailed(where="", what="no such decoder", remedy="", exit_code=5)
    else:
        proof = ("right", "wrong" if job.media[0].media_path[:3] == "hev" else "right")
        moves = trial(0, 5.0, moves=2).measurement.model_copy(update={"proof": proof})
        yield Measured(measurement=moves, process=ProcessFacts(cpu_ns=1))


def test_only_proved_pictures_count_and_absent_devices_are_left(monkeypatch) -> None:
    """AVC in six pixel formats is right, HEVC in four wrong, eight others are refused with the
    reason; a device that refuses three kinds is not asked again."""
    facts = MediaFacts.model_construct
    monkeypatch.setattr(probe, "probe_media", lambda path: facts(codec=path[:3]))
    found = list(probe_hardware(cache_dir=Path(), dispatch=made_up, devices=("box", "ghost")))
    of_box = [h.outcome for h in found if h.device == "box"]
    assert of_box[:10] == ["right"] * 6 + ["wrong"] * 4
    assert of_box[10:] == ["refused"] * 8
    assert hardware_note(found) == "box: no such decoder. ghost: no such decoder."
    assert [h.outcome for h in found if h.device == "ghost"] == ["refused"] * GIVE_UP_AFTER
