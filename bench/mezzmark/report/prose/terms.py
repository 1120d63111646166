"""What patterns, axes, players and tasks are called in running text; else said as they are."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.model.cell import Setting
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.estimate import Estimate
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.report.prose.numbers import count_text, level_text, number_text, shown_name

FLAG_TEXTS: Final = {
    "suspended": "its process was stopped, or the machine slept, while it ran",
    "not_cold": "what it read was not proved to be out of this machine's file cache",
    "host_lost": "one of its hosts went away, and others did its share",
    "late_start": "the machines did not begin together: see what else they or the network did",
    "late_generator": "the player woke too late for the display: other programs may be at work",
}
"""Why a trial enters no figure, by its flag."""

_PATTERNS: Final = {
    "jump": "when the playhead jumps anywhere in the clip",
    "near": "when the playhead moves a short way",
    "step-forward": "stepping forward frame by frame",
    "step-back": "stepping back frame by frame",
    "sweep-forward": "sweeping forward at speed",
    "sweep-back": "sweeping back at speed",
    "hop": "hopping from clip to clip",
}
_POLICIES: Final = {"reseek": "the player always seeks", "roll": "the player rolls on where it can"}

USUAL_PLAYER: Final = "slice"
"""The player that goes without saying."""


def plain_name(name: str) -> str:
    """A name of ours as words: `zig-zag` → `zig zag`."""
    return shown_name(name.replace("-", " ").replace("_", " "))


def player_words(name: str) -> str:
    """A player by what it does: `frame threads`, `2 frame threads`, `cuda, slice threads`."""
    player = PLAYERS.get(name)
    if player is None:
        return plain_name(name)
    kind = "own choice of" if player.threading == "auto" else player.threading
    words = (player.device, f"{player.threads or ''} {kind} threads".strip())
    skips = " (unreferenced pictures skipped)" * player.skips_nonreference
    return ", ".join(filter(None, words)) + skips + _size_words(player)


def _size_words(player: Player) -> str:
    """That a player brings another picture than the others."""
    size = f" (a smaller picture, 1/{2**player.lowres} of the width and height)"
    return size * (player.lowres > 0)


def pattern_words(pattern: str | None) -> str:
    """How the playhead moved, after "fastest" or a name; jumps where no pattern is set."""
    name = pattern or "jump"
    return _PATTERNS.get(name, f"moving by the pattern {plain_name(name)}")


def task_label(task: str) -> str:
    """A task by its plain name."""
    return TASKS[task].label if task in TASKS else plain_name(task)


_AXES: Final[dict[str, Callable[[Any], str]]] = {
    "pattern": pattern_words,
    "threads": lambda count: count_text(count, "decoder thread"),
    "policy": lambda name: _POLICIES.get(name, f"policy {plain_name(name)}"),
    "viewer_height": lambda height_px: f"viewer {height_px} pixels high",
    "player": lambda name: (
        f"player {plain_name(name)}" + _size_words(PLAYERS.get(name, Player(name=name)))
    ),
    "carrier": lambda name: f"streams as {plain_name(name)}",
    "cache": lambda name: f"file cache {plain_name(name)}",
    "link": lambda name: f"modelled link {shown_name(name)}",
    "root": lambda name: f"root {shown_name(name)}",
    "minutes": lambda count: f"again and again for {count_text(count, 'minute')}",
    "hosts": lambda names: f"on {shown_name(names, limit=200)}",
    "ingest_mb_per_s": lambda rate: f"beside an ingest that writes {rate} MB/s",
    "host_count": lambda count: f"from {count_text(count, 'machine')} at once",
}


def axis_words(axis: str, value: Any) -> str:
    """A value of an axis of scrubbing: `2 decoder threads`, `player cuda`."""
    return _AXES[axis](value) if axis in _AXES else f"{plain_name(axis)} {plain_name(str(value))}"


def setting_words(setting: Setting, *, with_pattern: bool = True, with_threads: bool = True) -> str:
    """A scrub setting in words, with or without its two halves: the pattern, and all the rest."""
    return ", ".join(
        axis_words(axis, setting[axis])
        for axis in dict.fromkeys([*_AXES, *setting])
        if (with_pattern if axis == "pattern" else with_threads)
        and (axis == "pattern" or setting[axis] not in (None, USUAL_PLAYER))
    )


def trial_words(run: MeasuredRun, ranking: Ranking) -> str:
    """`6 rounds × 2 clips × 24 to 168 moves`: quick encodings make more of them a round."""
    entries = ranking.entries
    clips = max((entry.clip_count for entry in entries), default=0)
    rounds = max((entry.estimates["p50_ms"].round_count for entry in entries), default=0)
    begun = len({trial.round_index for trial in run.trials})
    scrub = run.manifest.scenario.settings(ScrubSettings)
    requests = scrub.requests if scrub else 0
    blocks = {trial.blocks for trial in run.trials if trial.cell.task == "scrub"} or {1}
    counts = {"round": begun if clips > 1 else rounds, "clip": clips}
    moves = count_text(requests * max(blocks), "move")
    fewest = f"{requests * min(blocks)} to " if len(blocks) > 1 else ""
    return " × ".join([*(count_text(n, noun) for noun, n in counts.items()), fewest + moves])


def bar_words(estimates: Iterable[Estimate], *, also: str = "") -> str:
    """What a figure's bars are, and `also`; or why none of its estimates has one."""
    levels = {e.confidence_level for e in estimates if e.low is not None and e.high is not None}
    if not levels:
        return "No bars: too few rounds for intervals."
    return f"Bars: {level_text(max(levels))} intervals over rounds{also}."


