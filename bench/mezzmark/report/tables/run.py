"""The tables of one run: rankings, encode speeds, right pictures, failures, clips, encodings."""

from collections import Counter
from collections.abc import Sequence

from mezzmark.decide.estimate.ranking import Ranked, Ranking
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.records import Trial
from mezzmark.model.run import ClipManifest
from mezzmark.report.prose.numbers import (
    count_text,
    hour_gb_text,
    number_text,
    visible_text,
    withheld_text,
)
from mezzmark.report.prose.run_figures import role_words
from mezzmark.report.prose.terms import setting_words
from mezzmark.report.tables.table import Column, Entry, Table, tabulate
from mezzmark.report.view import RunView, encode_speeds


def named(view: RunView, encoding: str, ranking: Ranking | None = None) -> Entry:
    """An encoding's whole name; its sign as in `ranking` (the leading one unless given)."""
    return Entry(visible_text(encoding), sign=view.role(encoding, ranking))


def ranking_table(view: RunView, ranking: Ranking, *, table_id: str) -> Table:
    """Encodings in one scrub setting, fastest first."""
    level = f"{view.confidence_level * 100:g} %"
    roles = {view.role(entry.encoding, ranking) for entry in ranking.entries}
    return tabulate(
        ranking.entries,
        [
            Column("encoding", lambda e: named(view, e.encoding, ranking), "left"),
            Column("median", lambda e: e.estimates["p50_ms"]),
            Column("p95", lambda e: e.estimates["p95_ms"]),
            Column("as fast as the original", lambda e: e.speedup_ratio),
            Column("time against the fastest", lambda e: e.cost_ratio),
            Column("may be the fastest", lambda e: _standing(e, ranking), "left"),
            Column("bit rate", lambda e: _bitrate(view, e.encoding)),
            Column("rounds", lambda e: e.estimates["p50_ms"].round_count),
        ],
        table_id=table_id,
        title=f"Scrub latency {setting_words(ranking.setting)}",
        note=(
            f"Over all clips, of rounds that had them all; {level} intervals in brackets. Ratios "
            "are paired by round. The truly fastest is among those that may be the fastest with "
            f"at least {level} confidence. "
            f"{role_words(roles, view.choice, blue='Blue', orange='Orange')}"
            f"{bare_tails([entry.estimates['p95_ms'] for entry in ranking.entries])}"
        ),
    )


def bare_tails(tails: Sequence[Estimate]) -> str:
    """Why p95 has no interval in a table, once for all its rows; empty where every one has."""
    withheld = dict.fromkeys(tail.withheld for tail in tails if tail.low is None)
    reasons = [withheld_text(reason) for reason in withheld if reason]
    if not reasons:
        return ""
    count = sum(tail.low is None for tail in tails)
    rows = "p95" if count == len(tails) else f"p95 of {count} of {len(tails)} rows"
    more = "" if len(reasons) == 1 else ", or another reason of its kind"
    return f" {rows} has {reasons[0]}{more}."


def _standing(entry: Ranked, ranking: Ranking) -> str:
    if entry.wrong_count:
        return "no: wrong pictures"
    if ranking.fastest and entry.encoding == ranking.fastest.encoding:
        return "leads"
    if not entry.is_eligible:
        return "no: lacks a clip"
    return {True: "no", False: "yes", None: "too few rounds"}[entry.is_apart]


def _bitrate(view: RunView, encoding: str) -> Entry | None:
    rate = view.bitrates_bps.get(encoding)
    return Entry(f"{number_text(rate / 1e6)} Mbit/s", sort=rate) if rate else None


def _hour_size(view: RunView, encoding: str) -> Entry | None:
    rate = view.bitrates_bps.get(encoding)
    return Entry(hour_gb_text(rate), sort=rate) if rate else None


def encode_table(view: RunView, *, table_id: str) -> Table:
    """Encode speed over all clips by encoding and thread count, with what it used."""
    speeds = encode_speeds(view)
    fastest_first = sorted(speeds, key=lambda n: (-max(e.point for e in speeds[n].values()), n))
    pooled = {(c.encoding, c.setting["threads"]): found for c, found in view.pooled_encodes.items()}
    return tabulate(
        [(name, threads) for name in fastest_first for threads in sorted(speeds[name])],
        [
            Column("encoding", lambda r: named(view, r[0]), "left"),
            Column("threads", lambda r: r[1]),
            Column("speed", lambda r: speeds[r[0]][r[1]]),
            Column("cores busy", lambda r: pooled[r].get("cores_busy")),
            Column("peak memory", lambda r: pooled[r].get("peak_rss_bytes")),
            Column("size", lambda r: _hour_size(view, r[0])),
            Column("rounds", lambda r: speeds[r[0]][r[1]].round_count),
        ],
        table_id=table_id,
        title="Encode speed by thread count",
        note="Over all clips. Cores busy is CPU time / wall time; memory is the process's peak.",
    )


