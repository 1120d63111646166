"""What disturbed trials do to the answer: they are kept, and told where they would change it."""

from collections.abc import Callable, Sequence
from typing import Final

from mezzmark.decide.noise import flag_trials
from mezzmark.decide.observations import Observation
from mezzmark.decide.wording import count_text, list_text
from mezzmark.facts.base import Fact
from mezzmark.facts.records import Trial

MANY_FRACTION: Final = 0.1
"""From this share of disturbed trials on a reader is warned, whatever they change."""

Leaders = Callable[[Sequence[Trial], Sequence[Observation]], frozenset[str]]
"""Who leads, from trials and their observations: the chosen encoding, or those that may be the
fastest."""


class Disturbance(Fact):
    """How many trials were disturbed, and who leads with and without them."""

    disturbed_count: int
    trial_count: int
    leaders: frozenset[str] = frozenset()
    leaders_without: frozenset[str] = frozenset()
    verb: str = "may be the fastest"

    @property
    def is_warning(self) -> bool:
        """Whether a reader should know before relying on the answer."""
        return (
            self.leaders != self.leaders_without
            or self.disturbed_count >= MANY_FRACTION * self.trial_count > 0
        )

    @property
    def words(self) -> str:
        """One sentence."""
        if not self.disturbed_count:
            return "No trial was disturbed as far as the system tells."
        start = (
            f"{self.disturbed_count:,} of {count_text(self.trial_count, 'trial')} were disturbed "
            "by other work and are kept"
        )
        if not self.leaders and not self.leaders_without:
            return f"{start}."
        if self.leaders == self.leaders_without:
            return f"{start}; without them the same {self.verb}."
        return f"{start}; without them {self._change()}."

    def _change(self) -> str:
        """Who leads without the disturbed trials, told by what is new."""
        before, after = self.leaders, self.leaders_without
        if after and after < before:
            return f"only {_names(after)} {self.verb}"
        if before < after:
            return f"{_names(after - before)} {self.verb} too"
        return f"{_names(after)} {self.verb}, in place of {_names(before)}"


def _names(encodings: frozenset[str]) -> str:
    return list_text(sorted(encodings), limit=6) if encodings else "no encoding"


def judge_disturbance(
    trials: Sequence[Trial],
    observations: Sequence[Observation],
    leaders: Leaders,
    *,
    verb: str = "may be the fastest",
) -> Disturbance:
    """Disturbed trials of one run, and whether `leaders` names others without them."""
    places = {(trial.round_index, trial.position) for trial in flag_trials(trials)}
    if not places:
        return Disturbance(disturbed_count=0, trial_count=len(trials))
    return Disturbance(
        disturbed_count=len(places),
        trial_count=len(trials),
        leaders=leaders(trials, observations),
        leaders_without=leaders(
            [t for t in trials if (t.round_index, t.position) not in places],
            [o for o in observations if (o.round_index, o.position) not in places],
        ),
        verb=verb,
    )
