"""What a run directory says of itself: scenario, host, clips, versions."""

import hashlib
from typing import Annotated, Final, Literal

from pydantic import Field

from mezzmark.model.cell import FreeName
from mezzmark.model.encoding import ORIGINAL_ENCODING, Encoding, has_alpha_plane
from mezzmark.model.fact import Amount, Fact, Length, Positive, Whole
from mezzmark.model.footage import MediaFacts, Suspicion
from mezzmark.model.link import Link
from mezzmark.model.players import Player
from mezzmark.model.scenario import Scenario
from mezzmark.model.survival import Survival
from mezzmark.model.tasks.kernel import BandwidthFacts

MANIFEST_SCHEMA: Final = 2  # Version of `manifest.json`; `model.upgrade` says what changed


class HostFacts(Fact):
    """The machine a run was made on; None where the OS does not tell. `threads_per_core` is 2 where
    cores run two threads each (SMT); `memory_bandwidth` is measured for runs with a grid only."""

    host_label: str
    cpu_model: str | None
    logical_core_count: Positive
    physical_core_count: Whole | None
    usable_core_count: Positive
    memory_bytes: Whole
    frequency_max_mhz: Amount | None
    governor: str | None
    turbo: str | None
    is_virtual: bool | None
    on_battery: bool | None
    operating_system: str
    kernel: str
    python: str
    library_versions: dict[str, str]
    storage_path: str
    file_system: str | None
    storage_free_bytes: Whole | None
    gpu_driver: str | None = None
    threads_per_core: Whole | None = None
    numa_node_count: Whole | None = None
    memory_bandwidth: BandwidthFacts | None = None


class Root(Fact):
    """A folder of prepared files and what the system says of its storage; `path` is its last part
    alone."""

    name: str
    path: str
    file_system: str | None = None
    options: str | None = None
    device: str | None = None
    free_bytes: Whole | None = None


class ClipManifest(Fact):
    """A clip as it was measured: one entry per media file (`clip` names it in the cells). `share`
    is its part of the footage's time (None: equal parts); `key_frames` are the frame indexes of the
    original's key frames, empty where they were not noted; `suspicions` are signs of damage."""

    clip: FreeName
    source: Literal["recipe", "own"]
    original: MediaFacts
    fingerprint: str
    frame_count: Positive
    duration_s: Length
    keyframe_interval_median: Amount
    share: Annotated[float, Field(gt=0, le=1)] | None = None
    key_frames: tuple[Whole, ...] = ()
    suspicions: tuple[Suspicion, ...] = ()

    @property
    def pixels_per_s(self) -> float:
        """Pixels of a second of the footage."""
        pixels = self.original.width_px * self.original.height_px * self.frame_count
        return pixels / self.duration_s

    @property
    def original_encoding(self) -> Encoding:
        """The clip as the camera delivered it, as an encoding."""
        media = self.original
        facts = {"codec", "container", "pixel_format", "bit_depth", "chroma"}
        return ORIGINAL_ENCODING.model_copy(
            update={
                **media.model_dump(include=facts),
                "profile": media.profile or "",
                "has_alpha": media.has_alpha or has_alpha_plane(media.pixel_format),
                "keyframe_interval": round(self.keyframe_interval_median),
                "is_intra": self.keyframe_interval_median == 1,
            }
        )


class MediaManifest(Fact):
    """An encoding of a clip as it lay on disk while it was measured; `survives` tells what became
    of all that the user's own file holds, and is empty of other clips; `is_aspect_lost` where it
    does not say the aspect of its samples, which are not square. `made_by` is the host of a fleet
    that encoded it, empty where the machine did that prepared the footage."""

    clip: str
    encoding: str
    file_bytes: Whole
    fingerprint: str
    frame_count: Positive
    bitrate_bps: Amount
    survives: tuple[Survival, ...] = ()
    is_aspect_lost: bool = False
    made_by: str = ""


class LeftFile(Fact):
    """A file found in a folder or by a glob that is no clip of its own, and why."""

    name: str
    reason: str


class Manifest(Fact):
    """`manifest.json`. `stop_reason` is empty while the run goes on. `players`, `links` and `roots`
    are those that cells name; `host_id` is the same for all runs of one machine (see `host_id`)."""

    schema_version: Literal[2] = MANIFEST_SCHEMA
    mezzmark_version: str
    run_id: str
    created_utc: str
    scenario: Scenario
    encodings: tuple[Encoding, ...]
    clips: tuple[ClipManifest, ...]
    media: tuple[MediaManifest, ...]
    refused: tuple[str, ...] = ()
    left_out: tuple[LeftFile, ...] = ()
    players: tuple[Player, ...] = ()
    links: tuple[Link, ...] = ()
    roots: tuple[Root, ...] = ()
    host_id: str = ""
    host: HostFacts
    stop_reason: str = ""

    def find_encodings(self, name: str) -> tuple[Encoding, ...]:
        """Those of this name: one, or for the original one a clip, since clips may differ."""
        originals = (clip.original_encoding for clip in self.clips)
        return tuple(e for e in (*originals, *self.encodings) if e.name == name)


MACHINE_FACTS: Final = ("host_label", "cpu_model", "logical_core_count", "memory_bytes")
"""What a machine is; not its system or versions, which change while a machine stays the same.
`decide.machine.identity` has what else is meant by "the same machine"."""

RESUME_FACTS: Final = (
    "cpu_model",
    "usable_core_count",
    "memory_bytes",
    "operating_system",
    "kernel",
)
"""What must be as it was for a run to be resumed: rounds before and after are one sample, so all
that may change a figure counts. The label does not: it is only a name."""


def host_id(host: HostFacts) -> str:
    """16 hex digits that stand for a machine, made of its `MACHINE_FACTS`."""
    facts = tuple(getattr(host, name) for name in MACHINE_FACTS)
    return hashlib.sha256(repr(facts).encode()).hexdigest()[:16]
