"""A figure over all clips: the one place where clips become one number.

| figure | over clips |
|---|---|
| frames a second | frames of the mix / seconds they take, of a typical round |
| median, p95 and p99 latency | quantile of the mixture of moves, each clip at its share |
| share of moves within a limit | Σ share × the clip's share |
| bit rate, storage | Σ share × rate |
| peak memory | that of the clip that takes most |
| number of streams | that of the clip with fewest, round by round |
| anything else | Σ share × value, round by round |

Hours of encoding for an hour of footage are Σ share × (clip's frame rate / encoding's fps), which
is the mix's frame rate / its frames a second. Only rounds in which every clip took part count.
Ratios are of each clip, and their average is a geometric mean (`pooling.compare_groups`)."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from mezzmark.decide.estimate.observed_run import Observation, ObservedRun
from mezzmark.decide.estimate.pooling import group_over_clips
from mezzmark.decide.estimate.rounds import (
    ClipRounds,
    estimate_figure,
    estimate_moves_figure,
    estimate_of,
    estimate_rate,
    estimate_trials,
    frames_and_seconds,
)
from mezzmark.model.cell import ALL_CLIPS, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate, OfClip
from mezzmark.model.run import ClipManifest, Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Figure
from mezzmark.statistics.tails import estimate_share

Mix = Mapping[str, float]  # Share of the footage's time by clip; sums to 1
Pooled = dict[Cell, dict[str, Estimate]]


def mix_of(of: Iterable[ClipManifest], clips: Iterable[str] | None = None) -> Mix:
    """The clips' shares, equal unless all say otherwise; of `clips` alone where they are given."""
    every = {clip.clip: clip.share for clip in of}
    kept = every if clips is None else {name: every.get(name) for name in clips}
    given = {name: share for name, share in kept.items() if share}
    weights = given if len(given) == len(kept) else dict.fromkeys(kept, 1.0)
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


def frame_rates_of(manifest: Manifest) -> dict[str, float]:
    """Frames a second of each clip's footage."""
    return {c.clip: c.frame_count / c.duration_s for c in manifest.clips}


def over_clips(
    figure: Figure,
    every: ClipRounds,
    *,
    confidence_level: float = CONFIDENCE_LEVEL,
    frame_rates: Mapping[str, float] | None = None,
) -> Estimate | None:
    """The figure over the clips; None where one of them lacks it, or no round has all. A cell that
    moves between clips stands for itself. Without `frame_rates` all clips have one rate."""
    rounds = every.having(figure)
    names, shares = rounds.names, rounds.shares
    if not any(rounds.clips):
        return None
    if len(names) == 1:
        return estimate_figure(figure, rounds, confidence_level)
    if figure.kind == "rate":
        rates = [1.0 if frame_rates is None else frame_rates[name] for name in names]
        work, weights = frames_and_seconds(rounds.clips), work_shares(shares, rates)
        return estimate_rate(*work, weights, confidence_level, is_total=False)
    if figure.probability is None:
        values = np.array([[o.figures[figure.name] for o in clip] for clip in rounds.clips])
        merged = values.max(axis=0) if figure.kind == "peak" else np.array(shares) @ values
        merged = values.min(axis=0) if figure.kind == "count" else merged
        return estimate_trials(figure, merged.tolist(), rounds, confidence_level)
    whole = estimate_moves_figure(figure, rounds, confidence_level)
    level = _level_of_each(names, confidence_level)
    each = [estimate_figure(figure, clip, level) for clip in rounds.each]
    return _beside(whole, names, each, is_more_better=figure.better == "more")


def share_within(every: ClipRounds, limit_ms: float) -> Estimate | None:
    """The share of moves within the limit, and by clip; None where a clip has no two rounds."""
    rounds = every.with_moves
    if not rounds.clips or len(rounds.clips[0]) < 2:
        return None

    def estimate(of: ClipRounds, level: float) -> Estimate:
        found = estimate_share(
            of.moves, limit_ms, confidence_level=level, is_stratified=rounds.is_stratified
        )
        return estimate_of(found, "", sample_count=of.sample_count)

    whole = estimate(rounds, CONFIDENCE_LEVEL)
    if len(rounds.names) == 1:
        return whole
    level = _level_of_each(rounds.names, CONFIDENCE_LEVEL)
    each = [estimate(clip, level) for clip in rounds.each]
    return _beside(whole, rounds.names, each, is_more_better=True)


def pool_clips(observations: Sequence[Observation], manifest: Manifest) -> Pooled:
    """Figures over the run's clips of each cell that has all, by the cell with an empty clip."""
    return _pooled(observations, mix_of(manifest.clips), frame_rates_of(manifest))


def _pooled(observations: Sequence[Observation], mix: Mix, rates: Mapping[str, float]) -> Pooled:
    groups = group_over_clips(observations)
    pooled = {}
    for cell in sorted(groups, key=lambda cell: cell.sort_key):
        rounds = common_rounds(groups[cell], mix)
        if kept := figures_over_clips(rounds, rates):
            pooled[cell] = kept
    return pooled


def figures_over_clips(rounds: ClipRounds, frame_rates: Mapping[str, float]) -> dict[str, Estimate]:
    """Every figure that the clips of one cell have together."""
    task = next((clip[0].cell.task for clip in rounds.clips if clip), None)
    found = {
        figure.name: over_clips(figure, rounds, frame_rates=frame_rates)
        for figure in (TASKS[task].figures if task else ())
    }
    return {name: estimate for name, estimate in found.items() if estimate}


