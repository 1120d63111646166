"""Encodings in order of scrub latency, for one way of moving the playhead.

Who looks fastest is read from the estimates. Who else may be the fastest is decided by ratios to
that one, paired by round and averaged over clips (a geometric mean, which the order follows): an
encoding is ruled out where the interval that is shown lies above 1.
Intervals hold together over the encodings (Bonferroni over the rivals), so that the truly fastest
is ruled out with a chance of at most 1 - `CONFIDENCE_LEVEL` (the idea of a subset that holds the
best is Gupta's, Technometrics 7(2), 1965, pp. 225-245)."""

import math
from collections import Counter
from collections.abc import Sequence
from statistics import median_low
from typing import Final, Self

from mezzmark.decide.estimate import over_clips
from mezzmark.decide.estimate.observed_run import Observation, ObservedRun
from mezzmark.decide.estimate.pooling import compare_groups
from mezzmark.model.cell import ALL_CLIPS, Setting
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CONFIDENCE_LEVEL, CellSummary, Estimate
from mezzmark.model.fact import Fact, grouped
from mezzmark.model.players import BEST, PLAYERS, Player
from mezzmark.model.tasks.patterns import PATTERNS

INSTANT_MS: Final = 100.0
"""Up to here a response feels immediate: Miller 1968 and Card, Robertson & Mackinlay 1991, as
attributed in Nielsen, Usability Engineering, 1993, chapter 5 ("0.1 second")."""

RANKING_ROUNDS: Final = 5
"""With fewer rounds nobody is called fastest: an interval of three rounds is 2.5 times as wide as
one of five, and a pair of slow rounds decides the order (our own choice)."""


class Ranked(Fact):
    """One encoding's place. `is_apart` is True where it is ruled out as the fastest, None where too
    few rounds leave that open; `missing_clips` are those of the run that it lacks; `instant_share`
    is the share of moves within `INSTANT_MS`; `is_proxy`: it stands in for another."""

    encoding: str
    clip_count: int
    estimates: dict[str, Estimate]
    wrong_count: int
    speedup_ratio: Estimate | None = None
    cost_ratio: Estimate | None = None
    is_apart: bool | None = None
    missing_clips: tuple[str, ...] = ()
    instant_share: Estimate | None = None
    is_proxy: bool = False

    @property
    def is_eligible(self) -> bool:
        """Whether it may be called fastest: no wrong picture, every clip, and the whole size."""
        return not (self.wrong_count or self.missing_clips or self.is_proxy)


class Ranking(Fact):
    """Encodings by median scrub latency, fastest first, in one setting. `fastest` is None where
    nothing eligible was measured, or in too few rounds: then they stand as the run lists them."""

    setting: Setting
    entries: tuple[Ranked, ...]
    fastest: Ranked | None

    def find(self, encoding: str) -> Ranked | None:
        """The entry of that name, or None."""
        return next((entry for entry in self.entries if entry.encoding == encoding), None)

    @property
    def round_count(self) -> int:
        """Rounds that half of the encodings, or more, have no more of."""
        return median_low(entry.estimates["p50_ms"].round_count for entry in self.entries)

    @property
    def is_thin(self) -> bool:
        """Whether the rounds are too few to rank anything."""
        return bool(self.entries) and self.round_count < RANKING_ROUNDS

    def unranked(self, names: Sequence[str]) -> Self:
        """The same in the order of `names`, any other last, with nobody set against the fastest."""
        order = {name: place for place, name in enumerate((ORIGINAL, *names))}
        entries = sorted(self.entries, key=lambda entry: order.get(entry.encoding, len(order)))
        bare = {"cost_ratio": None, "is_apart": None}
        kept = tuple(entry.model_copy(update=bare) for entry in entries)
        return self.model_copy(update={"entries": kept, "fastest": None})

    @property
    def tied(self) -> tuple[Ranked, ...]:
        """Eligible others that enough rounds could not rule out as the fastest."""
        return tuple(e for e in self.entries if e.is_eligible and e.is_apart is False)


