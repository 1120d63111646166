"""Encodings in order of time to picture, for one way of moving the playhead.

Who looks fastest is read from the estimates. Who else may be the fastest is decided by ratios to
that one, paired by round: an encoding is ruled out where the ratio's one-sided lower limit at
level (1 - `confidence_level`) / (encodings - 1) lies above 1. The truly fastest is then ruled out
with a chance of at most 1 - `confidence_level` (Bonferroni over its rivals; the idea of a subset
that holds the best is Gupta's, Technometrics 7(2), 1965, pp. 225-245).
"""

from collections.abc import Sequence
from functools import lru_cache

from mezzmark.decide.estimate.observations import Observation
from mezzmark.decide.estimate.pooling import compare_groups, pool_clips
from mezzmark.model.cell import Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CellSummary, Estimate
from mezzmark.model.fact import Fact


class Ranked(Fact):
    """One encoding's place. `is_apart` is True where it is ruled out as the fastest, None where
    too few rounds leave that open; `is_eligible` is False where it showed wrong pictures or
    lacks a clip that others have, which bars it from being called fastest."""

    encoding: str
    clip_count: int
    estimates: dict[str, Estimate]
    wrong_count: int
    speedup_ratio: Estimate | None = None
    cost_ratio: Estimate | None = None
    is_apart: bool | None = None
    is_eligible: bool = True


class Ranking(Fact):
    """Encodings by median time to picture, fastest first, in one setting (a cell with neither
    clip nor encoding). `fastest` is None where nothing eligible was measured."""

    setting: Cell
    entries: tuple[Ranked, ...]
    fastest: Ranked | None
    confidence_level: float

    def find(self, encoding: str) -> Ranked | None:
        """The entry of that name, or None."""
        return next((entry for entry in self.entries if entry.encoding == encoding), None)

    @property
    def tied(self) -> tuple[Ranked, ...]:
        """Eligible others that enough rounds could not rule out as the fastest."""
        if self.fastest is None:
            return ()
        return tuple(
            entry
            for entry in self.entries
            if entry.is_eligible
            and entry.encoding != self.fastest.encoding
            and entry.is_apart is False
        )


@lru_cache(maxsize=4096)  # asked for every trial again and again, and there are few cells
def setting_of(cell: Cell) -> Cell:
    """What is left of a cell without its clip and encoding."""
    return cell.model_copy(update={"clip": "", "encoding": ""})


def rank_encodings(
    observations: Sequence[Observation],
    summaries: Sequence[CellSummary],
    setting: Cell,
    *,
    confidence_level: float = 0.95,
) -> Ranking:
    """The ranking of one scrub setting over all clips that were measured in it."""
    mine = [o for o in observations if setting_of(o.cell) == setting]
    groups: dict[str, list[Observation]] = {}
    for observation in mine:
        groups.setdefault(observation.cell.encoding, []).append(observation)
    pooled = pool_clips(mine, confidence_level=confidence_level)
    wrong = _wrong_counts(summaries, setting)
    clips = {name: len({o.cell.clip for o in group}) for name, group in groups.items()}
    entries = [
        Ranked(
            encoding=cell.encoding,
            clip_count=clips[cell.encoding],
            estimates=estimates,
            wrong_count=wrong.get(cell.encoding, 0),
            is_eligible=not wrong.get(cell.encoding)
            and clips[cell.encoding] == max(clips.values()),
        )
        for cell, estimates in pooled.items()
        if "p50_ms" in estimates
    ]
    entries.sort(key=lambda entry: (entry.estimates["p50_ms"].point, entry.encoding))
    fastest = next((entry for entry in entries if entry.is_eligible), None)
    compared = tuple(_compare(entry, groups, fastest, confidence_level) for entry in entries)
    return Ranking(
        setting=setting,
        entries=compared,
        fastest=next((e for e in compared if fastest and e.encoding == fastest.encoding), None),
        confidence_level=confidence_level,
    )


def _wrong_counts(summaries: Sequence[CellSummary], setting: Cell) -> dict[str, int]:
    counts: dict[str, int] = {}
    for summary in summaries:
        if setting_of(summary.cell) == setting:
            name = summary.cell.encoding
            counts[name] = counts.get(name, 0) + summary.wrong_count
    return counts


def _compare(
    entry: Ranked,
    groups: dict[str, list[Observation]],
    fastest: Ranked | None,
    confidence_level: float,
) -> Ranked:
    """`entry` with its ratios to the original and to the fastest."""
    mine = groups[entry.encoding]
    changes: dict[str, object] = {}
    if ORIGINAL in groups and entry.encoding != ORIGINAL:
        changes["speedup_ratio"] = compare_groups(
            groups[ORIGINAL], mine, "p50_ms", confidence_level=confidence_level
        )
    if fastest and entry.encoding != fastest.encoding:
        one_sided = (1 - confidence_level) / max(1, len(groups) - 1)
        theirs = groups[fastest.encoding]
        strict = compare_groups(mine, theirs, "p50_ms", confidence_level=1 - 2 * one_sided)
        changes["cost_ratio"] = compare_groups(
            mine, theirs, "p50_ms", confidence_level=confidence_level
        )
        changes["is_apart"] = None if strict is None or strict.low is None else strict.low > 1
    return entry.model_copy(update=changes)


def scrub_settings(observations: Sequence[Observation]) -> tuple[Cell, ...]:
    """Every scrub setting measured, the one that leads the report first: jumps, most threads."""
    settings = {
        setting_of(o.cell) for o in observations if o.cell.task == "scrub" and not o.cell.arm
    }
    return tuple(sorted(settings, key=_setting_key))


_PATTERN_ORDER = ("jump", "near", "hop", "sweep-forward", "sweep-back", "step-forward", "step-back")


def _setting_key(cell: Cell) -> tuple[object, ...]:
    pattern = _PATTERN_ORDER.index(cell.pattern) if cell.pattern else len(_PATTERN_ORDER)
    return (
        -cell.thread_count,
        cell.policy != "roll",
        cell.decoder != "software",
        pattern,
        cell.threading or "",
        cell.viewer_height_px or 0,
    )
