"""What publishing did, in words; stands alone: the pages have theirs in the template."""

from collections.abc import Sequence

from mezzmark.report.prose.numbers import count_text, list_text


def published_text(made: int, total: int, left: Sequence[str]) -> str:
    """Runs made anew, runs in all, and hosts whose histories lack runs that were not named."""
    done = f"{count_text(total, 'run')} published, of which {made} made anew."
    missing = "Histories left as they were, for not all runs were named: "
    return f"{done} {missing}{list_text(left)}." if left else done