def clip_rates(manifest: Manifest) -> list[float]:
    """The lowest and the highest frame rate of the clips in fps: two, one or, if unknown, none."""
    known = [clip.original.frame_rate for clip in manifest.clips if clip.original.frame_rate]
    return sorted({float(min(known)), float(max(known))}) if known else []


def rate_text(rate_fps: float) -> str:
    """`24 fps`, `23.976 fps`."""
    return f"{rate_fps:.5g} fps"


def frame_budgets(manifest: Manifest) -> dict[float, str]:
    """Ms that a frame stays on screen, named, at the lowest and highest rate of the clips."""
    return {
        1000 / rate: f"one frame at {rate_text(rate)}: {number_text(1000 / rate)} ms"
        for rate in clip_rates(manifest)
    }


def encodings_about(manifest: Manifest) -> dict[str, str]:
    """What each encoding is: `10 bit, 4:2:2, all intra`; of originals that differ, all they are."""
    found: dict[str, list[Encoding]] = {ORIGINAL: [c.original_encoding for c in manifest.clips]}
    found |= {one.name: [one] for one in manifest.encodings if one.name != ORIGINAL}
    return {name: _about(ones) for name, ones in found.items()}


def size_words(encoding: Encoding) -> list[str]:
    """`proxy of 1/2 size`, `3/4 of the width`; nothing of one with the clip's size."""
    across, down = encoding.scale
    if encoding.is_proxy:
        return [f"proxy of {down} size"]
    return [f"{across} of the width"] if encoding.is_scaled else []


def _about(ones: Sequence[Encoding]) -> str:
    depths = sorted({one.bit_depth for one in ones if one.bit_depth})
    chromas = sorted({one.chroma for one in ones if one.chroma != "other"})
    kinds = sorted({"all intra" if one.is_intra else "long GOP" for one in ones})
    bits = f"{' or '.join(map(str, depths))} bit" if depths else ""
    sizes = [words for one in ones[:1] for words in size_words(one)]
    return ", ".join(filter(None, (*sizes, bits, " or ".join(chromas), " or ".join(kinds))))


def split_words(split: tuple[int, int]) -> str:
    """`2 jobs × 1 thread`."""
    return f"{count_text(split[0], 'job')} × {count_text(split[1], 'thread')}"


def ingest_split_words(setting: Setting) -> str:
    """The split of an ingest; hosts of a fleet have their own."""
    return "each host's fastest" if setting["hosts"] else split_words(setting.split)
