"""What a file says of itself before it is measured, and whether its shot goes on in another."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

from mezzmark.engines.media.probe import (
    describe_media,
    exact_fraction,
    open_media,
    stated,
    unfit,
)
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import MediaFacts, standard_rate, timecode_frame
from mezzmark.model.preparations import FoundFile

NAME_IT: Final = "Name the file itself to measure it as a clip."

_HEAD_BYTES: Final = 4096

CLOCK_SLACK_S: Final = 2.0
"""Recording times are whole seconds, and FAT keeps even ones."""

SIZE_LIMITS: Final = (1 << 31, 1 << 32)
LIMIT_SHARE: Final = 0.92
"""Cameras begin a new file before 2 or 4 GiB (the largest file of AVI 1.0 readers, and of FAT32);
4,000,000,000 bytes are 93 % of 4 GiB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a file says of itself and of when it was recorded; None where it does not.

    `timecode_frame` is its first picture's, counted from midnight; `start_s` its first picture's
    time in the track, `recorded_s` seconds since 1970.
    """

    file: FoundFile
    media: MediaFacts
    timecode_frame: int | None
    start_s: float | None
    recorded_s: float | None

    @property
    def area_px(self) -> int:
        """Picture width times height."""
        return self.media.width_px * self.media.height_px

    @property
    def frame_count(self) -> int | None:
        """As stated, or else by length and rate."""
        if self.media.stated_frame_count:
            return self.media.stated_frame_count
        if self.media.duration_s is None or self.media.frame_rate is None:
            return None
        return round(self.media.duration_s * self.media.frame_rate)


def look_at(file: FoundFile) -> Look:
    """What the file says of itself. FootageError where it holds no moving pictures."""
    path = Path(file.path)
    if path.is_dir():
        raise unfit(path, "the folder cannot be read", "Check its permissions.")
    try:
        with open_media(path) as (container, track):
            look, count = _describe(file, container, track), _count_pictures(container, track)
    except FootageError:
        if not _is_text(path):
            raise
        what, remedy = "it holds text and no pictures", "Nothing needs to be done."
        raise unfit(path, what, remedy) from None
    if count == 0:
        remedy = "It may be cut off; copy it from its source again."
        raise unfit(path, "no picture can be read from it", remedy)
    if count == 1:
        raise unfit(path, "it holds a single picture, as a still or a thumbnail does", NAME_IT)
    return look


def _count_pictures(container: InputContainer, track: VideoStream) -> int:
    """0, 1, or 2 for any more; 2 too where reading fails: measuring will tell what is wrong."""
    sizes = (packet.size for packet in container.demux(track))
    try:
        return sum(1 for _ in zip((1, 2), filter(None, sizes), strict=False))
    except FFmpegError:
        return 2


def _describe(file: FoundFile, container: InputContainer, track: VideoStream) -> Look:
    media = describe_media(container, track, file.path)
    tick = exact_fraction(track.time_base)
    start_s = None if track.start_time is None or tick is None else float(track.start_time * tick)
    recorded = stated(container, "creation_time") or stated(container, "modification_date")
    return Look(
        file=file,
        media=media,
        timecode_frame=timecode_frame(stated(container, "timecode"), media.frame_rate),
        start_s=start_s,
        recorded_s=_recorded_s(recorded),
    )


def _is_text(path: Path) -> bool:
    """Whether the file begins with text in UTF-8 or UTF-16, as lists beside clips do."""
    if not path.is_file():  # to open a pipe would wait for ever
        return False
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError:
        return False
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return True
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:  # not the character that the reading cut in two
            return False
    return bool(head) and b"\0" not in head


def _recorded_s(text: str) -> float | None:
    try:
        return datetime.fromisoformat(text).timestamp()
    except (ValueError, OverflowError, OSError):
        return None


def goes_on_by(look: Look, later: Look) -> tuple[str, ...]:
    """What says that a shot goes on in the later file; empty where it is a shot of its own.

    A timecode alone does not: one that runs only while the camera records goes on from shot to
    shot. So two of three must speak for it (timecode, recording time, a size at which cameras begin
    a new file) and neither of the first two against it. Times within the tracks that go on from
    file to file are enough.
    """
    if _coding(look.media) != _coding(later.media):
        return ()
    if _track_goes_on(look, later):
        return ("the times of its pictures go on",)
    by_timecode, by_clock = _timecode_goes_on(look, later), _clock_goes_on(look, later)
    if False in (by_timecode, by_clock):
        return ()
    file_bytes = look.media.file_bytes
    is_full = any(LIMIT_SHARE * limit < file_bytes <= limit for limit in SIZE_LIMITS)
    signs = {
        "the timecode goes on to the frame": by_timecode,
        "it was recorded right after": by_clock,
        f"{look.file.name} ends near 2 or 4 GiB, where cameras begin a new file": is_full,
    }
    found = tuple(sign for sign, is_so in signs.items() if is_so)
    return found if len(found) >= 2 else ()


def _coding(media: MediaFacts) -> tuple[object, ...]:
    rate = media.frame_rate and standard_rate(media.frame_rate)
    return (
        *(media.container, media.codec, media.profile, media.width_px, media.height_px),
        *(media.pixel_format, rate, media.tags, media.audio_track_count),
    )


def _track_goes_on(look: Look, later: Look) -> bool:
    """Within half a frame; tracks that begin anew in each file never do."""
    length_s, rate = look.media.duration_s, look.media.frame_rate
    if look.start_s is None or later.start_s is None or length_s is None or rate is None:
        return False
    return abs(later.start_s - look.start_s - length_s) < 0.5 / rate


def _timecode_goes_on(look: Look, later: Look) -> bool | None:
    """To the frame; None where a timecode or the length is not known."""
    start, next_start, length = look.timecode_frame, later.timecode_frame, look.frame_count
    if start is None or next_start is None or length is None:
        return None
    return start + length == next_start


def _clock_goes_on(look: Look, later: Look) -> bool | None:
    """Cameras note when a file began or ended, or when its shot began; None where one does not."""
    lengths_s = look.media.duration_s, later.media.duration_s
    if look.recorded_s is None or later.recorded_s is None:
        return None
    gap_s = later.recorded_s - look.recorded_s
    expected_s = [0.0, *(length_s for length_s in lengths_s if length_s is not None)]
    return any(abs(gap_s - expected) <= CLOCK_SLACK_S for expected in expected_s)
