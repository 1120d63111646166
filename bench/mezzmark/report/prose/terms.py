"""Tasks as people call them, in running text."""

from collections.abc import Iterable

from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.model.cell import Setting
from mezzmark.model.estimate import Estimate
from mezzmark.model.players import PLAYERS
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.report.prose.numbers import PATTERN_PHRASES, count_text, number_text
from mezzmark.report.view import RunView

POLICY_WORDS = {"reseek": "the player always seeks", "roll": "the player rolls on where it can"}


def setting_words(setting: Setting, *, with_pattern: bool = True, with_threads: bool = True) -> str:
    """A scrub setting in words, with or without its two halves."""
    parts = []
    if with_pattern:
        parts.append(PATTERN_PHRASES[setting["pattern"] or "jump"])
    if with_threads:
        parts.append(count_text(setting["threads"], "decoder thread"))
        if setting["policy"]:
            parts.append(POLICY_WORDS[setting["policy"]])
        if setting["viewer_height"]:
            parts.append(f"viewer {setting['viewer_height']} pixels high")
        player = PLAYERS.get(setting["player"])
        if player and player.device:
            parts.append(f"decoder {player.device}")
    return ", ".join(parts)


def trial_words(view: RunView, ranking: Ranking) -> str:
    """`6 rounds × 2 clips × 24 moves`."""
    clips = max((entry.clip_count for entry in ranking.entries), default=0)
    rounds = max((e.estimates["p50_ms"].round_count for e in ranking.entries), default=0)
    if clips > 1 and ranking.entries:
        rounds = view.round_count
    scrub = view.manifest.scenario.settings(ScrubSettings)
    moves = scrub.requests if scrub else 0
    return " × ".join(
        (count_text(rounds, "round"), count_text(clips, "clip"), count_text(moves, "move"))
    )


def bar_words(estimates: Iterable[Estimate], *, also: str = "") -> str:
    """What the bars of a figure are, where any of its estimates has one; else why none has.

    `also` is said after it where there are bars.
    """
    drawn = list(estimates)
    levels = {e.confidence_level for e in drawn if e.low is not None and e.high is not None}
    if not levels:
        return "No bars: too few rounds for intervals."
    return f"Bars: {max(levels) * 100:g} % intervals over rounds{also}."


def clip_rates(manifest: Manifest) -> list[float]:
    """Frame rates of the clips in fps, each once, ascending."""
    rates = {clip.original.frame_rate for clip in manifest.clips if clip.original.frame_rate}
    return sorted(float(rate) for rate in rates)


def rate_text(rate_fps: float) -> str:
    """`24 fps`, `23.976 fps`."""
    return f"{rate_fps:.5g} fps"


def frame_budgets(manifest: Manifest) -> dict[float, str]:
    """The time in ms that one frame stays on screen, named, for each frame rate among the clips
    (at most two)."""
    return {
        1000 / rate: f"one frame at {rate_text(rate)}: {number_text(1000 / rate)} ms"
        for rate in clip_rates(manifest)[:2]
    }


def split_words(split: tuple[int, int]) -> str:
    """`2 jobs × 1 thread`."""
    return f"{count_text(split[0], 'job')} × {count_text(split[1], 'thread')}"
