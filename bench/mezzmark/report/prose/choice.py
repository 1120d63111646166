"""The choice in words, for someone who edits video: the answer, then what stands behind it. Long,
for each way in which an answer may be open has its words here, once."""

from collections.abc import Iterable, Sequence
from typing import Final

from mezzmark.decide.choose.choice import (
    FRONT_LEVEL,
    LIKELY,
    Addition,
    Choice,
    Front,
    JudgedEncoding,
    NeedResult,
    Status,
    TippingPoint,
)
from mezzmark.decide.choose.choose import list_unmeasured
from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.ranking import Ranking, surely_faster
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.fact import grouped
from mezzmark.model.request import Wish, doubtful_limit, unknown_value
from mezzmark.model.scenario import Scenario
from mezzmark.report.prose.latency import best_player_sentences
from mezzmark.report.prose.method import disturbance_text, disturbed_text
from mezzmark.report.prose.needs import chance_text, lack_text, need_text, percent_digits
from mezzmark.report.prose.numbers import (
    count_text,
    level_text,
    list_text,
    number_text,
    shown_name,
    shown_unit,
    shown_value,
    visible_text,
)
from mezzmark.report.prose.size import machines_sentences

STATUSES: Final[dict[Status, str]] = {
    "meets": "met",
    "open": "open",
    "ruled out": "missed",
    "not judged": "not judged",
}
"""What becomes of an encoding's needs."""

FRONTS: Final[dict[Front | None, str]] = {
    None: "",
    "on it": "not outclassed",
    "may be on it": "may be outclassed",
    "off it": "outclassed",
}
"""Where an encoding stands by all wishes together."""


def headline(choice: Choice) -> str:
    """The answer in one sentence, or two."""
    if choice.verdict == "none meets":
        return f"Nothing meets every need. Nearest: {_misses(choice, 0)}"
    if choice.leader is None:
        return "No encoding could be judged: each lacks a figure or showed wrong pictures."
    if choice.verdict == "cannot say":
        return _cannot_say(choice, choice.leader)
    return _advice(choice, choice.leader)


def unchosen_text(problem: str) -> str:
    """Why a run's own needs and wishes come to nothing."""
    return f"Nothing can be chosen from this run: {problem}."


def _advice(choice: Choice, leader: str, start: str = "") -> str:
    """Whom to use, and how sure that is; after a `start` such as `By the other need, `."""
    name, best = shown_name(leader), choice.chance_best
    if choice.unit_count == 0 and choice.wishes_not_measured and not start:
        labels = list_text([wish.figure.label for wish in choice.wishes])
        return f"Only {labels} was measured of the wishes; by that alone, use {name}."
    if best is None:
        count = count_text(choice.unit_count, choice.unit)
        return f"{start}{name} is ahead, but {count} cannot tell; {MINIMUM_ROUNDS} are needed."
    met = choice.find(leader).chance_measured or 0.0
    if leader == ORIGINAL and choice.needs and not start and (choice.is_sure or met >= LIKELY):
        doubt = "" if choice.is_sure else f" ({chance_text(best)} likely; {_doubt(choice, leader)})"
        return f"No intermediate is needed: the originals meet every need{doubt}."
    if choice.is_sure:
        return f"{f'{start}use' if start else 'Use'} {name}."
    if met < LIKELY:
        near = f"is likely to meet every need; {name} comes nearest ({chance_text(met)})"
        return f"{f'{start}nothing' if start else 'Nothing'} {near}.{_more(choice)}"
    doubt = _doubt(choice, leader)
    return f"{start}{name} is ahead ({chance_text(best)}); {doubt}.{_more(choice)}"


def _doubt(choice: Choice, leader: str) -> str:
    """What is open: who may be better, or a need of the leader."""
    opened = choice.find(leader).outcomes("open")
    if choice.rounds_short and not opened and not choice.tied:
        return f"{count_text(choice.unit_count, choice.unit)} are too few to recommend it"
    if choice.tied or not opened:
        rival = choice.tied or choice.runner_up
        return f"{shown_name(rival)} may be better" if rival else "no other encoding is left"
    return f'whether it meets "{visible_text(opened[0].need.text)}" is open'