def proof_table(view: RunView, *, table_id: str) -> Table:
    """How many playhead moves of each encoding were proved to show the frame asked for."""
    totals: dict[str, Counter[str]] = {}
    for summary in view.summaries:
        if summary.cell.task == "scrub":
            totals.setdefault(summary.cell.encoding, Counter()).update(
                moves=summary.sample_count,
                alike=summary.alike_count,
                unproved=summary.unproved_count,
                wrong=summary.wrong_count,
            )
    return tabulate(
        sorted(totals.items(), key=lambda r: (-r[1]["wrong"], r[0] != ORIGINAL, r[0])),
        [
            Column("encoding", lambda r: named(view, r[0]), "left"),
            Column("moves", lambda r: r[1]["moves"]),
            Column("right", lambda r: _right(r[1])),
            Column("alike", lambda r: r[1]["alike"]),
            Column("not provable", lambda r: r[1]["unproved"]),
            Column("wrong", lambda r: _wrong(r[1]["wrong"])),
        ],
        table_id=table_id,
        title="Was it the right picture?",
        note=(
            "Every picture is checked by the number stamped into it or by a digest of an "
            "independent decode. “Alike” fits, but another frame of the clip looks exactly the "
            "same. Only right and alike ones enter a time."
        ),
    )


def _right(total: Counter[str]) -> int:
    return total["moves"] - total["alike"] - total["unproved"] - total["wrong"]


def _wrong(count: int) -> Entry:
    if not count:
        return Entry("0", sort=0)
    return Entry(f"✕ {count:,} wrong", sort=count, sign="wrong")


def failure_table(view: RunView, *, table_id: str) -> Table:
    """Every trial that did not finish, with its reason."""
    failed = [trial for trial in view.trials if trial.outcome != "finished"]
    return tabulate(
        failed,
        [
            Column("encoding", lambda t: named(view, t.cell.encoding), "left"),
            Column("clip", lambda t: t.cell.clip, "left"),
            Column("task", _task_words, "left"),
            Column("threads", lambda t: t.cell.setting["threads"]),
            Column("round", lambda t: t.round_index + 1),
            Column("outcome", lambda t: t.outcome.replace("_", " "), "left"),
            Column("reason", lambda t: t.reason or "no reason was given", "left", is_long=True),
        ],
        table_id=table_id,
        title=f"{count_text(len(failed), 'trial')} did not finish",
        note="A failed trial costs only itself: the run goes on.",
    )


def _task_words(trial: Trial) -> str:
    cell = trial.cell
    return f"{cell.task}, {cell.setting['pattern']}" if cell.setting["pattern"] else cell.task


def clip_table(view: RunView, *, table_id: str) -> Table:
    """The footage that was measured."""
    return tabulate(
        view.manifest.clips,
        [
            Column("clip", lambda c: c.clip, "left"),
            Column(
                "source",
                lambda c: {"recipe": "made from a recipe", "own": "own file"}[c.source],
                "left",
            ),
            Column("codec", _codec, "left"),
            Column("picture", _size, "left"),
            Column("rate", _rate),
            Column(
                "bits, chroma", lambda c: f"{c.original.bit_depth} bit, {c.original.chroma}", "left"
            ),
            Column("frames", lambda c: c.frame_count),
            Column("key frame every", _key_spacing),
        ],
        table_id=table_id,
        title="Footage",
        note="As the camera delivered it, or as a recipe made it.",
    )


def _codec(clip: ClipManifest) -> str:
    media = clip.original
    return f"{media.codec} {media.profile or ''} in {media.container}"


def _size(clip: ClipManifest) -> Entry:
    media = clip.original
    return Entry(f"{media.width_px} × {media.height_px}", sort=media.width_px)


def _rate(clip: ClipManifest) -> Entry | None:
    rate = clip.original.frame_rate
    return Entry(f"{float(rate):.5g} fps", sort=float(rate)) if rate else None


def _key_spacing(clip: ClipManifest) -> Entry:
    frames = clip.keyframe_interval_median
    return Entry(f"{number_text(frames)} frames", sort=frames)
