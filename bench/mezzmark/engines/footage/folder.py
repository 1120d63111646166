"""Which of the files found in a folder are footage, and which of them are one shot.

Decided by what the files hold, never by how a camera names its files and folders. A file that is
no clip of its own is told with the reason; one that the user named always is a clip. Long because
every reason needs what a file says of itself before it is measured.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np
from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

from mezzmark.engines.footage.originals import fingerprint_own
from mezzmark.engines.media import probe
from mezzmark.engines.media.frame_index import ProgressUpdate
from mezzmark.engines.media.probe import stated, unfit
from mezzmark.model.errors import FootageError, count_text
from mezzmark.model.footage import MediaFacts, standard_rate, timecode_frame
from mezzmark.model.jobs import JobFailed
from mezzmark.model.preparations import FoundFile, Shot, SortedFiles, SortFilesJob

NAME_IT: Final = "Name the file itself to measure it as a clip."

SMALL_AREA: Final = Fraction(1, 8)
SMALL_LINES: Final = 480
"""A picture with less than an eighth of the largest one's area, and with fewer lines than any
standard-definition picture, is made to be looked at in a list and not to be edited."""

_PICTURE_PX: Final = (32, 18)
FLAT_CODES: Final = 8.0
ALIKE_CODES: Final = 6.0
"""First pictures as 32 × 18 grey, of 256 codes: below a spread of 8 nothing tells pictures apart
(black, a lens cap); two that differ by 6 on average are the same picture coded twice."""

_HEAD_BYTES: Final = 4096

CLOCK_SLACK_S: Final = 2.0
"""Recording times are whole seconds, and FAT keeps even ones."""

SIZE_LIMITS: Final = (1 << 31, 1 << 32)
LIMIT_SHARE: Final = 0.92
"""Cameras begin a new file before 2 or 4 GiB (the largest file of AVI 1.0 readers, and of FAT32);
4,000,000,000 bytes are 93 % of 4 GiB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a file says of itself, None where it does not. Of its first picture `timecode_frame`
    counts from midnight and `start_s` is the time in the track; `recorded_s` counts from 1970."""

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


def sort_files(job: SortFilesJob, advance: ProgressUpdate) -> SortedFiles:
    """The clips among the files, in their order, a shot over several files as one; and why each of
    the others is none. `advance(message, done_fraction)` is called before each file is opened."""
    faults: dict[str, FootageError] = {}
    looks = []
    for number, file in enumerate(job.files):
        advance(f"looking at {count_text(len(job.files), 'file')}", number / len(job.files))
        try:
            looks.append(look_at(file))
        except FootageError as error:
            faults[file.path] = error
    looks = _without_copies(_without_small(looks, faults), faults)
    further = _further_files(looks, faults)
    out = {file.path: file for file in job.files if not file.is_named and file.path in faults}
    paths = [file.path for file in job.files if file.path not in out]
    shots = (Shot(path=path, further_names=tuple(further.get(path, ()))) for path in paths)
    left_out = (JobFailed.by(faults[path], file.name) for path, file in out.items())
    return SortedFiles(shots=tuple(shots), left_out=tuple(left_out))


def _without_small(looks: Sequence[Look], faults: dict[str, FootageError]) -> list[Look]:
    """Those without pictures that are far smaller than the largest one."""
    if not looks:
        return []
    largest = max(looks, key=lambda look: look.area_px)
    size = f"{largest.media.width_px}×{largest.media.height_px}"
    for look in looks:
        media = look.media
        has_few_lines = min(media.width_px, media.height_px) < SMALL_LINES
        if has_few_lines and look.area_px < SMALL_AREA * largest.area_px:
            what = (
                f"its picture of {media.width_px}×{media.height_px} is far smaller than the {size} "
                f"of {largest.file.name}, as a thumbnail's is"
            )
            faults[look.file.path] = unfit(look.file.path, what, NAME_IT)
    return [look for look in looks if look.file.path not in faults]


def _without_copies(looks: Sequence[Look], faults: dict[str, FootageError]) -> list[Look]:
    """Those that are neither the same bytes as another clip nor a smaller copy of one."""
    sizes = Counter(look.media.file_bytes for look in looks)
    first_of: dict[str, Look] = {}
    # A named file is a clip whatever it holds, so it is the copy of it that goes.
    for look in sorted(looks, key=lambda look: not look.file.is_named):
        path = look.file.path
        try:
            is_alone = sizes[look.media.file_bytes] == 1
            other = first_of.setdefault(path if is_alone else fingerprint_own(Path(path)), look)
            if other is not look:
                what = f"it holds the same as {other.file.name}, byte for byte"
                faults[path] = unfit(path, what, NAME_IT)
        except FootageError as error:
            faults[path] = error
    kept = [look for look in looks if look.file.path not in faults]
    picture = cache(_first_picture)
    for look in kept:
        copied = (other for other in kept if is_smaller_copy(look, other, picture))
        if larger := next(copied, None):
            same = "the same number of frames and the same first picture"
            what = f"it is a smaller copy of {larger.file.name}: {same}"
            faults[look.file.path] = unfit(look.file.path, what, NAME_IT)
    return [look for look in kept if look.file.path not in faults]


def is_smaller_copy(
    look: Look, other: Look, picture: Callable[[str], np.ndarray[Any, Any] | None]
) -> bool:
    """Whether frame count, rate and first picture (which `picture` gives by path) are those of the
    other, larger one."""
    if look.area_px >= other.area_px or look.frame_count is None:
        return False
    if look.frame_count != other.frame_count or look.media.frame_rate != other.media.frame_rate:
        return False
    own, others = picture(look.file.path), picture(other.file.path)
    if own is None or others is None or others.std() < FLAT_CODES:
        return False
    return bool(np.abs(own - others).mean() < ALIKE_CODES)


def _first_picture(path: str) -> np.ndarray[Any, Any] | None:
    """Grey codes of the first picture, scaled; None where none can be decoded."""
    width_px, height_px = _PICTURE_PX
    try:
        with probe.open_media(path) as (container, track):
            frame = next(container.decode(track))
            small = frame.reformat(width=width_px, height=height_px, format="gray")
            return small.to_ndarray().astype(float)
    except (FFmpegError, FootageError, StopIteration, ValueError):
        return None


def _further_files(looks: Sequence[Look], faults: dict[str, FootageError]) -> dict[str, list[str]]:
    """Path of a shot's first file → names of those it goes on in, which are no clips of their own.
    A file goes on in the first one after it that fits and that no other goes on in."""
    first_of = {look.file.path: look for look in looks}
    further: dict[str, list[str]] = {}
    for place, look in enumerate(looks):
        for later in looks[place + 1 :]:
            path = later.file.path
            is_free = not later.file.is_named and path not in faults
            if is_free and (signs := goes_on_by(look, later)):
                first = first_of[path] = first_of[look.file.path]
                further.setdefault(first.file.path, []).append(later.file.name)
                what = f"it is taken for a further part of the shot in {first.file.name}, since "
                what += f"the coding is the same, {' and '.join(signs)}"
                faults[path] = unfit(path, what, NAME_IT)
                break
    return further


def look_at(file: FoundFile) -> Look:
    """What the file says of itself. FootageError where it holds no moving pictures."""
    path = Path(file.path)
    if path.is_dir():
        raise unfit(path, "the folder cannot be read", "Check its permissions.")
    try:
        with probe.open_media(path) as (container, track):
            look, count = _describe(file, container, track), 0
            sizes = (packet.size for packet in container.demux(track))
            try:
                count = sum(1 for _ in islice(filter(None, sizes), 2))
            except FFmpegError:
                count = 2  # measuring will tell what is wrong
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


def _describe(file: FoundFile, container: InputContainer, track: VideoStream) -> Look:
    media = probe.describe_media(container, track, file.path)
    tick = probe.exact_fraction(track.time_base)
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
    """What says that a shot goes on in the later file; else empty. Times within the tracks that go
    on are enough; a timecode alone is not, as one that runs only while recording goes on from shot
    to shot: two of three must speak for it (timecode, recording time, a size at which cameras begin
    a new file) and neither of the first two against it."""
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
