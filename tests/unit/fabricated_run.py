"""Runs with known distributions, in place of footage, FFmpeg and hours of measuring.

`fabricate_run` returns a `(Manifest, trials)` pair whose true medians are known, so that whatever
stands on trials can be tested in milliseconds. All times are log-normal; a trial-level effect is
shared by the samples of a trial, a round-level one by all cells of a round, as on real machines.
"""

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from mezzmark.facts.cells import Cell
from mezzmark.facts.encoding import ORIGINAL, Encoding
from mezzmark.facts.footage import ClipSpec, ColourTags, MediaFacts, Recipe
from mezzmark.facts.records import (
    EncodeMeasurement,
    HostMoment,
    Measurement,
    ProcessFacts,
    Proof,
    ScrubMeasurement,
    Trial,
)
from mezzmark.facts.run import ClipManifest, HostFacts, Manifest, MediaManifest
from mezzmark.facts.scenario import EncodeSettings, Pattern, Scenario, ScrubSettings

FRAME_COUNT = 96
RATE = Fraction(24)
HOSTILE_NAMES = (
    "<script>alert('clip')</script>",
    "\"double\" & 'single' quotes",
    "line\nbreak\tand tab",
    "\u202eright-to-left override\u202c and \u05e2\u05d1\u05e8\u05d9\u05ea",
    "x" * 300,
    "$\\frac{1}{2}$ _under_ **star** | pipe `tick` [link](#a) {{ braces }}",
)
"""Names that break careless output: markup, quotes, line breaks, direction marks, length, and
what plotting and templating languages read as their own."""


