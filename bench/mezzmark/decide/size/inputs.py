"""What sizing needs of each encoding, gathered from the trials of one or more runs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from mezzmark.decide.estimate.observed_run import ObservedRun, Runs
from mezzmark.decide.estimate.over_clips import at_best_of, clip_bitrates, hours_per_hour, mix_of
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.rounds import estimate_rate, estimate_values
from mezzmark.decide.machine.identity import refuse_other_machines
from mezzmark.decide.size.result import PlayedIn
from mezzmark.decide.throughput import grid
from mezzmark.model.cell import ALL_CLIPS, KERNEL_CLIP, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import RunError
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import NS_PER_S, grouped
from mezzmark.model.players import BEST
from mezzmark.model.run import ClipManifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubMeasurement, latencies_ms, proved_mask
from mezzmark.model.tasks.storage import Access
from mezzmark.statistics.intervals import t_interval
from mezzmark.statistics.scaling import ScalingFit

PlayedRate = tuple[Estimate, PlayedIn]

Waits = dict[grid.Round, tuple[float, float]]
"""Per round: mean latency of a move in ms, and what it reads in seconds of the stream."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredEncoding:
    """One encoding's figures; None where the runs did not measure them. `pixel_rate` is what this
    machine ingests, in pixels a second, and `rate_source` where that was measured;
    `is_storage_bound` where writing holds it up. `bits_per_pixel` is over clips.
    `stream_s_per_move` is what a playhead move reads, in seconds of the stream's own rate;
    `saved_ms` how much sooner the picture is there than with the originals, paired by round.
    `played` is how many pixels a second are decoded of all streams that play at once."""

    encoding: str
    pixel_rate: Estimate | None = None
    rate_source: grid.RateSource | None = None
    is_storage_bound: bool = False
    bits_per_pixel: Estimate | None = None
    stream_s_per_move: Estimate | None = None
    saved_ms: Estimate | None = None
    scaling: ScalingFit | None = None
    played: PlayedRate | None = None


def gather_encodings(runs: Runs) -> tuple[MeasuredEncoding, ...]:
    """Every encoding, `original` first. RunError for no run, or runs of different machines."""
    if not runs:
        raise RunError(where="runs", what="no run was given", remedy="Name at least one run.")
    refuse_other_machines(runs)
    trials = [
        ((run_index, trial.round_index), trial)
        for run_index, run in enumerate(runs)
        for trial in run.trials
        if trial.is_counted and not trial.arm and trial.cell.clip != KERNEL_CLIP
    ]
    names = dict.fromkeys(trial.cell.encoding for _, trial in trials)
    ordered = sorted(names, key=lambda name: name != ORIGINAL)
    # What follows is of whole pictures, decoded in software.
    trials = [(k, t) for k, t in trials if (t.played_by.device, t.played_by.lowres) == (None, 0)]
    played = _played_rates(runs)
    waits = {name: _waits_by_round(name, trials, runs) for name in ordered}
    originals = waits.get(ORIGINAL, {})
    return tuple(
        replace(_gather(name, trials, runs, waits[name], originals), played=played.get(name))
        for name in ordered
    )


def measured_storage(runs: Runs, access: Access) -> Estimate | None:
    """10⁶ bytes a second of the best number of processes; of several places, of the slowest."""
    trials = [trial for run in runs for trial in run.trials if trial.cell.task == "storage"]
    places = grouped(
        (one.cell.setting.but(jobs=None), one.estimates["mb_per_s"])
        for one in summarise_cells(trials)
        if one.estimates and one.cell.setting["access"] == access
    )
    best = (max(rates, key=lambda rate: rate.point) for rates in places.values())
    return min(best, key=lambda rate: rate.point, default=None)


