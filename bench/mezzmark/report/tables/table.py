"""The report's tables as rows of text beside the number that a column is sorted by."""

from collections.abc import Sequence
from dataclasses import dataclass

from mezzmark.decide.estimate.ranking import Ranked, Ranking
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.report.figures.theme import role_words
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    hour_gb_text,
    number_text,
    visible_text,
    withheld_text,
)
from mezzmark.report.prose.terms import setting_words
from mezzmark.report.view import RunView, encode_speeds

DASH = "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One table cell: what is read, what it is sorted by, and its sign for readers and style
    (`wrong`, `lead`, `original` or empty)."""

    text: str
    sort: float | str | None = None
    sign: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with its title, a note on how to read it, and per row an anchor to link to.

    The first column names the row; numbers stand right from the second on unless `texts` holds
    the column's index.
    """

    table_id: str
    title: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Entry, ...], ...]
    anchors: tuple[str, ...] = ()
    texts: tuple[int, ...] = (0,)


def ranking_table(view: RunView, ranking: Ranking, *, table_id: str) -> Table:
    """Encodings in one scrub setting, fastest first."""
    rows = tuple(_ranking_row(view, entry, ranking) for entry in ranking.entries)
    return Table(
        table_id=table_id,
        title=f"Time to picture {setting_words(ranking.setting)}",
        note=(
            "Over all clips, of rounds that had them all; "
            f"{view.confidence_level * 100:g} % intervals in brackets. Ratios are paired by round. "
            "The truly fastest is among those that may be the fastest with at "
            f"least {view.confidence_level * 100:g} % confidence. "
            f"{role_words(view, ranking, blue='Blue', orange='Orange')}"
            f"{bare_tails([entry.estimates['p95_ms'] for entry in ranking.entries])}"
        ),
        columns=(
            "encoding",
            "median",
            "p95",
            "as fast as the original",
            "time against the fastest",
            "may be the fastest",
            "bit rate",
            "rounds",
        ),
        rows=rows,
        anchors=tuple(f"{table_id}-{index}" for index in range(len(rows))),
        texts=(0, 5),
    )


def bare_tails(tails: Sequence[Estimate]) -> str:
    """Why p95 has no interval in a table, once for all its rows; empty where every one has."""
    reasons = list(
        dict.fromkeys(withheld_text(t.withheld) for t in tails if t.low is None and t.withheld)
    )
    if not reasons:
        return ""
    count = sum(tail.low is None for tail in tails)
    rows = "p95" if count == len(tails) else f"p95 of {count} of {len(tails)} rows"
    more = "" if len(reasons) == 1 else ", or another reason of its kind"
    return f" {rows} has {reasons[0]}{more}."


def _ranking_row(view: RunView, entry: Ranked, ranking: Ranking) -> tuple[Entry, ...]:
    rate = view.bitrates_bps.get(entry.encoding)
    return (
        named(view, entry.encoding, ranking),
        measured(entry.estimates["p50_ms"]),
        measured(entry.estimates["p95_ms"]),
        measured(entry.speedup_ratio),
        measured(entry.cost_ratio),
        Entry(text=_standing(entry, ranking)),
        Entry(text=f"{number_text(rate / 1e6)} Mbit/s", sort=rate) if rate else Entry(text=DASH),
        counted(entry.estimates["p50_ms"].round_count),
    )


def _standing(entry: Ranked, ranking: Ranking) -> str:
    if entry.wrong_count:
        return "no: wrong pictures"
    if ranking.fastest and entry.encoding == ranking.fastest.encoding:
        return "leads"
    if not entry.is_eligible:
        return "no: lacks a clip"
    return {True: "no", False: "yes", None: "too few rounds"}[entry.is_apart]


def named(view: RunView, encoding: str, ranking: Ranking | None = None) -> Entry:
    """An encoding's whole name, with control characters written out; its sign as in `ranking`
    (the leading one unless given)."""
    sign = view.role(encoding, ranking)
    return Entry(text=visible_text(encoding), sort=encoding.lower(), sign=sign)


def measured(estimate: Estimate | None) -> Entry:
    """An estimate, or a dash."""
    if estimate is None:
        return Entry(text=DASH)
    return Entry(text=estimate_text(estimate), sort=estimate.point)


