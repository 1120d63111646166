"""Frames as CSV that spreadsheets may open without harm (RFC 4180 quoting, UTF-8, line feeds).

A spreadsheet takes a text that begins with `=`, `+`, `-`, `@`, a tab or a line break for a formula,
quoted or not, and names come from files that others made. Such a text, and one that begins with an
apostrophe, gets an apostrophe in front; take one leading apostrophe away to have it back. Parquet
and JSON are never opened as formulas and hold names as they are."""

import csv
import re
from typing import Final

import pandas as pd

FLOAT_FORMAT: Final = "%.9g"
"""Nine digits: more than any clock here resolves, and the same text on every platform."""

FORMULA_STARTS: Final = "=+-@\t\r\n＝＋－＠"  # the wide forms count as formulas in some locales
_GUARDED: Final = re.compile(f"^(?=[{re.escape(FORMULA_STARTS)}'])")


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """The frame as UTF-8 text with a header line; whole numbers stay whole, gaps stay empty."""
    texts = frame.select_dtypes(["category", "string"])
    guarded = frame.assign(
        **{str(name): column.map(guard, na_action="ignore") for name, column in texts.items()}
    )
    has_return = any("\r" in text for _, c in texts.items() for text in c.dropna().unique())
    text = guarded.to_csv(
        index=False,
        float_format=FLOAT_FORMAT,
        lineterminator="\n",
        # Python's writer quotes a lone carriage return only when it quotes all text.
        quoting=csv.QUOTE_NONNUMERIC if has_return else csv.QUOTE_MINIMAL,
    )
    return text.encode("utf-8")


def guard(text: str) -> str:
    """`text` made harmless to spreadsheets; `unguard` is its inverse."""
    return _GUARDED.sub("'", text)


def unguard(text: str) -> str:
    """What stood before `guard`."""
    return text.removeprefix("'")
