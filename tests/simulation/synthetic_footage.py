"""Footage in name only, for runs with the synthetic engine."""

from fractions import Fraction

from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.footage import ColourTags, MediaFacts
from mezzmark.model.run import ClipManifest, MediaManifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.runner.prepare import Footage, resolve_encodings

_FRAME_RATE = Fraction(24)
_FILE_BYTES = 1_000_000


def synthetic_footage(scenario: Scenario, *, frame_count: int = 96) -> Footage:
    """Every clip in every encoding, as if prepared; there are no files behind the paths."""
    encodings = resolve_encodings(scenario)
    footage = Footage(encodings=encodings)
    duration_s = float(frame_count / _FRAME_RATE)
    for spec in scenario.clips:
        footage.frame_counts[spec.name] = frame_count
        footage.clips.append(
            ClipManifest(
                clip=spec.name,
                source="recipe",
                original=_media_facts(spec.name, duration_s),
                fingerprint=f"synthetic {spec.name}",
                frame_count=frame_count,
                duration_s=duration_s,
                keyframe_interval_median=24.0,
            )
        )
        for name in (ORIGINAL, *(encoding.name for encoding in encodings)):
            path = f"synthetic/{spec.name}/{name}"
            footage.media[spec.name, name] = MediaReference(media_path=path, index_path=path)
            footage.media_manifests.append(
                MediaManifest(
                    clip=spec.name,
                    encoding=name,
                    file_bytes=_FILE_BYTES,
                    fingerprint=f"synthetic {spec.name} {name}",
                    frame_count=frame_count,
                    bitrate_bps=_FILE_BYTES * 8 / duration_s,
                )
            )
    return footage


def _media_facts(clip: str, duration_s: float) -> MediaFacts:
    return MediaFacts(
        path=f"synthetic/{clip}/{ORIGINAL}",
        container="mov",
        codec="h264",
        profile="High",
        width_px=1920,
        height_px=1080,
        pixel_format="yuv420p",
        bit_depth=8,
        chroma="4:2:0",
        frame_rate=_FRAME_RATE,
        duration_s=duration_s,
        stated_frame_count=round(duration_s * _FRAME_RATE),
        time_base=1 / _FRAME_RATE,
        has_b_frames=True,
        tags=ColourTags(),
        audio_track_count=0,
        file_bytes=_FILE_BYTES,
    )
