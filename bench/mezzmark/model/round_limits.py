"""How many rounds a run has: the one rule, and what to tell of limits that answer little.

Imports nothing, so that the help can show the rule at once.
"""

from typing import Final

ROUNDS_RULE: Final = (
    "at least minimum_rounds rounds are measured whatever the budget; "
    "after that no round begins that would end after it"
)
"""The same words in the help, in scenarios/README.md and in messages."""

INTERVAL_ROUNDS: Final = 3
"""The fewest rounds that give an interval; a run of fewer has bare figures."""


def lowered_minimum(rounds: int, *, minimum_rounds: int) -> int:
    """The minimum of a run of at most `rounds`, for which another minimum was meant."""
    return min(rounds, minimum_rounds)


def limit_warnings(*, rounds: int, minimum_rounds: int, has_budget: bool) -> tuple[str, ...]:
    """What a run with these limits may lack, with what to do about it."""
    if rounds < INTERVAL_ROUNDS:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and this run has at most {rounds}: its "
            f"figures will carry none. Allow {INTERVAL_ROUNDS} rounds or more for an answer.",
        )
    if minimum_rounds < INTERVAL_ROUNDS and has_budget:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and minimum_rounds is {minimum_rounds}: "
            "the time budget may end the run before its figures carry any. Set minimum_rounds to "
            f"{INTERVAL_ROUNDS} or more, or leave it out.",
        )
    return ()