AtBest = dict[str, tuple[Cell, dict[str, Estimate]]]
"""Each encoding's best cell over all clips with its figures, the best encoding first."""


def at_best(
    observations: Sequence[Observation], mix: Mix, rates: Mapping[str, float], task: str
) -> AtBest:
    """Each encoding's best cell by its task's headline, under the leading condition."""
    headline = TASKS[task].figure(TASKS[task].headline)
    sign = 1 if headline.better == "less" else -1
    mine = [o for o in observations if o.cell.task == task]
    leading = min((o.cell.setting.condition for o in mine), default=())
    mine = [o for o in mine if o.cell.setting.condition == leading]
    pooled = _pooled(mine, mix, rates)
    costs = {c: sign * f[headline.name].point for c, f in pooled.items() if headline.name in f}
    found: AtBest = {}
    for cell in sorted(costs, key=lambda cell: (costs[cell], cell.sort_key)):
        found.setdefault(cell.encoding, (cell, pooled[cell]))
    return found


def at_best_of(run: ObservedRun, task: str) -> AtBest:
    """As `at_best`, over all clips of a run."""
    mix, rates = mix_of(run.manifest.clips), frame_rates_of(run.manifest)
    return at_best(run.observations, mix, rates, task)


BestCells = dict[str, tuple[Cell, Estimate]]  # As `AtBest`, with the headline figure alone


def best_cells(run: ObservedRun, task: str) -> BestCells:
    """As `at_best_of`."""
    found = at_best_of(run, task)
    return {name: (cell, of[TASKS[task].headline]) for name, (cell, of) in found.items()}


def bitrates_over_clips(manifest: Manifest) -> dict[str, float]:
    """Bits per second of each encoding that has every clip: Σ share × rate."""
    mix, rates = mix_of(manifest.clips), clip_bitrates(manifest)
    return {
        name: sum(share * rates[name, clip] for clip, share in mix.items())
        for name in dict.fromkeys(encoding for encoding, _ in rates)
        if mix and all((name, clip) in rates for clip in mix)
    }


def clip_bitrates(manifest: Manifest) -> dict[tuple[str, str], float]:
    """Bits per second of each encoding of each clip, and of the originals; all above 0."""
    rates = {(m.encoding, m.clip): m.bitrate_bps for m in manifest.media if m.bitrate_bps > 0}
    for clip in manifest.clips:
        if clip.original.duration_s and clip.original.file_bytes:
            own = clip.original.file_bytes * 8 / clip.original.duration_s
            rates.setdefault((ORIGINAL, clip.clip), own)
    return rates


def hours_per_hour(speed: Estimate, manifest: Manifest) -> Estimate | None:
    """Hours of encoding an hour of the footage, from frames a second; None of unknown rates."""
    mix, rates = mix_of(manifest.clips), frame_rates_of(manifest)
    if not mix or not mix.keys() <= rates.keys() or speed.point <= 0:
        return None
    rate = sum(share * rates[clip] for clip, share in mix.items())
    return speed.map(lambda fps: rate / fps if fps else float("inf"), "h")


def as_shown_speed(speed: Estimate, manifest: Manifest) -> Estimate:
    """Frames a second where all clips have one size and rate; else times real time."""
    kinds = {
        (c.original.width_px, c.original.height_px, c.original.frame_rate) for c in manifest.clips
    }
    hours = None if len(kinds) <= 1 else hours_per_hour(speed, manifest)
    return hours.inverted("× real time") if hours else speed


def common_rounds(observations: Iterable[Observation], mix: Mix) -> ClipRounds:
    """One cell on the clips of the mix, or between clips, in the rounds that all took part in."""
    by_clip: dict[str, dict[int, Observation]] = {}
    for o in observations:
        by_clip.setdefault(o.cell.clip, {})[o.round_index] = o
    names = [ALL_CLIPS] if ALL_CLIPS in by_clip else list(mix)
    by_round = [by_clip.get(name, {}) for name in names]
    common = sorted(set(by_round[0]).intersection(*by_round[1:])) if by_round else []
    clips = [[rounds[index] for index in common] for rounds in by_round]
    return ClipRounds(clips, [mix.get(name, 1.0) for name in names], names)


def _level_of_each(names: Sequence[str], confidence_level: float) -> float:
    """Bonferroni, so that the intervals of all clips hold together."""
    return 1 - (1 - confidence_level) / len(names)


def work_shares(shares: Sequence[float], rates: Sequence[float]) -> list[float]:
    """Shares of the frames (or pixels), from shares of the time and how many a second has."""
    total = sum(s * r for s, r in zip(shares, rates, strict=True))
    return [s * r / total for s, r in zip(shares, rates, strict=True)]


def _beside(
    whole: Estimate, names: Sequence[str], each: Sequence[Estimate], *, is_more_better: bool
) -> Estimate:
    """The figure over clips with that of each clip, the worst first."""
    clips = [
        OfClip(clip=name, point=one.point, low=one.low, high=one.high)
        for name, one in zip(names, each, strict=True)
    ]
    sign = 1 if is_more_better else -1
    worst_first = sorted(clips, key=lambda clip: (sign * clip.point, clip.clip))
    return whole.model_copy(update={"by_clip": tuple(worst_first)})
