"""Footage in name only, for runs with the synthetic engine."""

from fixtures.fabricated_run import FRAME_COUNT, fabricate_clip
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.run import MediaManifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.runner.prepare import Footage, resolve_encodings

_FILE_BYTES = 1_000_000


def synthetic_footage(scenario: Scenario) -> Footage:
    """Every clip in every encoding, as if prepared; there are no files behind the paths."""
    encodings = resolve_encodings(scenario)
    footage = Footage(encodings=encodings)
    for spec in scenario.clips:
        clip = fabricate_clip(spec.name, fingerprint=f"synthetic {spec.name}")
        footage.frame_counts[spec.name] = FRAME_COUNT
        footage.clips.append(clip)
        for name in (ORIGINAL, *(encoding.name for encoding in encodings)):
            path = f"synthetic/{spec.name}/{name}"
            footage.media[spec.name, name] = MediaReference(media_path=path, index_path=path)
            footage.media_manifests.append(
                MediaManifest(
                    clip=spec.name,
                    encoding=name,
                    file_bytes=_FILE_BYTES,
                    fingerprint=f"synthetic {spec.name} {name}",
                    frame_count=FRAME_COUNT,
                    bitrate_bps=_FILE_BYTES * 8 / clip.duration_s,
                )
            )
    return footage