def rank_encodings(run: ObservedRun, summaries: Sequence[CellSummary], setting: Setting) -> Ranking:
    """The ranking of one scrub setting over all clips of the run. One that lacks a clip has its own
    clips' figures, and is never the fastest. One whose median is no time at all has no place."""
    groups = _by_encoding(run.observations, setting)
    wrong: Counter[str] = Counter()
    for summary in summaries:
        if summary.cell.task == "scrub" and summary.cell.setting == setting:
            wrong[summary.cell.encoding] += summary.wrong_count
    every, rates = over_clips.mix_of(run.manifest.clips), over_clips.frame_rates_of(run.manifest)
    proxies = {encoding.name for encoding in run.manifest.encodings if encoding.is_proxy}
    proxies = proxies if groups.keys() - proxies else set()
    entries = []
    for name, group in groups.items():
        clips = {o.cell.clip for o in group}
        missing = [] if clips == {ALL_CLIPS} else sorted(every.keys() - clips)
        mix = over_clips.mix_of(run.manifest.clips, clips) if missing else every
        rounds = over_clips.common_rounds(group, mix)
        estimates = over_clips.figures_over_clips(rounds, rates)
        if "p50_ms" in estimates and min(_medians(estimates["p50_ms"])) > 0:
            entries.append(
                Ranked(
                    encoding=name,
                    clip_count=len(clips),
                    estimates=estimates,
                    wrong_count=wrong[name],
                    missing_clips=tuple(missing),
                    instant_share=over_clips.share_within(rounds, INSTANT_MS),
                    is_proxy=name in proxies,
                )
            )
    entries.sort(key=lambda entry: (_mean_log_median(entry), entry.encoding))
    fastest = next((entry for entry in entries if entry.is_eligible), None)
    compared = tuple(_compare(entry, groups, fastest) for entry in entries)
    return Ranking(
        setting=setting,
        entries=compared,
        fastest=next((e for e in compared if fastest and e.encoding == fastest.encoding), None),
    )


def _mean_log_median(entry: Ranked) -> float:
    """What the order follows, as ratios do: the geometric mean of the clips' medians."""
    points = _medians(entry.estimates["p50_ms"])
    return sum(map(math.log, points)) / len(points)


def _medians(median: Estimate) -> list[float]:
    """Those of each clip, or the one there is."""
    return [clip.point for clip in median.by_clip] or [median.point]


_Groups = dict[str, list[Observation]]


def _by_encoding(observations: Sequence[Observation], setting: Setting) -> _Groups:
    mine = (o for o in observations if (o.cell.task, o.cell.setting) == ("scrub", setting))
    return grouped((o.cell.encoding, o) for o in mine)


def _ratio(
    mine: Sequence[Observation], theirs: Sequence[Observation], rival_count: int
) -> Estimate | None:
    """The ratio of the medians with limits that hold together over so many rivals."""
    level = 1 - (1 - CONFIDENCE_LEVEL) / max(1, rival_count)
    ratio = compare_groups(mine, theirs, "p50_ms", confidence_level=level)
    return ratio and ratio.model_copy(update={"confidence_level": CONFIDENCE_LEVEL})


def _is_slower(ratio: Estimate | None) -> bool | None:
    """Whether it lies surely above 1; None where too few rounds give it limits."""
    return None if ratio is None or ratio.low is None else ratio.low > 1


def _compare(entry: Ranked, groups: _Groups, fastest: Ranked | None) -> Ranked:
    """`entry` with its ratios to the original and to the fastest."""
    mine, rivals = groups[entry.encoding], len(groups) - 1
    changes: dict[str, object] = {}
    if ORIGINAL in groups and entry.encoding != ORIGINAL:
        ratio = _ratio(groups[ORIGINAL], mine, rivals)
        changes["speedup_ratio"] = ratio
    if fastest and entry.encoding != fastest.encoding:
        ratio = _ratio(mine, groups[fastest.encoding], rivals)
        changes |= {"cost_ratio": ratio, "is_apart": _is_slower(ratio)}
    return entry.model_copy(update=changes)


def surely_faster(
    names: Sequence[str], than: str, ranking: Ranking, observations: Sequence[Observation]
) -> set[str]:
    """Which of `names` are faster than one that the ranking holds, by the ratio paired by round;
    its interval holds over all rivals as above, since points picked them."""
    groups = _by_encoding(observations, ranking.setting)
    rivals = len(ranking.entries) - 1
    ratios = {name: _ratio(groups[than], groups[name], rivals) for name in names}
    return {name for name, ratio in ratios.items() if _is_slower(ratio)}


def scrub_settings(observations: Sequence[Observation]) -> tuple[Setting, ...]:
    """Every scrub setting measured, the one that leads the report first: jumps, most threads, the
    best player; where only named ones played, the one whose fastest encoding is fastest."""
    scrubs = grouped((o.cell.setting, o) for o in observations if o.cell.task == "scrub")
    fastest_ms = {
        setting: min(
            median_low(o.figures["p50_ms"] for o in of_one)
            for of_one in grouped((o.cell.encoding, o) for o in of_setting).values()
        )
        for setting, of_setting in scrubs.items()
    }
    return tuple(sorted(scrubs, key=lambda setting: _setting_key(setting, fastest_ms[setting])))


def _setting_key(setting: Setting, fastest_ms: float) -> tuple[object, ...]:
    player = PLAYERS.get(setting["player"], Player(name=""))
    patterns = {name: place for place, name in enumerate(PATTERNS)}
    return (
        player.lowres,  # a smaller picture never leads
        setting.condition,
        -setting["threads"],
        setting["policy"] != "roll",
        setting["player"] != BEST,
        player.device is not None,
        patterns.get(setting["pattern"], len(patterns)),  # of a newer mezzmark, or none
        setting["viewer_height"] or 0,
        fastest_ms,
        setting["player"] or "",
    )
