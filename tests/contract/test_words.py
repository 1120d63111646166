"""The words of reports, terminal and messages: phrases that were replaced do not come back."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "bench" / "mezzmark"
TEMPLATES = Path(__file__).parents[2] / "report_templates"

NOT_THESE = {
    r"time to picture": "scrub latency",
    r"soonest": "fastest",
    r"as fast as the original": "n× faster than the original",
    r"cannot be told from": "no measurable difference from",
    r"made up": "synthetic",
    r"foretold": "predicted",
    r"\btold\b": "reported, not available",
    r"\b(?:off|on) the front\b|\boff it\b|^on it$": "outclassed, not outclassed",
    r"beyond the limit by": "8.5× the limit",
    r"% of room": "4 % below the limit",
    r"short of a doubling": "only changes above 100 %",
    r"smallest change it could find": "smallest change detectable (90 % power)",
    r"changed suddenly": "the machine's speed stepped by … at round 2",
    r"speaks against": "why rejected",
    r"\bruled out\b|\bneeds open\b": "missed, open",
    r"\bforeseen\b|would wait for": "about 27 more rounds per side",
    r"helps nobody": "has no meaning as a wish",
    r"\bgone on with\b|\bgives? up\b": "resumed, stopped",
}
"""Phrase that is not printed → what is said instead."""


VALUES = {"ruled out", "on it", "may be on it", "off it"}
"""Names of values that `decide` gives; `report/prose` has the words for them."""


def printed(tree: ast.Module) -> Iterator[str]:
    """Every text constant but docstrings and names of values."""
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
        if is_text and id(node) not in bare and node.value not in VALUES:
            yield node.value


@pytest.fixture(name="texts", scope="module")
def _texts() -> list[str]:
    sources = (path for room in ("report", "cli") for path in (PACKAGE / room).rglob("*.py"))
    texts = [text for path in sources for text in printed(ast.parse(path.read_text("utf-8")))]
    return texts + [path.read_text("utf-8") for path in TEMPLATES.glob("*.j2")]


@pytest.mark.parametrize("phrase", NOT_THESE)
def test_no_replaced_phrase_is_printed(phrase: str, texts: list[str]) -> None:
    """No text of report, terminal or template holds it."""
    assert len(texts) > 1000
    assert [text for text in texts if re.search(phrase, text)] == []
