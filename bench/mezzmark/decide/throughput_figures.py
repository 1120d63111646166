"""From a throughput trial's raw nanoseconds to its figures."""

from typing import Final

from mezzmark.facts.throughput import DeliveryMeasurement, GridMeasurement, IngestMeasurement

NS_PER_S: Final = 1e9


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
