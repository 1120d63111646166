"""What a run works on: what a scenario asks for, what clips are called, what a file warns of."""

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import PurePosixPath, PureWindowsPath
from typing import Final

from mezzmark.decide.estimate.ranking import RANKING_ROUNDS
from mezzmark.model.colour import UNSPECIFIED
from mezzmark.model.footage import Suspicion
from mezzmark.model.inspection import Advice, FileWarning, Inspection, name_tags
from mezzmark.model.run import ClipManifest
from mezzmark.model.scenario import INTERVAL_ROUNDS, ROUNDS_RULE, Scenario
from mezzmark.report.prose.numbers import count_text, few_text, shown_name, visible_text
from mezzmark.report.prose.terms import rate_text, task_label


def footage_words(clips: Sequence[ClipManifest]) -> str:
    """`C0001.MP4, 640×272, AVC, 25 fps`; of many clips the first few and a count."""
    names = [_clip_words(clip) for clip in clips]
    return few_text(names, lambda left: f"and {count_text(left, 'more clip')}")


def _clip_words(clip: ClipManifest) -> str:
    media = clip.original
    rate = rate_text(float(media.frame_rate)) if media.frame_rate else ""
    origin = "synthetic" if clip.source == "recipe" else ""
    size = f"{media.width_px}×{media.height_px}"
    return ", ".join(filter(None, (clip_name(clip), size, shown_name(media.codec), rate, origin)))


def clip_name(clip: ClipManifest) -> str:
    """The name of a file of the user's own, without its folder; else the name in the scenario."""
    if clip.source != "own":
        return shown_name(clip.clip)
    path = clip.original.path
    kind = PureWindowsPath if "\\" in path else PurePosixPath
    return shown_name(kind(path).name or clip.clip)


_SIGNS: Final[dict[Suspicion, str]] = {
    "decoder_errors": "its decoder complains",
    "repeated_pictures": "neighbours show one picture though each was coded in full",
    "stamps_out_of_step": "the frame numbers in its pictures leave some out",
}


def signs_text(suspicions: Sequence[Suspicion]) -> str:
    """Why a file may be damaged."""
    return "; ".join(_SIGNS[suspicion] for suspicion in suspicions)


_ADVICE: Final[dict[FileWarning, tuple[str, str]]] = {
    "suspect": (
        "The file may be damaged: {signs}.",
        "Copy it from its source again and look at it; a damaged picture that every decode hides "
        "alike counts as right.",
    ),
    "long_groups": (
        "Key frames are {found.keyframe_interval_frames.median:.0f} frames "
        "({found.keyframe_spacing_s.median:.2f} s) apart: a seek decodes up to "
        "{found.keyframe_interval_frames.maximum:.0f} frames and may stutter.",
        "Measure how much an intra encoding helps: `mezzmark measure own-footage --footage FILE`.",
    ),
    "one_key_frame": (
        "{found.examined_frame_count} frames have one key frame: every seek decodes from the "
        "start.",
        "Convert to an intra encoding before editing.",
    ),
    "one_slice": (
        "Each picture is one slice: threads within a picture cannot share its decoding.",
        'Measure it with players that decode several pictures at once: `players = ["frame"]`.',
    ),
    "variable_rate": (
        "The frame rate varies: frames are {found.frame_spacing_ms.minimum:.1f} to "
        "{found.frame_spacing_ms.maximum:.1f} ms apart.",
        "Convert to a constant rate before editing; sound may drift otherwise.",
    ),
    "interlaced": (
        "The pictures are interlaced.",
        "Encodings that cannot hold fields are left out; deinterlace for a progressive edit.",
    ),
    "turned": (
        "The file asks to be shown {turn}; its pictures are stored otherwise.",
        "Programs that do not heed it show it lying; see that the tag survives converting, or turn "
        "the pictures then.",
    ),
    "tags_contradict": (
        "The container says one thing and the coded pictures another: {contradictions}. Programs "
        "differ in whom they believe.",
        "Check a known colour; state the right one in both when converting.",
    ),
    "pq_with_709": (
        "The file states PQ levels with BT.709 primaries, which no standard pairs.",
        "PQ goes with BT.2020 primaries; ask how it was exported.",
    ),
    "hdr_in_8_bits": (
        "The file is HDR in {media.bit_depth} bits: smooth gradients show steps.",
        "Record or export PQ and HLG with 10 bits or more.",
    ),
    "looks_full_range": (
        "It counts as limited range and looks like full range: {levels.footroom_fraction:.1%} of "
        "luma lies far below black, {levels.headroom_fraction:.1%} far above white.",
        "Compare blacks with the camera's own view; if they are crushed, state full range when "
        "converting.",
    ),
    "looks_log": (
        "It looks log-like: luma runs from {levels.darkest:.0%} to {levels.brightest:.0%} only, "
        "and colours are pale. (A misty scene looks so too.)",
        "If it is log, keep 10 bits or more and tell the grading program its curve; no tag does.",
    ),
    "tags_missing": (
        "Colour {missing} not stated at {media.width_px}×{media.height_px}: programs guess, and "
        "some guess BT.601.",
        "State them when converting (for most cameras BT.709: 1, 1, 1).",
    ),
    "hd_with_matrix_601": (
        "The file states the BT.601 matrix at {media.height_px} lines, where BT.709 is usual.",
        "Check a known colour before trusting the tag; state the right one when converting.",
    ),
    "primaries_against_matrix": (
        "The file states {found.tag_names.primaries} primaries with the {found.tag_names.matrix} "
        "matrix, which do not go together.",
        "Check how it was exported, and state the right pair when converting.",
    ),
    "range_missing": (
        "The code range is not stated; limited range is assumed.",
        "If blacks look grey or crushed, state the camera's range when converting.",
    ),
    "no_seek_index": (
        "The container has no index: every seek searches the file.",
        "Rewrap it to MOV or MKV without re-encoding.",
    ),
    "frame_rate_missing": (
        "The file states no frame rate.",
        "The rate measured between frames is used; check that it is right.",
    ),
    "excerpt": (
        "Only the first {found.examined_duration_s:.0f} s were read.",
        "Read more with `--seconds`.",
    ),
}


