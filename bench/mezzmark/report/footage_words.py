"""The footage of a run as a person knows it: file names, size, codec, rate."""

from collections.abc import Sequence
from pathlib import PurePosixPath, PureWindowsPath
from typing import Final

from mezzmark.decide.wording import count_text, shown_name
from mezzmark.facts.run import ClipManifest
from mezzmark.report.words import rate_text

MOST_CLIPS: Final = 3
"""Clips named under the headline; the table of footage has all of them."""


def footage_words(clips: Sequence[ClipManifest]) -> str:
    """`C0001.MP4, 640×272, AVC, 25 fps`; of many clips the first few and a count."""
    told = [_clip_words(clip) for clip in clips[:MOST_CLIPS]]
    left = len(clips) - MOST_CLIPS
    more = [f"and {count_text(left, 'more clip')}"] if left > 0 else []
    return "; ".join([*told, *more])


def _clip_words(clip: ClipManifest) -> str:
    media = clip.original
    parts = [clip_name(clip), f"{media.width_px}×{media.height_px}", shown_name(media.codec)]
    if media.frame_rate:
        parts.append(rate_text(float(media.frame_rate)))
    if clip.source == "recipe":
        parts.append("made up")
    return ", ".join(parts)


def clip_name(clip: ClipManifest) -> str:
    """The name of a file of the user's own, without its folder; else the name in the scenario."""
    if clip.source != "own":
        return shown_name(clip.clip)
    path = clip.original.path
    kind = PureWindowsPath if "\\" in path else PurePosixPath
    return shown_name(kind(path).name or clip.clip)
