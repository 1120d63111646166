"""Which of the files found in a folder are footage, and which of them are one shot.

Decided by what the files hold, never by how a camera names its files and folders. A file that is
no clip of its own is told with the reason; one that the user named always is a clip.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from av.error import FFmpegError

from mezzmark.engines.footage.originals import fingerprint_own
from mezzmark.engines.footage.shots import NAME_IT, Look, goes_on_by, look_at
from mezzmark.engines.media.frame_index import ProgressUpdate
from mezzmark.engines.media.probe import open_media, unfit
from mezzmark.model.errors import FootageError, count_text
from mezzmark.model.jobs import JobFailed
from mezzmark.model.preparations import Shot, SortedFiles, SortFilesJob

SMALL_AREA: Final = Fraction(1, 8)
SMALL_LINES: Final = 480
"""A picture with less than an eighth of the largest one's area, and with fewer lines than any
standard-definition picture, is made to be looked at in a list and not to be edited."""

_PICTURE_PX: Final = (32, 18)
FLAT_CODES: Final = 8.0
ALIKE_CODES: Final = 6.0
"""First pictures scaled to 32 × 18 grey, of 256 codes: below a spread of 8 there is nothing to
tell pictures apart by (black, a lens cap); two that differ by 6 on average are the same picture
coded twice."""


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
    left_out = {file.path for file in job.files if not file.is_named and file.path in faults}
    return SortedFiles(
        shots=tuple(
            Shot(path=file.path, further_names=tuple(further.get(file.path, ())))
            for file in job.files
            if file.path not in left_out
        ),
        left_out=tuple(
            JobFailed.by(faults[file.path], file.name)
            for file in job.files
            if file.path in left_out
        ),
    )


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
            what = (
                f"it is a smaller copy of {larger.file.name}: the same number of frames and the "
                "same first picture"
            )
            faults[look.file.path] = unfit(look.file.path, what, NAME_IT)
    return [look for look in kept if look.file.path not in faults]


def is_smaller_copy(
    look: Look, other: Look, picture: Callable[[str], np.ndarray[Any, Any] | None]
) -> bool:
    """Whether a file shows what a larger one shows: frame count, rate and first picture alike.
    `picture` gives a file's first one by its path."""
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
        with open_media(path) as (container, track):
            frame = next(container.decode(track))
            small = frame.reformat(width=width_px, height=height_px, format="gray")
            return small.to_ndarray().astype(float)
    except (FFmpegError, FootageError, StopIteration, ValueError):
        return None


def _further_files(looks: Sequence[Look], faults: dict[str, FootageError]) -> dict[str, list[str]]:
    """Path of a shot's first file → names of those it goes on in, which are no clips of their own.

    A file goes on in the first one after it that fits and that no other goes on in.
    """
    first_of = {look.file.path: look for look in looks}
    further: dict[str, list[str]] = {}
    for place, look in enumerate(looks):
        for later in looks[place + 1 :]:
            path = later.file.path
            is_free = not later.file.is_named and path not in faults
            if is_free and (signs := goes_on_by(look, later)):
                first = first_of[path] = first_of[look.file.path]
                further.setdefault(first.file.path, []).append(later.file.name)
                what = (
                    f"it is taken for a further part of the shot in {first.file.name}, since the "
                    f"coding is the same, {' and '.join(signs)}"
                )
                faults[path] = unfit(path, what, NAME_IT)
                break
    return further
