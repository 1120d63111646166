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
Ratios are of each clip, and their average is a geometric mean (`pooling.compare_groups`).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.pooling import group_over_clips
from mezzmark.decide.estimate.rounds import (
    carries,
    estimate_count,
    estimate_figure,
    estimate_moves_figure,
    estimate_of,
    estimate_rate,
    estimate_values,
    frames_and_seconds,
    moves_of,
)
from mezzmark.model.cell import ALL_CLIPS, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate, OfClip
from mezzmark.model.run import ClipManifest, Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Figure
from mezzmark.statistics.tails import estimate_share

Mix = Mapping[str, float]
"""Share of the footage's time by clip; sums to 1."""

Clips = Mapping[str, Sequence[Observation]]
"""Observations of one cell by clip."""


def mix_of(manifest: Manifest, clips: Iterable[str] | None = None) -> Mix:
    """The clips' shares, equal unless all say otherwise; of `clips` alone where they are given."""
    return mix_of_clips(manifest.clips, clips)


def mix_of_clips(of: Iterable[ClipManifest], clips: Iterable[str] | None = None) -> Mix:
    """As `mix_of`, of clips that need not be of one run."""
    every = {clip.clip: clip.share for clip in of}
    kept = every if clips is None else {name: every.get(name) for name in clips}
    given = {name: share for name, share in kept.items() if share}
    weights = given if len(given) == len(kept) else dict.fromkeys(kept, 1.0)
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


def frame_rates_of(manifest: Manifest) -> dict[str, float]:
    """Frames a second of each clip's footage."""
    return {c.clip: c.frame_count / c.duration_s for c in manifest.clips if c.duration_s > 0}


def over_clips(
    figure: Figure,
    by_clip: Clips,
    mix: Mix,
    *,
    confidence_level: float,
    frame_rates: Mapping[str, float] | None = None,
) -> Estimate | None:
    """The figure over the clips of the mix; None where one of them lacks it, or no round has all.

    A cell that moves between clips stands for itself. Without `frame_rates` all clips have one
    rate.
    """
    names, rounds = _common_rounds(by_clip, mix, lambda o: carries(o, figure))
    if not any(rounds):
        return None
    if len(names) == 1:
        return estimate_figure(figure, rounds[0], confidence_level)
    shares = [mix[name] for name in names]
    if figure.kind == "rate":
        rates = [1.0 if frame_rates is None else frame_rates[name] for name in names]
        work, weights = frames_and_seconds(rounds), work_shares(shares, rates)
        return estimate_rate(*work, weights, confidence_level, is_total=False)
    if figure.probability is None:
        values = np.array([[o.figures[figure.name] for o in of_clip] for of_clip in rounds])
        merged = values.max(axis=0) if figure.kind == "peak" else np.array(shares) @ values
        samples = sum(o.sample_count for of_clip in rounds for o in of_clip)
        if figure.kind == "count":
            fewest = values.min(axis=0).tolist()
            return estimate_count(fewest, figure.unit, samples, confidence_level)
        return estimate_values(merged.tolist(), figure.unit, samples, confidence_level)
    whole = estimate_moves_figure(rounds, shares, figure, confidence_level)
    level = _level_of_each(names, confidence_level)
    each = [estimate_figure(figure, of_clip, level) for of_clip in rounds]
    return _beside(whole, names, each, is_more_better=figure.better == "more")


def share_within(
    by_clip: Clips, limit_ms: float, mix: Mix, *, confidence_level: float
) -> Estimate | None:
    """The share of moves within the limit, from two rounds on, the clip with the smallest first
    among those beside it; None where a clip of the mix has no moves."""
    names, common = _common_rounds(by_clip, mix, lambda o: o.work.latencies_ms is not None)
    if not common or len(common[0]) < 2:
        return None
    is_stratified = all(o.is_stratified for of_clip in common for o in of_clip)

    def estimate(
        clips: Sequence[Sequence[Observation]], of: Sequence[float], level: float
    ) -> Estimate:
        found = estimate_share(
            moves_of(clips), of, limit_ms, confidence_level=level, is_stratified=is_stratified
        )
        count = sum(o.sample_count for clip in clips for o in clip)
        return estimate_of(found, "", sample_count=count)

    whole = estimate(common, [mix.get(name, 1.0) for name in names], confidence_level)
    if len(names) == 1:
        return whole
    level = _level_of_each(names, confidence_level)
    each = [estimate([of_clip], [1.0], level) for of_clip in common]
    return _beside(whole, names, each, is_more_better=True)


def by_clip_of(observations: Iterable[Observation]) -> dict[str, list[Observation]]:
    """One cell's observations by their clip."""
    by_clip: dict[str, list[Observation]] = {}
    for observation in observations:
        by_clip.setdefault(observation.cell.clip, []).append(observation)
    return by_clip


