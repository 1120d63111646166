"""From a finished trial's raw nanoseconds to its figures: one number each, one trial at a time.

The trial is the sampling unit: everything above this module sees trials, never samples. Quantiles
inside a trial are Hyndman & Fan's type 8 (median-unbiased whatever the distribution; The American
Statistician 50(4), 1996, pp. 361-365, where it is the authors' recommendation).
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.model.cell import Cell
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.fidelity import FidelityMeasurement
from mezzmark.model.records import (
    EncodeMeasurement,
    KernelMeasurement,
    ScrubMeasurement,
    Trial,
)
from mezzmark.model.throughput import DeliveryMeasurement, GridMeasurement, IngestMeasurement
from mezzmark.statistics.quantiles import quantile, sorted_quantile


def grid_figures(measured: GridMeasurement) -> dict[str, float]:
    """Aggregate fps over the common window, cores busy, first file, memory per job.

    fps counts finished frames of all jobs until the first job is done, divided by that time.
    Cores busy is the jobs' CPU time over the time from release to the last job's end.
    """
    peaks = [peak for peak in measured.peak_rss_bytes if peak is not None]
    memory = {"peak_rss_bytes": float(max(peaks))} if peaks else {}
    return {
        "throughput_fps": sum(measured.window_packets) / (measured.window_ns / NS_PER_S),
        "first_file_s": min(measured.end_ns) / NS_PER_S,
        "cores_busy": sum(measured.cpu_ns) / max(measured.end_ns),
        **memory,
    }


def ingest_figures(measured: IngestMeasurement) -> dict[str, float]:
    """Makespan, frames and pixels per second over it, idle share of the workers.

    `pixel_rate_mpx_s` counts the pixels of the clips as ingested, in 10⁶ per second, so that
    folders of different sizes compare.
    """
    makespan_s = max(measured.end_ns) / NS_PER_S
    busy_ns = sum(
        end - start for start, end in zip(measured.start_ns, measured.end_ns, strict=True)
    )
    pixels = sum(
        frames * width * height
        for frames, width, height in zip(
            measured.frame_count, measured.width_px, measured.height_px, strict=True
        )
    )
    return {
        "makespan_s": makespan_s,
        "throughput_fps": sum(measured.frame_count) / makespan_s,
        "pixel_rate_mpx_s": pixels / makespan_s / 1e6,
        "idle_fraction": max(0.0, 1 - busy_ns / NS_PER_S / (measured.worker_count * makespan_s)),
        "cores_busy": sum(measured.cpu_ns) / NS_PER_S / makespan_s,
    }


def delivery_figures(measured: DeliveryMeasurement) -> dict[str, float]:
    """Export fps over all passes, and the share of it that decoding alone would take."""
    wall_ns = sum(measured.pass_ns)
    decoding_ns = measured.decode_ns * len(measured.pass_ns)
    return {
        "throughput_fps": measured.frame_count / (wall_ns / NS_PER_S),
        "decode_fraction": decoding_ns / wall_ns,
        "cores_busy": sum(measured.pass_cpu_ns) / wall_ns,
        "file_bytes": float(measured.file_bytes),
    }


PROVED: Final = ("right", "alike")
"""Only a picture known to be the one asked for enters a latency figure."""

NS_PER_MS: Final = 1e6

FIGURE_UNITS: Final = {
    "p50_ms": "ms",
    "p95_ms": "ms",
    "p99_ms": "ms",
    "locate_p50_ms": "ms",
    "decode_p50_ms": "ms",
    "present_p50_ms": "ms",
    "open_ms": "ms",
    "read_bytes_per_move": "B",
    "throughput_fps": "fps",
    "makespan_s": "s",
    "first_file_s": "s",
    "pixel_rate_mpx_s": "Mpx/s",
    "idle_fraction": "",
    "decode_fraction": "",
    "cores_busy": "cores",
    "bitrate_bps": "bit/s",
    "file_bytes": "B",
    "peak_rss_bytes": "B",
    "kernel_ms": "ms",
}
"""Every figure a trial can have, with its unit; the order is the order of tables."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One finished trial as figures. `frame_count` and `wall_ns` are set for encoding trials only,
    whose throughput over several trials is total frames / total seconds; `proved_ms` (latencies of
    proved moves) and `span_ns` (locate, decode and present, each summed over proved moves) for
    scrub trials only, whose tails are those of all moves of all trials."""

    cell: Cell
    round_index: int
    figures: dict[str, float]
    sample_count: int
    frame_count: int = 0
    wall_ns: int = 0
    proved_ms: NDArray[np.float64] | None = field(default=None, compare=False, repr=False)
    span_ns: tuple[int, int, int] = (0, 0, 0)
    position: int = 0


def observe(trials: Iterable[Trial]) -> tuple[Observation, ...]:
    """The finished trials as figures, in order; failed trials have none and are left out.

    Observations of one cell share one `Cell`: grouping asks thousands of times whether two are
    equal, and the same one needs no look inside.
    """
    shared: dict[Cell, Cell] = {}
    return tuple(
        replace(observation, cell=shared.setdefault(observation.cell, observation.cell))
        for trial in trials
        if (observation := observe_trial(trial)) is not None
    )


def observe_trial(trial: Trial) -> Observation | None:
    """One trial's figures, or None where it brought nothing that may be shown."""
    measured = trial.measurement
    if trial.outcome != "finished" or measured is None:
        return None
    peak = trial.process.peak_rss_bytes if trial.process else None
    memory = {} if peak is None else {"peak_rss_bytes": float(peak)}
    if isinstance(measured, ScrubMeasurement):
        return _observe_scrub(trial, measured, memory)
    if isinstance(measured, EncodeMeasurement):
        return Observation(
            cell=trial.cell,
            round_index=trial.round_index,
            figures=_encode_figures(measured) | memory,
            sample_count=1,
            frame_count=measured.frame_count,
            wall_ns=measured.wall_ns,
            position=trial.position,
        )
    if isinstance(measured, FidelityMeasurement):
        return None  # judged, not timed: `mezzmark.decide.picture.fidelity` reads it
    if isinstance(measured, GridMeasurement | IngestMeasurement | DeliveryMeasurement):
        return _observe_throughput(trial, measured)
    return _observe_kernel(trial, measured)