def _more(choice: Choice) -> str:
    missing, doubt = choice.rounds_missing, choice.disturbance
    if (
        missing is None
        or choice.unit == "run"
        or (doubt and doubt.leaders != doubt.leaders_without)
    ):
        return ""
    return f" About {count_text(missing, 'more round')} would settle it."


def _cannot_say(choice: Choice, leader: str) -> str:
    """A need was not measured: which, what to do, and who is best by the rest."""
    missing = [f'"{visible_text(need.text)}"' for need in choice.needs_not_shown]
    additions = (choice.how_to_measure.get(need) for need in choice.needs_not_shown)
    added = list(dict.fromkeys(addition_text(one) for one in additions if one))
    todo = "Go on with --resume, or measure again"
    todo = f"Add {list_text(added)} and measure again" if added else todo
    labels = [wish.figure.label for wish in choice.wishes]
    wishes = f"{list_text(labels) if choice.wishes_not_measured else 'the wishes'} alone"
    rest = {0: wishes, 1: "the other need"}.get(len(choice.needs) - len(missing), "the other needs")
    return (
        f"Cannot say yet: {list_text(missing)} {'was' if len(missing) == 1 else 'were'} not "
        f"measured. {todo}. {_advice(choice, leader, f'By {rest}, ')}"
    )


def addition_text(addition: Addition) -> str:
    """What a scenario lacks: `a [fidelity] table`, `"near" to the patterns of [scrub]`."""
    value = f'"{addition.value}"' if isinstance(addition.value, str) else str(addition.value)
    if not addition.is_new_table:
        return f"{value} to the {addition.key} of [{addition.task}]"
    article = "an" if addition.task[0] in "aeiou" else "a"
    keys = f" with {addition.key} = [{value}]" if addition.key else ""
    return f"{article} [{addition.task}] table{keys}"


def choosing_warnings(scenario: Scenario) -> tuple[str, ...]:
    """What a run of this scenario could not answer of `[choose]`, a sentence each."""
    texts = [
        f'[choose] "{one.text}": this scenario does not measure that, so no run of it can answer; '
        f"add {addition_text(addition)}"
        for one, addition in list_unmeasured(scenario)
    ]
    customs = tuple(custom.encoder for custom in scenario.custom_encodings if custom.encoder)
    for need in scenario.choose.needs if scenario.choose else ():
        if problem := unknown_value(need, customs if need.subject == "codec" else ()):
            texts.append(f"[choose] {problem.what}, unless your footage has it. {problem.remedy}")
        if doubt := doubtful_limit(need):
            texts.append(f"[choose] {doubt}.")
    return tuple(f"warning: {text}" for text in texts)


def goal_text(wish: Wish) -> str:
    """`less bit rate`."""
    return f"{wish.figure.better} {wish.figure.label}"


def _misses(choice: Choice, place: int) -> str:
    miss = choice.nearest[place]
    return f"{shown_name(miss.encoding)}, short of {_needs_text(miss.missed)}."


def _needs_text(results: Iterable[NeedResult]) -> str:
    return "; ".join(map(need_text, results))


def findings(choice: Choice) -> tuple[str, ...]:
    """What stands behind the answer, a sentence each; doubts of the machine first."""
    doubt, default = choice.disturbance, " (default)" * choice.has_default_needs
    needs = "; ".join(visible_text(need.text) for need in choice.needs) or "none"
    return (
        *([disturbance_text(doubt)] if doubt and doubt.is_warning else ()),
        f"Needs{default}: {needs}.",
        *standing(choice),
        *details(choice),
    )


def standing(choice: Choice) -> tuple[str, ...]:
    """By which wishes the answer is the best, before whom, and how surely."""
    return (_rule(choice), *(_runner_up(choice) if choice.leader else ()))


def details(choice: Choice) -> tuple[str, ...]:
    """What else is to be known of the answer."""
    return (
        *_step_ends(choice),
        *(f"Next nearest: {_misses(choice, place)}" for place in range(1, len(choice.nearest))),
        *(
            f'"{visible_text(need.text)}" was not measured: no encoding can be shown to meet it.'
            for need in choice.needs_not_shown
            if choice.verdict != "cannot say"
        ),
        *best_player_sentences(choice.best_players),
        *_notes(choice),
    )


