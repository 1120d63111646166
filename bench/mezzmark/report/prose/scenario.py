"""What a scenario would measure, in a few lines for a person."""

from collections.abc import Iterator, Sequence
from pathlib import PurePosixPath, PureWindowsPath
from typing import Final

from mezzmark.model.round_limits import ROUNDS_RULE, limit_warnings
from mezzmark.model.run import ClipManifest
from mezzmark.model.scenario import Scenario
from mezzmark.report.prose.numbers import count_text, shown_name, visible_text
from mezzmark.report.prose.terms import rate_text


def scenario_lines(plan: Scenario) -> Iterator[str]:
    """Clips, encodings, each task with its settings, and how many rounds, a line each."""
    names = [*plan.encodings, *(custom.name for custom in plan.custom_encodings)]
    yield visible_text(f"{plan.name}: {plan.title}" if plan.title else plan.name)
    yield f"clips: {_list([clip.name for clip in plan.clips])}"
    yield f"encodings ({len(names)}): {_list(names)}"
    for name, settings in plan.tasks.items():
        facts = (f"{key} {_list(value)}" for key, value in settings if value not in (None, False))
        yield f"{name}: {'; '.join(facts)}"
    if plan.choose:
        wishes = plan.choose.goals or ("the usual ones",)
        yield f"choose: needs {_list(plan.choose.needs) or 'none'}; wishes {_list(wishes)}"
    yield (
        f"rounds: {plan.minimum_rounds} to {plan.rounds}, until every interval is within "
        f"±{plan.precision_fraction:.0%}; seed {plan.seed}"
    )
    if plan.time_budget_s:
        yield f"time budget: {plan.time_budget_s:g} s; {ROUNDS_RULE}"
    yield from (f"warning: {text}" for text in limit_warnings_of(plan))


def limit_warnings_of(plan: Scenario) -> tuple[str, ...]:
    """What the scenario's numbers of rounds let it lack."""
    return limit_warnings(
        rounds=plan.rounds,
        minimum_rounds=plan.minimum_rounds,
        has_budget=plan.time_budget_s is not None,
    )


def _list(values: object) -> str:
    several = values if isinstance(values, tuple | list) else [values]
    return ", ".join(visible_text(str(value)) for value in several)


MOST_CLIPS: Final = 3
"""Clips named under the headline; the table of footage has all of them."""


def footage_words(clips: Sequence[ClipManifest]) -> str:
    """`C0001.MP4, 640×272, AVC, 25 fps`; of many clips the first few and a count."""
    told = [_clip_words(clip) for clip in clips[:MOST_CLIPS]]
    left = len(clips) - MOST_CLIPS
    more = [f"and {count_text(left, 'more clip')}"] if left > 0 else []
    return "; ".join([*told, *more])


def _clip_words(clip: ClipManifest) -> str:
    media = clip.original
    parts = [clip_name(clip), f"{media.width_px}×{media.height_px}", shown_name(media.codec)]
    if media.frame_rate:
        parts.append(rate_text(float(media.frame_rate)))
    if clip.source == "recipe":
        parts.append("made up")
    return ", ".join(parts)


def clip_name(clip: ClipManifest) -> str:
    """The name of a file of the user's own, without its folder; else the name in the scenario."""
    if clip.source != "own":
        return shown_name(clip.clip)
    path = clip.original.path
    kind = PureWindowsPath if "\\" in path else PurePosixPath
    return shown_name(kind(path).name or clip.clip)
