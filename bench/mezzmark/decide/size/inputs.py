"""What sizing needs of each encoding, gathered from the trials of one or more runs."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.estimate.complete_rounds import run_names
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.decide.machine.identity import POOLED, differing_facts
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import RunError
from mezzmark.model.estimate import Estimate, Withheld
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.records import Trial
from mezzmark.model.run import ClipManifest, Manifest
from mezzmark.model.tasks.encode import EncodeMeasurement
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import IngestMeasurement
from mezzmark.model.tasks.scrub import ScrubMeasurement, latencies_ms, proved_mask
from mezzmark.statistics.intervals import t_interval
from mezzmark.statistics.scaling import ScalingFit, fit_scaling

RATE_TASKS: Final = ("ingest", "grid", "encode")
"""Where ingest speed may come from, best first: only `ingest` decodes and converts as well."""

Round = tuple[int, int]
"""Number of the run, and of the round in it."""

Work = dict[Round, list[tuple[str, float, float]]]
"""Per round, what each cell encoded: its name, pixels, and seconds."""


def find_pixel_rate(
    name: str, trials: Sequence[tuple[Round, Trial]], confidence_level: float
) -> tuple[Estimate | None, str]:
    """Pixels a second of the fastest setting of the best task measured, and what that was.

    Ingest that resizes is left out: its pixels are not those of the footage.
    """
    for task in RATE_TASKS:
        settings: dict[tuple[int, int, str], Work] = {}
        for key, trial in trials:
            cell = trial.cell
            if (
                cell.task == task
                and cell.encoding == name
                and cell.setting["delivery_height"] is None
            ):
                setting = (
                    cell.setting["jobs"],
                    cell.setting["threads"],
                    cell.setting["clip_order"] or "",
                )
                by_round = settings.setdefault(setting, {})
                by_round.setdefault(key, []).append((cell.cell_id, *_work(trial)))
        rates = {setting: _total_rates(by_round) for setting, by_round in settings.items()}
        rates = {setting: values for setting, values in rates.items() if values}
        if rates:
            best = max(rates, key=lambda setting: float(np.mean(np.log(rates[setting]))))
            jobs, threads, order = best
            source = f"{task}, {count_words(jobs, 'job')} × {count_words(threads, 'thread')}"
            source += f", {order}" if order else ""
            return estimate_values(rates[best], "px/s", len(rates[best]), confidence_level), source
    return None, ""


def count_words(number: int, noun: str) -> str:
    """`1 job`, `2 jobs`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _work(trial: Trial) -> tuple[float, float]:
    """Pixels encoded and the seconds they took; (0, 0) for trials of other kinds."""
    measured = trial.measurement
    if isinstance(measured, EncodeMeasurement):
        pixels = measured.frame_count * measured.width_px * measured.height_px
        return float(pixels), measured.wall_ns / 1e9
    if isinstance(measured, GridMeasurement):
        pixels = sum(measured.window_packets) * measured.width_px * measured.height_px
        return float(pixels), measured.window_ns / 1e9
    if isinstance(measured, IngestMeasurement):
        shapes = zip(measured.frame_count, measured.width_px, measured.height_px, strict=True)
        return float(sum(math.prod(shape) for shape in shapes)), max(measured.end_ns) / 1e9
    return 0.0, 0.0


def _total_rates(by_round: Work) -> list[float]:
    """Total pixels / total seconds of each round in which every cell of the setting took part."""
    full = max(len({cell for cell, _, _ in work}) for work in by_round.values())
    return [
        sum(pixels for _, pixels, _ in work) / sum(seconds for *_, seconds in work)
        for _, work in sorted(by_round.items())
        if len({cell for cell, _, _ in work}) == full and sum(s for *_, s in work) > 0
    ]