def _rule(choice: Choice) -> str:
    scenario = choice.wishes_from and f" (of scenario {visible_text(choice.wishes_from)})"
    origin = " (default wishes)" if choice.has_default_wishes else scenario
    goals = list(map(goal_text, choice.wishes))
    if choice.weights:
        weighed = zip(goals, choice.weights, strict=True)
        return f"Wishes, weighted: {', '.join(f'{goal} ({w:g})' for goal, w in weighed)}."
    if len(goals) == 1:
        return f"Wish: {goals[0]}{origin}."
    steps = f"steps of {choice.indifference_fraction * 100:g} %"
    return f"Wishes in order, {steps}: {'; then '.join(goals)}{origin}."


EDGES_SHOWN: Final = 6


def _step_ends(choice: Choice) -> list[str]:
    """`Steps end at 40, 50, 62.5 ms (median scrub latency).`: those that hold who is in play."""
    ends = []
    for place, figure in enumerate(wish.figure for wish in choice.wishes):
        points = [
            entry.figures[figure.name].point
            for entry in choice.encodings
            if entry.status in ("meets", "open") and figure.name in entry.figures
        ]
        edges = choice.step_edges(place, min(points), max(points)) if points else ()
        shown = [number_text(shown_value(edge, figure.unit)) for edge in edges[:EDGES_SHOWN]]
        if shown:
            more = ", …" if len(edges) > EDGES_SHOWN else ""
            ends.append(f"{', '.join(shown)}{more} {shown_unit(figure.unit)} ({figure.label})")
    return [f"Steps end at {'; '.join(ends)}."] if ends else []


def _runner_up(choice: Choice) -> list[str]:
    """Who comes next, and who would be the best choice more often than rarely if it met."""
    if choice.runner_up is None:
        return ["No other encoding is left to choose from."]
    best = shown_name(choice.leader or "")
    by = f"; decided by: {goal_text(choice.decided_by)}" if choice.decided_by else ""
    doubt = choice.disturbance
    if doubt and doubt.is_warning:
        by = f", with {disturbed_text(doubt)}{by}"
    sure = f" ({chance_text(choice.chance_ahead)} certain that {best} is the better choice{by})"
    if choice.chance_ahead is None:
        note = f" (too few rounds to say how surely{by})"
    elif choice.find(choice.runner_up).outcomes("open"):
        chance = chance_text(choice.find(choice.runner_up).chance_best)
        note = f", the best choice with {chance}, but not sure to meet the needs"
    elif choice.is_rivalled:
        note = f", which may be the better choice{sure}"
    else:
        note = sure
    needs = "every measured need" if choice.needs_not_shown else "every need"
    return [f"Runner-up: {shown_name(choice.runner_up)}{note}."] + [
        f"{shown_name(entry.encoding)} may be the better choice ({chance_text(entry.chance_best)}),"
        f" but whether it meets {needs} is open ({chance_text(entry.chance_measured)})."
        for entry in choice.encodings
        if entry.outcomes("open")
        and entry.encoding not in (choice.leader, choice.runner_up)
        and (entry.chance_best or 0) > 1 - FRONT_LEVEL
    ]


NO_SHOP: Final = (
    "Not asked: whether footage is ready in time, and whether link, array and storage are enough. "
    "To ask: mezzmark choose RUN --shop SHOP.toml."
)


def _notes(choice: Choice) -> list[str]:
    """What the reader must know of how this was found."""
    of_shop = [need for need in choice.needs if need.figure and need.figure.task == "shop"]
    texts = machines_sentences(choice.machines_needed) if of_shop else [NO_SHOP]
    if choice.wishes_not_measured:
        lost = list_text([wish.goal for wish in choice.wishes_not_measured])
        others = list_text([wish.goal for wish in choice.alternatives])
        more = f" Measured, and possible as wishes: {others}." if others else ""
        texts.append(f"Not measured, so left out of the wishes: {lost}.{more}")
    if choice.run_count == MINIMUM_ROUNDS - 1:
        texts.append(
            "Two runs were pooled round by round; no chance covers what differed between their "
            "days. From three runs on, whole runs are compared."
        )
    if choice.is_thin:
        texts.append(
            f"Only {count_text(choice.unit_count, choice.unit)}: nothing measured rules an "
            "encoding out, and no chance is given."
        )
    return texts