def pool_clips(
    observations: Sequence[Observation],
    manifest: Manifest,
    *,
    confidence_level: float,
    only: Iterable[str] | None = None,
) -> dict[Cell, dict[str, Estimate]]:
    """Every figure over the run's clips (or `only` these) of each cell that has all of them.

    The key is the cell with an empty clip name.
    """
    mix, rates = mix_of(manifest, only), frame_rates_of(manifest)
    groups = group_over_clips(observations)
    pooled = {}
    for cell in sorted(groups, key=lambda cell: cell.sort_key):
        by_clip = by_clip_of(groups[cell])
        found = {
            figure.name: over_clips(
                figure, by_clip, mix, confidence_level=confidence_level, frame_rates=rates
            )
            for figure in TASKS[cell.task].figures
        }
        if kept := {name: estimate for name, estimate in found.items() if estimate}:
            pooled[cell] = kept
    return pooled


AtBest = dict[str, tuple[Cell, dict[str, Estimate]]]
"""Each encoding's best cell over all clips with its figures, the best encoding first."""


def at_best(
    observations: Sequence[Observation], manifest: Manifest, task: str, *, confidence_level: float
) -> AtBest:
    """The cell of each encoding that its task's headline calls best."""
    headline = TASKS[task].figure(TASKS[task].headline)
    sign = 1 if headline.better == "less" else -1
    mine = [o for o in observations if o.cell.task == task]
    pooled = pool_clips(mine, manifest, confidence_level=confidence_level)
    costs = {c: sign * f[headline.name].point for c, f in pooled.items() if headline.name in f}
    found: AtBest = {}
    for cell in sorted(costs, key=lambda cell: (costs[cell], cell.sort_key)):
        found.setdefault(cell.encoding, (cell, pooled[cell]))
    return found


BestCells = dict[str, tuple[Cell, Estimate]]
"""As `AtBest`, with the headline figure alone."""


def best_cells(
    observations: Sequence[Observation], manifest: Manifest, task: str, *, confidence_level: float
) -> BestCells:
    """As `at_best`."""
    found = at_best(observations, manifest, task, confidence_level=confidence_level)
    return {name: (cell, of[TASKS[task].headline]) for name, (cell, of) in found.items()}


def bitrates_over_clips(manifest: Manifest, mix: Mix | None = None) -> dict[str, float]:
    """Bits per second of each encoding that has every clip of the mix (the run's unless given),
    from the files as they lay on disk: Σ share × rate."""
    mix = mix_of(manifest) if mix is None else mix
    by_clip = {(m.encoding, m.clip): m.bitrate_bps for m in manifest.media if m.bitrate_bps > 0}
    for clip in manifest.clips:
        if clip.original.duration_s:
            own = clip.original.file_bytes * 8 / clip.original.duration_s
            by_clip.setdefault((ORIGINAL, clip.clip), own)
    names = dict.fromkeys(encoding for encoding, _ in by_clip)
    return {
        name: sum(share * by_clip[name, clip] for clip, share in mix.items())
        for name in names
        if mix and all((name, clip) in by_clip for clip in mix)
    }


def mean_frame_rate(mix: Mix, frame_rates: Mapping[str, float]) -> float:
    """Frames of a second of footage of the mix."""
    return sum(share * frame_rates[clip] for clip, share in mix.items())


def hours_per_hour(speed: Estimate, manifest: Manifest) -> Estimate | None:
    """Hours of encoding for an hour of the run's footage, from its frames a second over all clips;
    None where a clip's rate is not known."""
    mix, rates = mix_of(manifest), frame_rates_of(manifest)
    if not mix or not mix.keys() <= rates.keys() or speed.point <= 0:
        return None
    rate = mean_frame_rate(mix, rates)
    return speed.map(lambda fps: rate / fps if fps else float("inf"), "h")


def as_shown_speed(speed: Estimate, manifest: Manifest) -> Estimate:
    """Frames a second where all clips have one size and rate; else times real time."""
    kinds = {
        (c.original.width_px, c.original.height_px, c.original.frame_rate) for c in manifest.clips
    }
    hours = None if len(kinds) <= 1 else hours_per_hour(speed, manifest)
    return hours.inverted("× real time") if hours else speed


def _common_rounds(
    by_clip: Clips, mix: Mix, has_it: Callable[[Observation], bool]
) -> tuple[list[str], list[list[Observation]]]:
    """The clips of the mix, or the one cell that moves between clips; and the observations of each
    that have what is asked for, in order, of the rounds in which all do."""
    names = [ALL_CLIPS] if ALL_CLIPS in by_clip else list(mix)
    by_round = [{o.round_index: o for o in by_clip.get(n, ()) if has_it(o)} for n in names]
    common = sorted(set.intersection(*map(set, by_round))) if by_round else []
    return names, [[rounds[index] for index in common] for rounds in by_round]


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
