"""The marks of a figure as a reader of the page meets them."""

import html
import re


def marks(svg: str) -> list[tuple[str, str]]:
    """Where each mark leads, and what it says, in the order they are drawn."""
    found = re.findall(
        r'<a class="mark" role="link" xlink:href="#([^"]*)" aria-label="([^"]*)"', svg
    )
    return [(anchor, html.unescape(words)) for anchor, words in found]