def file_advice(found: Inspection) -> tuple[Advice, ...]:
    """Why a file cannot be measured, then its warnings, each with what to do about it."""
    codes = found.media.tags.model_dump(include={"primaries", "transfer", "matrix"})
    missing = ", ".join(name for name, code in codes.items() if code == UNSPECIFIED)
    signs = signs_text(found.suspicions)
    advice = []
    if found.refusal:
        what = f"It cannot be measured: {found.refusal}."
        advice.append(Advice(what=what, remedy=found.refusal_remedy))
    for what, remedy in (_ADVICE[warning] for warning in found.warnings):
        text = what.format(
            found=found,
            media=found.media,
            levels=found.levels,
            missing=missing,
            signs=signs,
            turn=TURNS[found.quarter_turns],
            contradictions=_contradictions(found),
        )
        advice.append(Advice(what=text, remedy=remedy))
    return tuple(advice)


TURNS: Final = ("", "turned left by 90°", "upside down", "turned right by 90°")
"""How a file asks to be shown, by quarters to the left."""


def _contradictions(found: Inspection) -> str:
    container, pictures = name_tags(found.media.tags), name_tags(found.picture_tags)
    return "; ".join(
        f"{'range' if field == 'colour_range' else field} {getattr(container, field)} against "
        f"{getattr(pictures, field)}"
        for field in found.contradictions
    )


FEWER_ROUNDS: Final = (
    f"Below {RANKING_ROUNDS} rounds nothing is ranked or recommended, below {INTERVAL_ROUNDS} no "
    "figure has an interval."
)


Counts = tuple[Counter[str], Counter[str]]


def planned_text(counts: Counts) -> str:
    """`39 trials a round (scrub latency 27, …); once: fidelity 9`, by task."""
    pilots = "pilot trials that name the best player, at most"
    each_round, once = (
        ", ".join(f"{pilots if k == 'pilot' else task_label(k)} {n:,}" for k, n in of.most_common())
        for of in counts
    )
    rest = f"; once: {once}" if once else ""
    return f"{count_text(sum(counts[0].values()), 'trial')} a round ({each_round}){rest}"


def scenario_lines(plan: Scenario, clips: Sequence[str], counts: Counts) -> Iterator[str]:
    """Clips, encodings, each task with its settings, how many trials and rounds, a line each."""
    names = [*plan.encodings, *(custom.name for custom in plan.custom_encodings)]
    yield visible_text(f"{plan.name}: {plan.title}" if plan.title else plan.name)
    yield f"clips ({len(clips)}): {_list(clips)}"
    yield f"encodings ({len(names)}): {_list(names)}"
    for name, settings in plan.tasks.items():
        facts = (
            f"{key} {_list(value)}" for key, value in settings if value not in (None, False, ())
        )
        yield f"{name}: {'; '.join(facts)}"
    if plan.choose:
        wishes = plan.choose.goals or ("the usual ones",)
        yield f"choose: needs {_list(plan.choose.needs) or 'none'}; wishes {_list(wishes)}"
    yield planned_text(counts)
    yield (
        f"rounds: {plan.minimum_rounds} to {plan.rounds}, until every interval is within "
        f"±{plan.precision_fraction:.0%}; seed {plan.seed}"
    )
    if plan.time_budget_s:
        yield f"time budget: {plan.time_budget_s:g} s; {ROUNDS_RULE}"
    yield from (f"warning: {text}" for text in limit_warnings_of(plan))


def limit_warnings_of(plan: Scenario) -> tuple[str, ...]:
    """What a run with the scenario's numbers of rounds may lack, with what to do about it."""
    if plan.rounds < INTERVAL_ROUNDS:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and this run has at most {plan.rounds}: "
            f"its figures will carry none. Allow {INTERVAL_ROUNDS} rounds or more for an answer.",
        )
    if plan.minimum_rounds < INTERVAL_ROUNDS and plan.time_budget_s is not None:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and minimum_rounds is "
            f"{plan.minimum_rounds}: the time budget may end the run before its figures carry any. "
            f"Set minimum_rounds to {INTERVAL_ROUNDS} or more, or leave it out.",
        )
    return ()


def _list(values: object) -> str:
    several = values if isinstance(values, tuple | list) else [values]
    names = (getattr(value, "name", value) for value in several)  # of a modelled link, its name
    return ", ".join(visible_text(str(name)) for name in names)
