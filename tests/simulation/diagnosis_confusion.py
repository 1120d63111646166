"""Prints the confusion matrix of the diagnosis: `python tests/simulation/diagnosis_confusion.py`.

Every fault is planted, after the decoder, on the chart that every encoding of the catalogue brings
back. A row is a fault; its columns are what was said of it, with counts.
"""

import sys
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.chart_trips import CATALOGUE, Confusion, confuse, send
from mezzmark.model.errors import MezzmarkError

AS_PLANTED = {"none": "no shift"}


def matrix_rows(found: Confusion) -> list[str]:
    """The matrix as lines of a Markdown table; columns that nothing falls into are left out."""
    rows = ["| planted | times | named so | named otherwise |", "|---|---|---|---|"]
    for planted in dict.fromkeys(key for key, _ in found):
        row = {said: count for (key, said), count in found.items() if key == planted}
        times = sum(row.values())
        right = row.pop(AS_PLANTED.get(planted, planted), 0)
        others = ", ".join(f"{said}: {count}" for said, count in sorted(row.items())) or "—"
        shown = "nothing (untouched round trip)" if planted == "none" else planted
        rows.append(f"| {shown} | {times} | {right} | {others} |")
    return rows


def main() -> None:
    """Send the chart through the whole catalogue and print what came of it."""
    found: Confusion = Counter()
    refused = []
    for name in CATALOGUE:
        with TemporaryDirectory() as folder:
            try:
                found += confuse(send(name, Path(folder)))
            except MezzmarkError as error:
                refused.append(f"{name} ({error.what})")
    print(f"{len(CATALOGUE) - len(refused)} encodings; without {', '.join(refused) or 'none'}\n")
    print("\n".join(matrix_rows(found)))


if __name__ == "__main__":
    main()