def fit_grid(name: str, trials: Sequence[tuple[Round, Trial]]) -> ScalingFit | None:
    """The law through the best split of each core count of the grid; None for too few counts."""
    settings: dict[tuple[int, int], Work] = {}
    for key, trial in trials:
        cell = trial.cell
        if cell.task == "grid" and cell.encoding == name:
            by_round = settings.setdefault((cell.setting["jobs"], cell.setting["threads"]), {})
            by_round.setdefault(key, []).append((cell.cell_id, *_work(trial)))
    best: dict[int, list[float]] = {}
    for (jobs, threads), by_round in settings.items():
        rates, count = _total_rates(by_round), jobs * threads
        if rates and (count not in best or np.mean(rates) > np.mean(best[count])):
            best[count] = rates
    rounds = min((len(rates) for rates in best.values()), default=0)
    if len(best) < 2 or rounds == 0:
        return None
    counts = sorted(best)
    matrix = np.array([best[count][:rounds] for count in counts]).T
    return fit_scaling(counts, matrix, law="usl" if len(counts) > 2 else "amdahl")


MINIMUM_CLIPS: Final = 3
"""As for rounds: two clips make an interval of 12.7 standard errors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredEncoding:
    """One encoding's figures; None where the runs did not measure them.

    `pixel_rate` is what this machine ingests, in pixels a second, and `rate_source` where that
    was measured. `bits_per_pixel` is over clips. `stream_s_per_move` is what a playhead move
    reads, in seconds of the stream's own rate. `wait_ms` is the mean latency of a move,
    `saved_ms` how much shorter it is than with the originals, paired by round.
    """

    encoding: str
    pixel_rate: Estimate | None = None
    rate_source: str = ""
    bits_per_pixel: Estimate | None = None
    stream_s_per_move: Estimate | None = None
    wait_ms: Estimate | None = None
    saved_ms: Estimate | None = None
    scaling: ScalingFit | None = None
    clip_sizes: tuple[tuple[int, int], ...] = ()


def gather_encodings(
    runs: Sequence[MeasuredRun], *, confidence_level: float
) -> tuple[MeasuredEncoding, ...]:
    """Every encoding of the runs, `original` first where it was measured.

    Raises RunError for no run, or for runs of different machines.
    """
    _check_one_machine(runs)
    trials = [
        ((run_index, trial.round_index), trial)
        for run_index, run in enumerate(runs)
        for trial in run.trials
        if trial.outcome == "finished" and not trial.arm and trial.cell.task != "kernel"
    ]
    names = dict.fromkeys(trial.cell.encoding for _, trial in trials)
    ordered = sorted(names, key=lambda name: name != ORIGINAL)
    waits = {name: _waits_by_round(name, trials, runs) for name in ordered}
    return tuple(_gather(name, trials, runs, waits, confidence_level) for name in ordered)


def _gather(
    name: str,
    trials: Sequence[tuple[Round, Trial]],
    runs: Sequence[MeasuredRun],
    waits: dict[str, "dict[Round, tuple[float, float]]"],
    confidence_level: float,
) -> MeasuredEncoding:
    rate, source = find_pixel_rate(name, trials, confidence_level)
    mine, original = waits[name], waits.get(ORIGINAL, {})
    common = sorted(mine.keys() & original.keys())
    saved = [original[r][0] - mine[r][0] for r in common]
    return MeasuredEncoding(
        encoding=name,
        pixel_rate=rate,
        rate_source=source,
        bits_per_pixel=_bits_per_pixel(name, runs, confidence_level),
        stream_s_per_move=_estimate([read for _, read in mine.values()], "s", confidence_level),
        wait_ms=_estimate([wait for wait, _ in mine.values()], "ms", confidence_level),
        saved_ms=_difference(saved, confidence_level) if name != ORIGINAL else None,
        scaling=fit_grid(name, trials),
        clip_sizes=tuple(
            dict.fromkeys(
                (clip.original.width_px, clip.original.height_px)
                for run in runs
                for clip in run.manifest.clips
            )
        ),
    )


def _estimate(values: Sequence[float], unit: str, confidence_level: float) -> Estimate | None:
    return estimate_values(values, unit, len(values), confidence_level) if values else None


def _difference(values: Sequence[float], confidence_level: float) -> Estimate | None:
    """Differences may be of either sign, so t on the values, never cut at 0."""
    if not values:
        return None
    plain = estimate_values([abs(v) for v in values], "ms", len(values), confidence_level)
    low = high = None
    if not plain.withheld:
        interval = t_interval(values, confidence_level=confidence_level)
        low, high = interval.low, interval.high
    return plain.model_copy(
        update={
            "point": float(np.mean(values)),
            "low": low,
            "high": high,
            "method": "t on differences paired by round",
        }
    )


def _waits_by_round(
    name: str, trials: Sequence[tuple[Round, Trial]], runs: Sequence[MeasuredRun]
) -> "dict[Round, tuple[float, float]]":
    """Per round: mean latency of a move in ms, and what it reads in seconds of the stream.

    Every pattern and clip counts alike; only rounds that have all of them are kept. Of several
    settings the one with `roll` and the most threads counts, as an editor would use.
    """
    mine = [
        (key, trial)
        for key, trial in trials
        if trial.cell.encoding == name
        and PLAYERS.get(trial.cell.setting["player"], Player(name="")).device is None
        and isinstance(trial.measurement, ScrubMeasurement)
    ]
    if not mine:
        return {}
    choice = max((t.cell.setting["policy"] == "roll", t.cell.setting["threads"]) for _, t in mine)
    by_round: dict[Round, dict[tuple[str, str], tuple[float, float]]] = {}
    for key, trial in mine:
        cell, measured = trial.cell, trial.measurement
        if (cell.setting["policy"] == "roll", cell.setting["threads"]) != choice:
            continue
        assert isinstance(measured, ScrubMeasurement)
        proved = proved_mask(measured)
        rate = _bitrate_bps(runs[key[0]].manifest, cell.clip, name)
        if proved.any():
            wait = float(latencies_ms(measured)[proved].mean())
            read = float(np.asarray(measured.read_bytes)[proved].mean())
            spot = (cell.clip, cell.setting["pattern"] or "")
            by_round.setdefault(key, {})[spot] = (wait, read * 8 / rate if rate else math.nan)
    full = max(map(len, by_round.values()), default=0)
    return {
        key: (
            float(np.mean([wait for wait, _ in spots.values()])),
            float(np.nanmean([read for _, read in spots.values()])),
        )
        for key, spots in sorted(by_round.items())
        if len(spots) == full and not all(math.isnan(read) for _, read in spots.values())
    }


def _bitrate_bps(manifest: Manifest, clip: str, encoding: str) -> float | None:
    for media in manifest.media:
        if media.encoding == encoding and media.clip == clip:
            return media.bitrate_bps
    if encoding == ORIGINAL:
        for found in manifest.clips:
            if found.clip == clip and found.original.duration_s:
                return found.original.file_bytes * 8 / found.original.duration_s
    return None


def _bits_per_pixel(
    name: str, runs: Sequence[MeasuredRun], confidence_level: float
) -> Estimate | None:
    values = list(_bits_of_clips(name, runs))
    if not values:
        return None
    estimate = estimate_values(values, "bit/px", len(values), confidence_level)
    if estimate.withheld and len(values) < MINIMUM_CLIPS:
        withheld = Withheld(kind="few_clips", have=len(values), needed=MINIMUM_CLIPS)
        return estimate.model_copy(update={"withheld": (withheld,)})
    return estimate.model_copy(update={"method": "t on logs over clips"})


def _bits_of_clips(name: str, runs: Sequence[MeasuredRun]) -> Iterable[float]:
    seen: set[tuple[str, str]] = set()
    for run in runs:
        for clip in run.manifest.clips:
            rate = _bitrate_bps(run.manifest, clip.clip, name)
            pixels = _pixels_per_s(clip)
            if rate and pixels and (clip.clip, clip.fingerprint) not in seen:
                seen.add((clip.clip, clip.fingerprint))
                yield rate / pixels


def _pixels_per_s(clip: ClipManifest) -> float:
    return (
        clip.original.width_px * clip.original.height_px * clip.frame_count / clip.duration_s
        if clip.duration_s > 0
        else 0.0
    )


def _check_one_machine(runs: Sequence[MeasuredRun]) -> None:
    if not runs:
        raise RunError(where="runs", what="no run was given", remedy="Name at least one run.")
    names = run_names(runs)
    host = runs[0].manifest.host
    for run, name in zip(runs[1:], names[1:], strict=True):
        if differing := differing_facts(host, run.manifest.host, POOLED):
            facts = ", ".join(fact.replace("_", " ") for fact in differing)
            raise RunError(
                where=name,
                what=f"it was made on another machine than {names[0]}: its {facts} differs",
                remedy="Size one machine at a time.",
            )