def _played_rates(runs: Runs) -> dict[str, PlayedRate]:
    """By encoding, at its best setting in whole pictures; of several runs the first that has it."""
    found: dict[str, PlayedRate] = {}
    tasks: tuple[PlayedIn, ...] = ("decode", "play", "streams")
    for task, run in product(tasks, reversed(runs)):
        manifest, mix = run.manifest, mix_of(run.manifest.clips)
        pixels = sum(mix[clip.clip] * clip.pixels_per_s for clip in manifest.clips)
        mine = (t for t in run.trials if t.cell.task == task and not t.played_by.lowres)
        whole = (t for t in mine if _is_local(t.cell))  # nothing holds them up
        for name, (_, figures) in at_best_of(ObservedRun(manifest, tuple(whole)), task).items():
            streams: Estimate | None = (best := figures[TASKS[task].headline])
            if task != "streams":  # busy while one is played, or hours of decoding an hour
                hours = best if task == "play" else hours_per_hour(best, manifest)
                streams = hours and hours.inverted("streams")
            if streams and pixels:
                found[name] = streams.scaled(pixels, "px/s"), task
    return found


def _gather(
    name: str, trials: grid.RoundTrials, runs: Runs, waits: Waits, originals: Waits
) -> MeasuredEncoding:
    clips = [clip for run in runs for clip in run.manifest.clips]
    rate, source = grid.find_pixel_rate(name, trials, clips) or (None, None)
    decode = _decode_pixel_rate(trials, clips)
    if rate and source and source.task != "ingest" and decode:
        rate, source = (
            _one_after_the_other(rate, decode),
            source.model_copy(update={"with_decode": True}),
        )
    reads = [read for _, read in waits.values()]
    saved = [originals[r][0] - waits[r][0] for r in sorted(waits.keys() & originals.keys())]
    return MeasuredEncoding(
        encoding=name,
        pixel_rate=rate,
        rate_source=source,
        bits_per_pixel=_bits_per_pixel(name, runs),
        stream_s_per_move=(estimate_values(reads, "s", len(reads)) if reads else None),
        saved_ms=_difference(saved) if name != ORIGINAL else None,
        scaling=grid.fit_grid(name, trials, clips),
    )


def _decode_pixel_rate(trials: grid.RoundTrials, clips: Sequence[ClipManifest]) -> Estimate | None:
    """Pixels a second that the originals decode at: in order by the fastest player, else on the way
    of every move with the most threads, clips by their pixels; None where nobody did."""
    if in_order := grid.find_pixel_rate(ORIGINAL, trials, clips, tasks=("decode",)):
        return in_order[0]
    sizes = {clip.clip: clip.original.width_px * clip.original.height_px for clip in clips}
    mine = [
        (key, trial.cell, trial.measurement)
        for key, trial in trials
        if trial.cell.encoding == ORIGINAL
        and isinstance(trial.measurement, ScrubMeasurement)
        and trial.cell.clip in sizes
    ]
    most = max(((_is_local(cell), cell.setting["threads"]) for _, cell, _ in mine), default=None)
    work: dict[grid.Round, list[tuple[float, float]]] = {}
    for key, cell, measured in mine:
        if (_is_local(cell), cell.setting["threads"]) == most:
            pixels = sum(measured.decoded_frames) * sizes[cell.clip]
            work.setdefault(key, []).append((float(pixels), sum(measured.decode_ns) / NS_PER_S))
    totals = [tuple(map(sum, zip(*parts, strict=True))) for parts in work.values()]
    rates = [pixels / seconds for pixels, seconds in totals if pixels and seconds]
    return estimate_values(rates, "px/s", len(rates)) if rates else None


def _is_local(cell: Cell) -> bool:
    return not any(cell.setting.condition)


def _one_after_the_other(encode: Estimate, decode: Estimate) -> Estimate:
    """Each with all cores: the seconds of a pixel add up, and so do those of the slow ends."""

    def both(a: float | None, b: float | None) -> float | None:
        return None if a is None or b is None else 1 / (1 / a + 1 / b)

    changes: dict[str, object] = {
        name: both(getattr(encode, name), getattr(decode, name))
        for name in ("point", "low", "high")
    }
    changes["withheld"] = encode.withheld or decode.withheld
    changes["method"] = "seconds of decoding and of encoding a pixel added up"
    return encode.model_copy(update=changes)


