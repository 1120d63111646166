"""Timed figures as the report has them: pooled over clips and rounds, with the rounds' own values.

The point of an encoding's figure is the one that the report shows (`pool_clips`): p95 of all moves
of all clips and rounds, throughput as total frames / total seconds, the geometric mean of clips.
What a round adds to it is told by the same figure of that round alone. From three runs on, a run
takes the place of a round, for days differ more than rounds do, and the point is their mean.

A limit at the true p95 is so claimed to be met, or missed, in at most 7 of 100 simulated runs where
5 are promised, and in up to 15 where load lingers over many moves. Chances about the mean of the
rounds' own p95 would be wrong in up to 97: a round of two dozen moves has no p95 of its own
(tests/simulation/test_choice_reliability.py).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from mezzmark.decide.choose_columns import Column, RoundKey, to_log
from mezzmark.decide.estimates import pool_clips
from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.observations import Observation, observe
from mezzmark.decide.ranking import scrub_settings, setting_of
from mezzmark.decide.rounds import MINIMUM_ROUNDS, TAIL_FIGURES, estimate_values
from mezzmark.decide.wording import count_text
from mezzmark.facts.cells import Cell
from mezzmark.facts.choosing_figures import FigureName
from mezzmark.facts.estimates import Estimate
from mezzmark.statistics.quantiles import sorted_quantile

Placed = tuple[int, Observation]
"""An observation with the place of its run among those given."""

_FURTHER_RUN: Final = 1_000_000
"""Added to the rounds of each further run that is put together round by round: more rounds than a
scenario may have."""


class TimedFigures:
    """The timed figures of runs; estimates are made when first asked for, and kept."""

    def __init__(self, runs: Sequence[MeasuredRun], *, confidence_level: float) -> None:
        self._is_by_run = len(runs) >= MINIMUM_ROUNDS
        self._level = confidence_level
        self._pooled: dict[tuple[int | None, str, Cell], Mapping[str, Estimate]] = {}
        self._placed: dict[Cell, dict[str, list[Placed]]] = {}
        for place, run in enumerate(runs):
            for o in observe(run.trials):
                if not o.cell.arm:
                    by_encoding = self._placed.setdefault(setting_of(o.cell), {})
                    by_encoding.setdefault(o.cell.encoding, []).append((place, o))

    def columns(self, figure: FigureName, encodings: Sequence[str]) -> dict[str, Column]:
        """The figure of each encoding, in the setting that leads the report (scrub) or in the
        encoding's own best (others)."""
        settings = [setting for setting in self._placed if _is_meant(figure, setting)]
        if figure.task == "scrub" and settings:
            everything = [
                o for s in settings for group in self._placed[s].values() for _, o in group
            ]
            settings = [scrub_settings(everything)[0]]
        having = {
            setting: {
                name: kept
                for name, group in self._placed[setting].items()
                if (kept := [p for p in group if p[1].figures.get(figure.figure, 0) > 0])
            }
            for setting in settings
        }
        clips = {
            o.cell.clip for groups in having.values() for group in groups.values() for _, o in group
        }
        return {
            name: self._best(
                figure,
                name,
                {s: groups[name] for s, groups in having.items() if name in groups},
                clips,
            )
            for name in encodings
        }

    def measured_names(self) -> tuple[tuple[str, str | None, str], ...]:
        """Task, pattern and figure of all that was timed."""
        found = {
            (setting.task, setting.pattern, figure)
            for setting, groups in self._placed.items()
            for group in groups.values()
            for _, o in group
            for figure in o.figures
        }
        return tuple(sorted(found, key=str))

    def _best(
        self,
        figure: FigureName,
        name: str,
        settings: Mapping[Cell, Sequence[Placed]],
        clips: set[str],
    ) -> Column:
        """The setting in which the encoding does best; scrub has only one left by now."""
        sign = 1 if figure.better == "less" else -1
        columns = [
            column
            for setting, placed in settings.items()
            if (column := self._column(figure, name, setting, placed, clips)) is not None
        ]
        if not columns:
            reason = "a clip is missing" if settings else "not measured"
            return Column(logs={}, reason=reason)
        return min(columns, key=lambda c: (sign * c.point, c.setting))

    def _column(
        self,
        figure: FigureName,
        name: str,
        setting: Cell,
        placed: Sequence[Placed],
        clips: set[str],
    ) -> Column | None:
        """The figure in one setting, or None where no round has every clip."""
        logs = _round_logs(figure, placed, clips)
        if not logs:
            return None
        if not self._is_by_run:
            estimate = self._pool(name, setting)[figure.figure]
            return Column(logs=logs, estimate=estimate, setting=setting_text(setting))
        points = {
            place: self._pool(name, setting, place)[figure.figure].point
            for place in sorted({place for place, _ in logs})
        }
        samples = sum(o.sample_count for _, o in placed)
        return Column(
            logs={(place, -1): to_log(point, figure.unit) for place, point in points.items()},
            estimate=estimate_values(list(points.values()), figure.unit, samples, self._level),
            setting=setting_text(setting),
        )

    def _pool(self, name: str, setting: Cell, of_run: int | None = None) -> Mapping[str, Estimate]:
        """The report's estimates over clips, of one run or of all round by round."""
        key = of_run, name, setting
        if key not in self._pooled:
            group = [
                replace(o, round_index=place * _FURTHER_RUN + o.round_index)
                for place, o in self._placed[setting][name]
                if of_run in (None, place)
            ]
            [self._pooled[key]] = pool_clips(group, confidence_level=self._level).values()
        return self._pooled[key]


def _is_meant(figure: FigureName, setting: Cell) -> bool:
    return (
        setting.task == figure.task
        and setting.pattern == figure.pattern
        and (figure.thread_count or setting.thread_count) == setting.thread_count
        and (figure.job_count or setting.job_count) == setting.job_count
    )


def _round_logs(
    figure: FigureName, placed: Iterable[Placed], clips: set[str]
) -> dict[RoundKey, float]:
    """The figure of each round in which every clip took part."""
    by_round: dict[RoundKey, dict[str, Observation]] = {}
    for place, o in placed:
        by_round.setdefault((place, o.round_index), {})[o.cell.clip] = o
    return {
        key: _log_of_round(figure, list(by_clip.values()))
        for key, by_clip in sorted(by_round.items())
        if by_clip.keys() == clips
    }


def _log_of_round(figure: FigureName, clips: Sequence[Observation]) -> float:
    """A tail is that of all moves of the round; other figures are the geometric mean of clips."""
    moves = [o.proved_ms for o in clips if o.proved_ms is not None]
    if figure.figure in TAIL_FIGURES and moves:
        return to_log(
            sorted_quantile(np.sort(np.concatenate(moves)), TAIL_FIGURES[figure.figure]),
            figure.unit,
        )
    return float(np.mean([to_log(o.figures[figure.figure], figure.unit) for o in clips]))


def setting_text(setting: Cell) -> str:
    """Threads, and jobs, order, passes and policy where the task has them."""
    parts = [count_text(setting.thread_count, "thread")]
    if setting.task in ("grid", "ingest"):
        parts.insert(0, count_text(setting.job_count, "job"))
    if setting.policy:
        parts.append(f"policy {setting.policy}")
    if setting.decoder != "software":
        parts.append(setting.decoder)
    if setting.order:
        parts.append(setting.order)
    if setting.passes:
        parts.append("one pass" if setting.passes == 1 else "two passes")
    return ", ".join(parts)