def proved_mask(measured: ScrubMeasurement) -> NDArray[np.bool_]:
    """True for each move whose picture is proved to be the one asked for."""
    proofs = measured.proof
    if sum(proofs.count(proof) for proof in PROVED) == len(proofs):
        return np.ones(len(proofs), dtype=np.bool_)  # as nearly always: no look at each move
    return np.fromiter((proof in PROVED for proof in proofs), bool, len(proofs))


def latencies_ms(measured: ScrubMeasurement) -> NDArray[np.float64]:
    """Locate + decode + present of every move, in ms; proof is not looked at here."""
    spans = (measured.locate_ns, measured.decode_ns, measured.present_ns)
    total = np.zeros(len(measured.locate_ns), dtype=np.int64)
    for span in spans:
        total += np.asarray(span, dtype=np.int64)
    return total / NS_PER_MS


def _observe_scrub(
    trial: Trial, measured: ScrubMeasurement, memory: dict[str, float]
) -> Observation | None:
    proved = proved_mask(measured)
    if not proved.any():
        return None
    # Each list of numbers is turned into an array once: that is most of what a large run costs.
    spans_ns = {
        name: np.asarray(getattr(measured, f"{name}_ns"), dtype=np.int64)[proved]
        for name in ("locate", "decode", "present")
    }
    latency_ms = (spans_ns["locate"] + spans_ns["decode"] + spans_ns["present"]) / NS_PER_MS
    ordered_ms = np.sort(latency_ms)
    figures = {
        "p50_ms": sorted_quantile(ordered_ms, 0.5),
        "p95_ms": sorted_quantile(ordered_ms, 0.95),
    }
    for name, span_ns in spans_ns.items():
        figures[f"{name}_p50_ms"] = quantile(span_ns / NS_PER_MS, 0.5)
    if measured.open_ns:
        figures["open_ms"] = sum(measured.open_ns) / len(measured.open_ns) / NS_PER_MS
    read_bytes = np.asarray(measured.read_bytes, dtype=np.int64)[proved]
    figures["read_bytes_per_move"] = int(read_bytes.sum()) / read_bytes.size
    locate_ns, decode_ns, present_ns = (int(span_ns.sum()) for span_ns in spans_ns.values())
    return Observation(
        cell=trial.cell,
        round_index=trial.round_index,
        figures=figures | memory,
        sample_count=latency_ms.size,
        proved_ms=latency_ms,
        span_ns=(locate_ns, decode_ns, present_ns),
        position=trial.position,
    )


def _encode_figures(measured: EncodeMeasurement) -> dict[str, float]:
    duration_s = float(measured.frame_count / Fraction(measured.frame_rate))
    return {
        "throughput_fps": measured.frame_count / (measured.wall_ns / NS_PER_S),
        "cores_busy": measured.cpu_ns / measured.wall_ns,
        "bitrate_bps": measured.packet_bytes * 8 / duration_s,
        "file_bytes": float(measured.file_bytes),
    }


def _observe_throughput(
    trial: Trial, measured: GridMeasurement | IngestMeasurement | DeliveryMeasurement
) -> Observation:
    """Trials of many frames, whose throughput over several trials is total frames / seconds."""
    if isinstance(measured, GridMeasurement):
        figures = grid_figures(measured)
        frames, wall_ns = sum(measured.window_packets), measured.window_ns
    elif isinstance(measured, IngestMeasurement):
        figures = ingest_figures(measured)
        frames, wall_ns = sum(measured.frame_count), max(measured.end_ns)
    else:
        figures = delivery_figures(measured)
        frames, wall_ns = measured.frame_count, sum(measured.pass_ns)
    return Observation(
        cell=trial.cell,
        round_index=trial.round_index,
        figures=figures,
        sample_count=1,
        frame_count=frames,
        wall_ns=wall_ns,
        position=trial.position,
    )


def _observe_kernel(trial: Trial, measured: KernelMeasurement) -> Observation | None:
    if not measured.wall_ns:
        return None
    wall_ms = np.asarray(measured.wall_ns, dtype=np.float64) / NS_PER_MS
    return Observation(
        cell=trial.cell,
        round_index=trial.round_index,
        figures={"kernel_ms": quantile(wall_ms, 0.5)},
        sample_count=len(measured.wall_ns),
        position=trial.position,
    )