def _difference(values: Sequence[float]) -> Estimate | None:
    """Differences may be of either sign, so t on the values, never cut at 0."""
    if not values:
        return None
    plain = estimate_values([abs(v) for v in values], "ms", len(values))
    signed: dict[str, object] = {"point": float(np.mean(values)), "low": None, "high": None}
    if not plain.withheld:
        interval = t_interval(values, confidence_level=CONFIDENCE_LEVEL)
        signed |= {"low": interval.low, "high": interval.high}
    return plain.model_copy(update=signed | {"method": "t on differences paired by round"})


def _waits_by_round(name: str, trials: grid.RoundTrials, runs: Runs) -> Waits:
    """Per round: mean latency of a move in ms, and what it reads in seconds of the stream. Every
    pattern counts alike, and each clip its share; only rounds that have all are kept. Of several
    settings the local one with `roll`, most threads and the best player counts."""
    mine = [
        (key, trial.cell, trial.measurement)
        for key, trial in trials
        if trial.cell.encoding == name and isinstance(trial.measurement, ScrubMeasurement)
    ]

    def mode(cell: Cell) -> tuple[bool, bool, int, bool]:
        s = cell.setting
        return _is_local(cell), s["policy"] == "roll", s["threads"], s["player"] == BEST

    best = max((mode(cell) for _, cell, _ in mine), default=None)
    rates = [clip_bitrates(run.manifest) for run in runs]
    by_round: dict[grid.Round, dict[tuple[str, str], tuple[float, float]]] = {}
    for key, cell, measured in mine:
        proved = proved_mask(measured)
        if mode(cell) == best and proved.any():
            rate = rates[key[0]].get((name, cell.clip))
            wait = float(latencies_ms(measured)[proved].mean())
            read = float(np.asarray(measured.read_bytes)[proved].mean())
            spot = (cell.clip, cell.setting["pattern"] or "")
            by_round.setdefault(key, {})[spot] = (wait, read * 8 / rate if rate else math.nan)
    full = max(map(len, by_round.values()), default=0)
    named = {spot[0] for spots in by_round.values() for spot in spots} - {ALL_CLIPS}
    mix = mix_of((c for run in runs for c in run.manifest.clips), named)
    found: Waits = {}
    for key, spots in sorted(by_round.items()):
        known = {spot: read for spot, (_, read) in spots.items() if not math.isnan(read)}
        if len(spots) == full and known:
            # A way of moving between clips is of all of them.
            weight = {clip: mix.get(clip, 1.0) for clip, _ in spots}
            waits, reads = ((wait for wait, _ in spots.values()), known.values())
            found[key] = (
                float(np.average(list(waits), weights=[weight[clip] for clip, _ in spots])),
                float(np.average(list(reads), weights=[weight[clip] for clip, _ in known])),
            )
    return found


def _bits_per_pixel(name: str, runs: Runs) -> Estimate | None:
    """Bits of the mix / pixels of the mix, so that cameras like the clips get the report's bit
    rate; its spread is that between clips (t on its log, linearised as for a rate)."""
    rates = {
        (clip.clip, clip.fingerprint): (clip, clip_bitrates(run.manifest).get((name, clip.clip)))
        for run in runs
        for clip in run.manifest.clips
    }
    known = [(clip, rate) for clip, rate in rates.values() if rate and clip.pixels_per_s]
    if not known:
        return None
    mix = mix_of([clip for clip, _ in known])
    bits = np.array([[mix[clip.clip] * rate for clip, rate in known]])
    pixels = np.array([[mix[clip.clip] * clip.pixels_per_s for clip, _ in known]])
    estimate = estimate_rate(bits, pixels, [1.0], unit="bit/px", is_total=True)
    few = tuple(
        reason.model_copy(update={"kind": "few_clips"}) if reason.kind == "few_rounds" else reason
        for reason in estimate.withheld
    )
    changes = {"method": "bits / pixels of the mix; t over clips", "withheld": few}
    return estimate.model_copy(update=changes | {"sample_count": len(known)})
