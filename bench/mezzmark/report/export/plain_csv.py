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
    guarded = frame.copy(deep=False)
    has_return = False
    for name in frame.columns:
        column = frame[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            names = [guard(str(text)) for text in column.cat.categories]
            guarded[name] = column.cat.rename_categories(names)
        elif isinstance(column.dtype, pd.StringDtype):
            unique = {text: guard(text) for text in column.dropna().unique()}
            names = list(unique.values())
            guarded[name] = column.map(unique)
        else:
            continue
        has_return = has_return or any("\r" in text for text in names)
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