@dataclass(frozen=True, kw_only=True)
class FabricatedEncoding:
    """An encoding with its true median jump latency, bit rate and one-thread encode speed."""

    name: str
    jump_ms: float
    bitrate_bps: float
    encode_fps: float = 60.0
    wrong_fraction: float = 0.0
    unreadable_fraction: float = 0.0
    fails: str = ""
    is_intra: bool = True


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Log standard deviations at each level, and a drift per round (log units)."""

    sample: float = 0.35
    trial: float = 0.03
    round: float = 0.05
    drift: float = 0.0


THREE = (
    FabricatedEncoding(name=ORIGINAL, jump_ms=310, bitrate_bps=50e6, is_intra=False, encode_fps=0),
    FabricatedEncoding(name="VC-3 SQ", jump_ms=14, bitrate_bps=116e6, encode_fps=140),
    FabricatedEncoding(name="RDD 36 standard", jump_ms=19, bitrate_bps=122e6, encode_fps=62),
)

EIGHT = (
    *THREE,
    FabricatedEncoding(name="VC-3 SQ (MXF)", jump_ms=14.05, bitrate_bps=116e6, encode_fps=139),
    FabricatedEncoding(name="AVC all-intra", jump_ms=27, bitrate_bps=96e6, encode_fps=31),
    FabricatedEncoding(
        name="HEVC long-GOP", jump_ms=480, bitrate_bps=24e6, encode_fps=6.5, is_intra=False
    ),
    FabricatedEncoding(name="FFV1", jump_ms=66, bitrate_bps=610e6, encode_fps=44),
    FabricatedEncoding(
        name="JPEG 2000",
        jump_ms=140,
        bitrate_bps=210e6,
        encode_fps=4.2,
        wrong_fraction=0.01,
        unreadable_fraction=0.02,
    ),
)


def many_encodings(count: int) -> tuple[FabricatedEncoding, ...]:
    """`original` and `count` - 1 others, spread over two decades of latency and bit rate."""
    rng = np.random.default_rng(40)
    families = ("VC-3", "RDD 36", "Motion JPEG", "AVC intra", "HEVC intra", "FFV1", "VC-2", "VC-5")
    made = [THREE[0]]
    for index in range(1, count):
        family = families[index % len(families)]
        made.append(
            FabricatedEncoding(
                name=f"{family} profile {index} in {'MXF' if index % 3 else 'MOV'}, 10 bit",
                jump_ms=float(10 * 1.11**index * rng.lognormal(0, 0.2)),
                bitrate_bps=float(3e7 * 1.08**index * rng.lognormal(0, 0.5)),
                encode_fps=float(200 / 1.08**index * rng.lognormal(0, 0.2)),
            )
        )
    return tuple(made)


@dataclass(frozen=True, kw_only=True)
class Fabrication:
    """Everything that decides a fabricated run; the same value gives the same run."""

    encodings: tuple[FabricatedEncoding, ...] = THREE
    clips: tuple[str, ...] = ("street at dusk",)
    patterns: tuple[Pattern, ...] = ("jump", "near")
    encode_threads: tuple[int, ...] = (1, 4)
    scrub_threads: tuple[int, ...] = (4,)
    rounds: int = 6
    requests: int = 24
    spread: Spread = field(default_factory=Spread)
    seed: int = 1
    host_label: str = "bench-a"
    name: str = "fabricated"
    stop_reason: str = "every cell reached the precision asked for (5 %)"


NEAR_SHARE = 0.6
"""A near hop costs this share of a jump in a long group of pictures."""


def fabricate_run(made: Fabrication | None = None) -> tuple[Manifest, tuple[Trial, ...]]:
    """A manifest and its trials, round after round in shuffled order."""
    made = made or Fabrication()
    rng = np.random.default_rng(made.seed)
    by_name = {encoding.name: encoding for encoding in made.encodings}
    trials = []
    for round_index in range(made.rounds):
        round_effect = rng.normal(0, made.spread.round) + made.spread.drift * round_index
        cells = fabricated_cells(made)
        for position, order in enumerate(rng.permutation(len(cells))):
            cell = cells[order]
            trials.append(
                _trial(made, by_name[cell.encoding], cell, round_index, position, round_effect, rng)
            )
    return fabricate_manifest(made), tuple(trials)


def fabricated_cells(made: Fabrication) -> list[Cell]:
    """Every cell of the fabricated plan; the original is not encoded."""
    cells = []
    for clip in made.clips:
        for encoding in made.encodings:
            for pattern in made.patterns:
                cells += [
                    Cell(
                        task="scrub",
                        clip=clip,
                        encoding=encoding.name,
                        pattern=pattern,
                        policy="roll",
                        threading="slice",
                        thread_count=threads,
                        viewer_height_px=540,
                    )
                    for threads in made.scrub_threads
                ]
            if encoding.name != ORIGINAL:
                cells += [
                    Cell(task="encode", clip=clip, encoding=encoding.name, thread_count=threads)
                    for threads in made.encode_threads
                ]
    return cells


def _trial(
    made: Fabrication,
    encoding: FabricatedEncoding,
    cell: Cell,
    round_index: int,
    position: int,
    round_effect: float,
    rng: np.random.Generator,
) -> Trial:
    effect = float(np.exp(round_effect + rng.normal(0, made.spread.trial)))
    if encoding.fails and round_index == made.rounds - 1:
        outcome, reason, measurement = "crashed", encoding.fails, None
    elif cell.task == "scrub":
        outcome, reason = "finished", ""
        measurement = _scrub(made, encoding, cell, effect, rng)
    else:
        outcome, reason = "finished", ""
        measurement = _encode(encoding, cell, effect)
    return Trial(
        round_index=round_index,
        position=position,
        cell=cell,
        seed=made.seed * 1000 + round_index,
        started_utc=f"2026-03-01T10:{round_index:02d}:{position % 60:02d}Z",
        wall_ns=_wall_ns(measurement),
        outcome=outcome,
        reason=reason,
        measurement=measurement,
        process=ProcessFacts(cpu_ns=900_000_000, peak_rss_bytes=210_000_000 + 1000 * position),
        host_before=HostMoment(load_average_1m=0.4, steal_fraction=0.0),
        host_during=HostMoment(load_average_1m=1.2, steal_fraction=0.001, busy_fraction=0.6),
    )


def _wall_ns(measurement: Measurement | None) -> int:
    if isinstance(measurement, ScrubMeasurement):
        spans = (measurement.locate_ns, measurement.decode_ns, measurement.present_ns)
        return sum(sum(span) for span in spans)
    return measurement.wall_ns if isinstance(measurement, EncodeMeasurement) else 0


def _scrub(
    made: Fabrication,
    encoding: FabricatedEncoding,
    cell: Cell,
    effect: float,
    rng: np.random.Generator,
) -> ScrubMeasurement:
    count = made.requests
    median_ms = encoding.jump_ms * effect
    if cell.pattern != "jump" and not encoding.is_intra:
        median_ms *= NEAR_SHARE
    latency_ms = median_ms * np.exp(rng.normal(0, made.spread.sample, count))
    present_ms = np.minimum(2.5, latency_ms * 0.3)
    locate_ms = 0.04 * latency_ms
    decode_ms = latency_ms - present_ms - locate_ms
    frames = rng.integers(0, FRAME_COUNT, count)
    proofs: list[Proof] = ["right"] * count
    draws = rng.random(count)
    for index in range(count):
        if draws[index] < encoding.wrong_fraction:
            proofs[index] = "wrong"
        elif draws[index] < encoding.wrong_fraction + encoding.unreadable_fraction:
            proofs[index] = "unreadable"
    shown = [int(f) + (proofs[i] == "wrong") for i, f in enumerate(frames)]
    return ScrubMeasurement(
        clip_position=(0,) * count,
        frame_index=tuple(int(frame) for frame in frames),
        locate_ns=_ns(locate_ms),
        decode_ns=_ns(decode_ms),
        present_ns=_ns(present_ms),
        overhead_ns=(4000,) * count,
        decoded_frames=(1 if encoding.is_intra else 12,) * count,
        read_bytes=(int(encoding.bitrate_bps / 8 / RATE),) * count,
        shown_frame=tuple(shown),
        proof=tuple(proofs),
        open_ns=(int(3e6 * effect),),
    )


def _ns(values_ms: np.ndarray) -> tuple[int, ...]:
    return tuple(int(value) for value in np.rint(values_ms * 1e6))


def _encode(encoding: FabricatedEncoding, cell: Cell, effect: float) -> EncodeMeasurement:
    speedup = cell.thread_count / (1 + 0.15 * (cell.thread_count - 1))
    wall_ns = int(FRAME_COUNT / (encoding.encode_fps * speedup) * effect * 1e9)
    packet_bytes = int(encoding.bitrate_bps / 8 * FRAME_COUNT / RATE)
    return EncodeMeasurement(
        frame_count=FRAME_COUNT,
        decoded_frame_count=FRAME_COUNT,
        stamps_in_order=True,
        wall_ns=wall_ns,
        cpu_ns=int(wall_ns * speedup * 0.98),
        file_bytes=packet_bytes + 4096,
        packet_bytes=packet_bytes,
        stream_digest=f"{abs(hash((1, FRAME_COUNT))):016x}",
        frame_rate=str(RATE),
        width_px=1920,
        height_px=1080,
    )


def fabricate_manifest(made: Fabrication) -> Manifest:
    """The manifest that belongs to `made`."""
    duration_s = float(FRAME_COUNT / RATE)
    scenario = Scenario(
        name=made.name,
        seed=made.seed,
        rounds=max(made.rounds, 10),
        clips=tuple(
            ClipSpec(name=clip, recipe=Recipe(frame_rate=RATE, duration_s=duration_s))
            for clip in made.clips
        ),
        encodings=tuple(encoding.name for encoding in made.encodings),
        scrub=ScrubSettings(
            patterns=made.patterns, requests=made.requests, threads=made.scrub_threads
        ),
        encode=EncodeSettings(threads=made.encode_threads, frames=FRAME_COUNT),
    )
    return Manifest(
        mezzmark_version="0.1.0",
        run_id=f"{made.name}-{made.host_label}"[:80],
        created_utc="2026-03-01T10:00:00Z",
        scenario=scenario,
        encodings=tuple(
            _encoding(encoding) for encoding in made.encodings if encoding.name != ORIGINAL
        ),
        clips=tuple(_clip(clip, duration_s) for clip in made.clips),
        media=tuple(
            MediaManifest(
                clip=clip,
                encoding=encoding.name,
                file_bytes=int(encoding.bitrate_bps * duration_s / 8),
                fingerprint="f" * 16,
                frame_count=FRAME_COUNT,
                bitrate_bps=encoding.bitrate_bps,
            )
            for clip in made.clips
            for encoding in made.encodings
        ),
        refused=(),
        host=fabricate_host(made.host_label),
        stop_reason=made.stop_reason,
    )


def _encoding(encoding: FabricatedEncoding) -> Encoding:
    return Encoding(
        name=encoding.name,
        codec=encoding.name.split()[0] if encoding.name.split() else "?",
        encoder="fabricated",
        container="mov",
        pixel_format="yuv422p",
        is_intra=encoding.is_intra,
    )


def _clip(clip: str, duration_s: float) -> ClipManifest:
    original = MediaFacts(
        path=f"{clip}.mov",
        container="mov",
        codec="AVC",
        profile="High",
        width_px=1920,
        height_px=1080,
        pixel_format="yuv420p",
        bit_depth=8,
        chroma="4:2:0",
        frame_rate=RATE,
        duration_s=duration_s,
        stated_frame_count=FRAME_COUNT,
        time_base=Fraction(1, 12288),
        has_b_frames=True,
        tags=ColourTags(),
        audio_track_count=0,
        file_bytes=int(50e6 * duration_s / 8),
    )
    return ClipManifest(
        clip=clip,
        source="recipe",
        original=original,
        fingerprint="0" * 16,
        frame_count=FRAME_COUNT,
        duration_s=duration_s,
        keyframe_interval_median=24.0,
    )


def fabricate_host(host_label: str) -> HostFacts:
    """A workstation of four cores that exists nowhere."""
    return HostFacts(
        host_label=host_label,
        cpu_model="A processor with four cores",
        logical_core_count=4,
        physical_core_count=4,
        usable_core_count=4,
        memory_bytes=16 * 2**30,
        frequency_max_mhz=3600.0,
        governor="performance",
        turbo=None,
        is_virtual=False,
        on_battery=None,
        operating_system="Linux",
        kernel="6.1",
        python="3.12.1",
        library_versions={"av": "18.0.0", "libavcodec": "62.11.100", "numpy": "2.4.0"},
        storage_path="/tmp",
        file_system="ext4",
        storage_free_bytes=10**12,
    )