def counted(count: int) -> Entry:
    """A count; 0 is written as such."""
    return Entry(text=f"{count:,}", sort=count)


def encode_table(view: RunView, *, table_id: str) -> Table:
    """Encode speed over all clips by encoding and thread count, with what it used."""
    rows = []
    speeds = encode_speeds(view)
    for name in sorted(speeds, key=lambda n: (-max(e.point for e in speeds[n].values()), n)):
        for threads, estimate in sorted(speeds[name].items()):
            rate = view.bitrates_bps.get(name)
            rows.append(
                (
                    named(view, name),
                    counted(threads),
                    measured(estimate),
                    _pooled(view, name, threads, "cores_busy"),
                    _pooled(view, name, threads, "peak_rss_bytes"),
                    Entry(text=hour_gb_text(rate), sort=rate) if rate else Entry(text=DASH),
                    counted(estimate.round_count),
                )
            )
    return Table(
        table_id=table_id,
        title="Encode speed by thread count",
        note="Over all clips. Cores busy is CPU time / wall time; memory is the process's peak.",
        columns=(
            "encoding",
            "threads",
            "speed",
            "cores busy",
            "peak memory",
            "size",
            "rounds",
        ),
        rows=tuple(rows),
        anchors=tuple(f"{table_id}-{index}" for index in range(len(rows))),
    )


def _pooled(view: RunView, encoding: str, threads: int, figure: str) -> Entry:
    for cell, estimates in view.pooled_encodes.items():
        if (cell.encoding, cell.setting["threads"]) == (encoding, threads):
            return measured(estimates.get(figure))
    return Entry(text=DASH)


def proof_table(view: RunView, *, table_id: str) -> Table:
    """How many playhead moves of each encoding were proved to show the frame asked for."""
    totals: dict[str, list[int]] = {}
    for summary in view.summaries:
        if summary.cell.task == "scrub":
            counts = totals.setdefault(summary.cell.encoding, [0, 0, 0, 0])
            counts[0] += summary.sample_count
            counts[1] += summary.alike_count
            counts[2] += summary.unproved_count
            counts[3] += summary.wrong_count
    rows = tuple(
        (
            named(view, name),
            counted(moves),
            counted(moves - alike - unproved - wrong),
            counted(alike),
            counted(unproved),
            Entry(
                text=f"✕ {wrong:,} wrong" if wrong else "0",
                sort=wrong,
                sign="wrong" if wrong else "",
            ),
        )
        for name, (moves, alike, unproved, wrong) in sorted(
            totals.items(), key=lambda item: (-item[1][3], item[0] != ORIGINAL, item[0])
        )
    )
    return Table(
        table_id=table_id,
        title="Was it the right picture?",
        note=(
            "Every picture is checked by the number stamped into it or by a digest of an "
            "independent decode. “Alike” fits, but another frame of the clip looks exactly the "
            "same. Only right and alike ones enter a time."
        ),
        columns=("encoding", "moves", "right", "alike", "not provable", "wrong"),
        rows=rows,
    )


def failure_table(view: RunView, *, table_id: str) -> Table:
    """Every trial that did not finish, with its reason."""
    failed = [trial for trial in view.trials if trial.outcome != "finished"]
    rows = tuple(
        (
            named(view, trial.cell.encoding),
            Entry(text=visible_text(trial.cell.clip)),
            Entry(text=_task_words(trial.cell.task, trial.cell.setting["pattern"])),
            counted(trial.cell.setting["threads"]),
            counted(trial.round_index + 1),
            Entry(text=trial.outcome.replace("_", " ")),
            Entry(text=visible_text(trial.reason) or "no reason was given"),
        )
        for trial in failed
    )
    return Table(
        table_id=table_id,
        title=f"{count_text(len(failed), 'trial')} did not finish",
        note="A failed trial costs only itself: the run goes on.",
        columns=("encoding", "clip", "task", "threads", "round", "outcome", "reason"),
        rows=rows,
        texts=(0, 1, 2, 5, 6),
    )


def _task_words(task: str, pattern: str | None) -> str:
    return f"{task}, {pattern}" if pattern else task
