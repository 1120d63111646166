"""What runs say of the figures that needs and wishes name: per encoding the report's own estimate,
and one value a round, of which the spread is made.

Values are kept as logs, since costs are compared as ratios; decibels are logs already. Long because
each kind of figure (of a setting, of fidelity, of size, of ingests) has its own way here."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from mezzmark.decide.choose.choice import Lack, Unit
from mezzmark.decide.choose.draws import TINY, FigureSamples, RoundKey, from_log, to_log
from mezzmark.decide.estimate import rounds
from mezzmark.decide.estimate.observed_run import (
    BITS_PER_HOUR_TO_GB,
    Observation,
    ObservedRun,
    Runs,
    run_names,
)
from mezzmark.decide.estimate.over_clips import (
    at_best,
    clip_bitrates,
    common_rounds,
    frame_rates_of,
    mix_of,
    over_clips,
)
from mezzmark.decide.estimate.pooling import group_over_clips
from mezzmark.decide.estimate.ranking import scrub_settings
from mezzmark.decide.machine.identity import refuse_other_machines
from mezzmark.decide.picture.fidelity import EncodingFidelity, QualityEstimate, judge_encodings
from mezzmark.model.cell import KERNEL_ENCODING, STORAGE_ENCODING, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import RunError
from mezzmark.model.estimate import Estimate, Withheld
from mezzmark.model.fact import grouped
from mezzmark.model.figures import FigureName, known_figures
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.fidelity import METRICS, metric_of

_FURTHER_RUN: Final = 1_000_000
"""Added to the rounds of each further run: more than a scenario may have."""

DELTA_E_FLOOR: Final = 0.1
"""Below a tenth of what is seen side by side shifts are alike, and an exact 0 has no ratio."""

QUALITY_CAP_DB: Final = 100.0
"""In place of an infinite PSNR: more than any lossy encoding of 16-bit pictures reaches."""


def refuse_unlike_runs(runs: Runs) -> None:
    """RunError unless all runs are of one machine, and clips and encodings of one name the same."""
    refuse_other_machines(runs)
    first, names = runs[0].manifest, run_names(runs)
    fingerprints = {clip.clip: clip.fingerprint for clip in first.clips}
    known = {encoding.name: encoding.instructions for encoding in first.encodings}
    for run, name in zip(runs[1:], names[1:], strict=True):
        unlike = [
            f'encoding "{e.name}" is defined differently'
            for e in run.manifest.encodings
            if known.get(e.name, e.instructions) != e.instructions
        ]
        if fingerprints != {clip.clip: clip.fingerprint for clip in run.manifest.clips}:
            unlike = ["the clips are not the same"]
        if unlike:
            raise RunError(
                where=name,
                what=f"it cannot be put together with {names[0]}: {unlike[0]}",
                remedy="Choose from runs of the same footage, one set at a time",
            )


def list_encodings(runs: Sequence[ObservedRun]) -> tuple[str, ...]:
    """All encodings that any of the runs measured or prepared, in alphabetical order."""
    names = {e.name for run in runs for e in run.manifest.encodings}
    names |= {t.cell.encoding for run in runs for t in run.trials if not t.arm}
    names |= {ORIGINAL for run in runs if _may_play_originals(run.manifest)}
    return tuple(sorted(names - {KERNEL_ENCODING, STORAGE_ENCODING}))


def _may_play_originals(manifest: Manifest) -> bool:
    """Whether a run that is not over was asked to: a trial of them may be still to come."""
    is_asked = any(TASKS[task].reads_encoded_file for task in manifest.scenario.tasks)
    return is_asked and ORIGINAL in manifest.scenario.encodings and not manifest.stop_reason


def count_wrong(runs: Sequence[ObservedRun]) -> Counter[str]:
    """Wrong pictures by encoding, over all runs and ways of moving."""
    counts: Counter[str] = Counter()
    for trial in (trial for run in runs for trial in run.trials):
        if trial.measurement and trial.arm != "pilot":
            shown = TASKS[trial.cell.task].proofs(trial.measurement)
            counts[trial.cell.encoding] += shown.count("wrong")
    return counts


REACH: Final = 1.96  # Standard deviations from the point to either end of a 95 % interval

Sized = Mapping[str, Mapping[str, tuple[Estimate, bool]]]
"""By encoding and name: a figure of sizing, and whether only "no" follows from it."""


class RunFigures:
    """The figures of runs, looked up by name; intervals at `confidence_level`. `unit` is what their
    samples have a value of; `clips` are those that decide, fixed before any encoding is looked
    at."""

    def __init__(
        self,
        runs: Sequence[ObservedRun],
        *,
        confidence_level: float,
        clips: Sequence[str],
        sized: Sized | None = None,
    ) -> None:
        self._sized = sized or {}
        self._level = confidence_level
        self.clips = tuple(clips)
        # Days differ more than rounds do.
        self.unit: Unit = "run" if len(runs) >= rounds.MINIMUM_ROUNDS else "round"
        known = {clip.clip for run in runs for clip in run.manifest.clips}
        self._aside = known - set(clips)
        # Of several runs the first that judged a clip or made a file speaks of it.
        self._rates = {
            key: rate for run in reversed(runs) for key, rate in clip_bitrates(run.manifest).items()
        }
        self._judged = {
            (cell.encoding, cell.clip): trial
            for run in reversed(runs)
            for trial in run.trials
            if (cell := trial.cell).task == "fidelity" and trial.measurement and not trial.arm
        }
        self._fidelity: dict[str | None, dict[str, EncodingFidelity]] = {}
        self._groups = group_over_clips(
            replace(o, round_index=place * _FURTHER_RUN + o.round_index)
            for place, run in enumerate(runs)
            for o in run.observations
            if o.cell.clip not in self._aside
        )
        self._mix = mix_of(runs[0].manifest.clips, clips)
        rates = frame_rates_of(runs[0].manifest)
        self.frame_rates = {clip: rates[clip] for clip in clips if clip in rates}

    def samples(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, FigureSamples]:
        """The figure of each encoding."""
        if not figure.task:
            return {name: self._size(figure, name) for name in encodings}
        if figure.task == "shop":
            return {name: self._of_shop(figure, name) for name in encodings}
        if figure.task == "fidelity":
            return {name: self._quality(figure, name) for name in encodings}
        found = self._timed(figure, encodings)
        is_free = TASKS[figure.task].is_free_for_original and ORIGINAL in found
        if is_free and any(one.logs for one in found.values()):
            best = -np.inf if figure.better == "less" else np.inf
            found[ORIGINAL] = FigureSamples(point=best, no_number="nothing to do")
        return found

    def timed_figures(self) -> tuple[FigureName, ...]:
        """The bit rate, and all timed figures for a wish, without counts of threads or jobs."""
        timed = {
            (cell.task, cell.setting["pattern"], figure)
            for cell, group in self._groups.items()
            for o in group
            for figure in o.figures
        }
        return tuple(
            figure
            for figure in known_figures()
            if figure.name == "bitrate_bps" or (figure.task, figure.pattern, figure.figure) in timed
        )

    def _of_shop(self, figure: FigureName, name: str) -> FigureSamples:
        found = self._sized.get(name, {}).get(figure.figure)
        if found is None and name == ORIGINAL and self._sized:
            best = -np.inf if figure.better == "less" else np.inf
            return FigureSamples(point=best, no_number="nothing to do")
        if found is None:
            return FigureSamples(lack=Lack(kind="not measured"))
        estimate, is_bound = found
        point, low, high = (
            np.log(np.clip(estimate.point if end is None else end, TINY, 1 / TINY))
            for end in (estimate.point, estimate.low, estimate.high)
        )
        sides = (float(point - low) / REACH, float(high - point) / REACH)
        return FigureSamples(point=float(point), estimate=estimate, sides=sides, is_bound=is_bound)

    def _size(self, figure: FigureName, name: str) -> FigureSamples:
        by_clip = {c: self._rates[name, c] for c in self.clips if (name, c) in self._rates}
        if not by_clip:
            return FigureSamples(lack=Lack(kind="size not known"))
        if missing := self._lacking(by_clip):
            return FigureSamples(lack=missing)
        rate = sum(self._mix[clip] * by_clip[clip] for clip in self.clips)

        def exactly(bps: float) -> FigureSamples:
            value = bps * BITS_PER_HOUR_TO_GB if figure.figure == "gb_per_hour" else bps
            estimate = Estimate.exact(value, figure.unit)
            return FigureSamples(point=to_log(value, figure.unit), estimate=estimate)

        parts = {clip: exactly(by_clip[clip]) for clip in self.clips}
        return replace(exactly(rate), clips=parts)

    def _quality(self, figure: FigureName, name: str) -> FigureSamples:
        judged = {clip for encoding, clip in self._judged if encoding == name}
        if name != ORIGINAL and judged and (missing := self._lacking(judged)):
            return FigureSamples(lack=missing)
        whole = self._quality_of(figure, name, None)
        if whole.lack or name == ORIGINAL:
            return whole
        parts = {clip: self._quality_of(figure, name, clip) for clip in self.clips}
        return replace(whole, clips=parts)

    def _quality_of(self, figure: FigureName, name: str, clip: str | None) -> FigureSamples:
        """Of one clip, or over all."""
        if clip not in self._fidelity:
            trials = [t for (_, of), t in self._judged.items() if clip in (None, of)]
            found = judge_encodings(
                [t for t in trials if t.cell.clip not in self._aside],
                self._mix,
                confidence_level=self._level,
            )
            self._fidelity[clip] = {entry.encoding: entry for entry in found}
        known = self._fidelity[clip]
        entry, best = known.get(name), bounded_quality(figure.figure)
        untouched = to_log(best, figure.unit)
        if name == ORIGINAL and known:
            return FigureSamples(point=untouched, no_number="the footage itself")
        estimate = entry.figure(figure.figure) if entry else None
        if entry is not None and estimate is not None:
            value = bounded_quality(figure.figure, estimate.point)
            if isinstance(estimate, QualityEstimate) and estimate.share < 1:
                # Clips that came back bit for bit are in no mean, but count.
                value = estimate.share * value + (1 - estimate.share) * best
            if estimate.low is None:  # fidelity is judged once: the same comes every time
                exact = {"withheld": (Withheld(kind="exact"),), "method": "as it is"}
                estimate = estimate.model_copy(update=exact)
            return FigureSamples(point=to_log(value, figure.unit), estimate=estimate)
        if entry is not None and entry.is_bit_exact and metric_of(figure.figure):
            return FigureSamples(point=untouched, no_number="identical")
        return FigureSamples(lack=Lack(kind="not measured"))

    def _lacking(self, having: Collection[str]) -> Lack | None:
        missing = tuple(clip for clip in self.clips if clip not in having)
        return Lack(kind="clip missing", clips=missing) if missing else None

    def _timed(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, FigureSamples]:
        """In the setting that leads the report (scrub), or in each encoding's own best (others)."""
        meant = {cell: group for cell, group in self._groups.items() if _is_meant(figure, cell)}
        if leading := scrub_settings([o for group in meant.values() for o in group]):
            meant = {cell: group for cell, group in meant.items() if cell.setting == leading[0]}
        if TASKS[figure.task].is_best_by_headline:
            every = [o for group in meant.values() for o in group]
            best = at_best(every, self._mix, self.frame_rates, figure.task)
            meant = {cell: meant[cell] for cell, _ in best.values()}
        least = 0 if figure.better == "less" else -1  # none at all is a number of streams too
        having = {
            cell: kept
            for cell, group in meant.items()
            if (kept := [o for o in group if o.figures.get(figure.figure, -1) > least])
        }
        settings = ((cell.encoding, self._in_setting(figure, g)) for cell, g in having.items())
        found = grouped((name, one) for name, one in settings if one)
        played = grouped((c.encoding, o.cell.clip) for c, group in having.items() for o in group)
        sign = 1 if figure.better == "less" else -1
        return {
            name: min(found[name], key=lambda one: (sign * one.point, str(one.setting)))
            if found.get(name)
            else FigureSamples(
                lack=(self._lacking(played[name]) or Lack(kind="clip missing"))
                if name in played
                else Lack(kind="not measured")
            )
            for name in encodings
        }

    def _in_setting(self, figure: FigureName, group: Sequence[Observation]) -> FigureSamples | None:
        """The figure in one setting; None where no round has every clip."""
        groups = grouped((self._unit_key(o), o) for o in group)
        found = {key: self._over_clips(figure, mine) for key, mine in groups.items()}
        logs = {key: to_log(one.point, figure.unit) for key, one in found.items() if one}
        estimate = self._over_clips(figure, group)
        if not logs or estimate is None:
            return None
        if self.unit == "run":
            points = [from_log(log, figure.unit) for log in logs.values()]
            spec = TASKS[figure.task].figure(figure.figure)
            estimate = rounds.estimate_trials(spec, points, rounds.ClipRounds([group]), self._level)
        return FigureSamples(
            point=to_log(estimate.point, figure.unit),
            logs=logs,
            estimate=estimate,
            setting=group[0].cell.setting,
            clips={
                clip: self._on_clip(figure, mine)
                for clip, mine in sorted(grouped((o.cell.clip, o) for o in group).items())
            },
        )

    def _over_clips(self, figure: FigureName, group: Sequence[Observation]) -> Estimate | None:
        return over_clips(
            TASKS[figure.task].figure(figure.figure),
            common_rounds(group, self._mix),
            confidence_level=self._level,
            frame_rates=self.frame_rates,
        )

    def _unit_key(self, observation: Observation) -> RoundKey:
        place, index = _round_key(observation)
        return place, -1 if self.unit == "run" else index

    def _on_clip(self, figure: FigureName, group: Sequence[Observation]) -> FigureSamples:
        spec, in_order = TASKS[figure.task].figure(figure.figure), sorted(group, key=_round_key)
        estimate = rounds.estimate_figure(spec, rounds.ClipRounds([in_order]), self._level)
        values = grouped(
            (self._unit_key(o), to_log(o.figures[figure.figure], figure.unit)) for o in in_order
        )
        logs = {key: float(np.mean(mine)) for key, mine in values.items()}
        moves = [o.work.latencies_ms for o in in_order if spec.kind == "tail"]
        return FigureSamples(
            point=to_log(estimate.point, figure.unit),
            logs=logs,
            estimate=estimate,
            moves=tuple(one for one in moves if one is not None and one.size),
        )


def bounded_quality(figure: str, value: float | None = None) -> float:
    """A fidelity figure held within what has a finite ratio; without a value the best there is."""
    metric = metric_of(figure)
    if metric is None:
        return max(value or 0.0, DELTA_E_FLOOR)
    best = min(METRICS[metric].best, QUALITY_CAP_DB)
    return best if value is None else min(value, best)


def _is_meant(figure: FigureName, cell: Cell) -> bool:
    return (
        cell.task == figure.task
        and cell.setting["pattern"] == figure.pattern
        and figure.thread_count in (None, cell.setting["threads"])
        and figure.job_count in (None, cell.setting["jobs"])
    )


def _round_key(observation: Observation) -> RoundKey:
    return divmod(observation.round_index, _FURTHER_RUN)