def against_text(choice: Choice, entry: JudgedEncoding) -> str:
    """Why an encoding is rejected, open or not judged; empty where only the unmeasured is open."""
    if entry.status == "not judged":
        texts = [*map(lack_text, entry.lacks)]
        if entry.chance_beside is not None:
            texts.append(
                f"on {list_text(entry.own_clips)} alone the better choice than "
                f"{shown_name(choice.leader or '')} with {chance_text(entry.chance_beside)}"
            )
        return "; ".join(texts)
    return _needs_text(entry.outcomes("misses") or entry.outcomes("open"))


def basis_text(choice: Choice) -> str:
    """What the chances and the word "missed" rest on."""
    texts = ["There is no overall score."]
    results = [result for entry in choice.encodings for result in entry.needs]
    if any(one.outcome == "misses" or one.noise_fraction is not None for one in results):
        level = level_text(choice.confidence_level)
        text = "confidence over all needs and clips of an encoding"
        texts.insert(0, f"Missed: not met, with {level} {text}.")
    if choice.unit_count and not choice.is_thin:
        texts.insert(0, f"Chances from {choice.draw_count} draws over {rounds_text(choice)}.")
    return " ".join(texts)


def rounds_text(choice: Choice) -> str:
    """`5 rounds`; `5 whole rounds` of more begun; empty where nothing asked varies by round."""
    if not choice.unit_count:
        return ""
    is_cut = choice.begun_count > choice.unit_count and choice.unit == "round"
    return count_text(choice.unit_count, "whole round" if is_cut else choice.unit)


POINTS_SHOWN: Final = 4


def tipping_sentences(choice: Choice) -> tuple[str, ...]:
    """The smallest changes that would change the answer."""
    return tuple(map(_tipping_sentence, choice.tipping_points[:POINTS_SHOWN]))


def _tipping_sentence(point: TippingPoint) -> str:
    chosen = f"{shown_name(point.then)} would be chosen" if point.then else ""
    then = chosen or "no encoding would be likely to meet the needs"
    # Old and new with enough digits to tell them apart.
    old, new = (shown_value(value, point.unit) for value in (point.old_value, point.new_value))
    before, after = (
        f"{number_text(value, half_width=abs(new - old) or None)} {shown_unit(point.unit)}".strip()
        for value in (old, new)
    )
    change = f"{'+' if point.ratio > 1 else '−'}{percent_digits(point.ratio - 1)} %"
    if point.unit == "dB":
        change = f"{point.new_value - point.old_value:+.1f} dB"
    if point.need is not None:
        limit = f'the limit of "{visible_text(point.need.text)}"'
        return f"If {limit} were {after} ({change}), {then}."
    figure = point.wish.figure.label if point.wish else ""
    whose = shown_name(point.encoding)
    return f"If the {figure} of {whose} were {after}, not {before} ({change}), {then}."


def choice_sentences(choice: Choice) -> tuple[str, ...]:
    """The answer, what stands behind it, and what would change it."""
    return (headline(choice), *findings(choice), *tipping_sentences(choice))


def faster_sentences(
    lead: Ranking, choice: Choice, observations: Sequence[Observation]
) -> list[str]:
    """Who is ahead of the chosen one in scrub latency, and why not taken; faster where proved."""
    names = [entry.encoding for entry in lead.entries]
    if lead.is_thin or not choice.chosen or choice.chosen[0] not in names:
        return []
    best = choice.chosen[0]
    judged = {entry.encoding: entry for entry in choice.encodings}
    ahead = [n for n in names[: names.index(best)] if n in judged and n not in choice.chosen]
    sure = surely_faster(ahead, best, lead, observations)
    groups = grouped(((name in sure, _why_not(choice, judged[name])), name) for name in ahead)
    unsure = "looked faster (these rounds cannot tell)"
    return [
        f"{list_text(who, limit=6)} "
        f"{('is faster' if len(who) == 1 else 'are faster') if is_sure else unsure}, but {reason}."
        for (is_sure, reason), who in groups.items()
    ]


def _why_not(choice: Choice, entry: JudgedEncoding) -> str:
    if entry.status == "meets":
        return "the wishes put the chosen one first"
    if entry.status == "ruled out":
        missed = entry.outcomes("misses")
        return f"{'a need is' if len(missed) == 1 else 'needs are'} missed: {_needs_text(missed)}"
    if entry.status == "open":
        return "not sure to meet the needs"
    return f"not judged: {against_text(choice, entry)}"
