"""The tables of one run, and the whole catalogue of encodings."""

from collections import Counter
from collections.abc import Mapping
from typing import Final

from mezzmark.decide.estimate.over_clips import as_shown_speed, hours_per_hour
from mezzmark.decide.estimate.ranking import INSTANT_MS, Ranked, Ranking
from mezzmark.model.catalogue.core import TYPICAL_MBPS, find_entry
from mezzmark.model.encoding import ORIGINAL, Encoding, has_alpha_plane
from mezzmark.model.estimate import Estimate
from mezzmark.model.records import Trial
from mezzmark.model.run import ClipManifest
from mezzmark.report.prose import numbers
from mezzmark.report.prose.latency import setting_label, share_text
from mezzmark.report.prose.table_notes import NOTES, ranking_note
from mezzmark.report.prose.terms import FLAG_TEXTS, size_words
from mezzmark.report.tables.table import Column, Entry, Table, tabulate, worded
from mezzmark.report.view import RunView


def named(view: RunView, encoding: str, ranking: Ranking | None = None) -> Entry:
    """An encoding's whole name; its sign as in `ranking` (the leading one unless given)."""
    return Entry(numbers.visible_text(encoding), sign=view.role(encoding, ranking))


def ranking_table(view: RunView, ranking: Ranking) -> Table:
    """Encodings in one scrub setting, fastest first; rows are found by encoding."""
    return tabulate(
        ranking.entries,
        Column("encoding", lambda e: named(view, e.encoding, ranking), "left"),
        Column("median", lambda e: e.estimates["p50_ms"]),
        Column("p95", lambda e: e.estimates["p95_ms"]),
        Column(f"within {INSTANT_MS:.0f} ms", _instant),
        Column("× faster than the original", lambda e: e.speedup_ratio),
        Column("time against the fastest", lambda e: e.cost_ratio),
        Column("may be the fastest", lambda e: _standing(e, ranking), "left"),
        Column("bit rate", lambda e: worded(view.bitrates_bps.get(e.encoding), numbers.mbps_text)),
        Column("rounds", lambda e: e.estimates["p50_ms"].round_count),
        table_id=f"{view.prefix}ranking-{view.rankings.index(ranking)}",
        title=f"Scrub latency in numbers: {setting_label(ranking, view.rankings[0])}",
        note=ranking_note(ranking, is_lead=ranking is view.rankings[0]),
        key=lambda e: e.encoding,
    )


def _standing(entry: Ranked, ranking: Ranking) -> str:
    if entry.wrong_count:
        return "no: wrong pictures"
    if ranking.fastest and entry.encoding == ranking.fastest.encoding:
        return "leads"
    if entry.is_proxy:
        return "no: a proxy"
    if entry.missing_clips:
        return f"no: lacks {numbers.list_text(entry.missing_clips)}"
    return {True: "no", False: "yes", None: "too few rounds"}[entry.is_apart]


def _instant(entry: Ranked) -> Entry | None:
    share = entry.instant_share
    if share is None:
        return None
    fewer = [clip for clip in share.by_clip[:1] if clip.point < share.point]
    worst = [f"{numbers.shown_name(clip.clip)}: {share_text(clip)}" for clip in fewer]
    return Entry(share_text(share), *worst, sort=share.point)


def slow_entry(speed: Estimate) -> Entry | None:
    """Slow rounds, and how many may be for all that is known."""
    slow = speed.slow_round_count
    return None if slow is None else Entry(*numbers.slow_texts(slow, speed.round_count), sort=slow)


def encode_table(view: RunView) -> Table:
    """Encode speed over all clips by encoding and thread count; rows are found by encoding."""

    def fastest_first(item: tuple[str, dict[int, dict[str, Estimate]]]) -> tuple[float, str]:
        return -max(f["throughput_fps"].point for f in item[1].values()), item[0]

    def speed(row: tuple[str, int, dict[str, Estimate]]) -> Estimate:
        return row[2]["throughput_fps"]

    by_speed = sorted(view.encodes.items(), key=fastest_first)
    return tabulate(
        [(name, n, by_threads[n]) for name, by_threads in by_speed for n in sorted(by_threads)],
        Column("encoding", lambda r: named(view, r[0]), "left"),
        Column("threads", lambda r: r[1]),
        Column("speed", lambda r: as_shown_speed(speed(r), view.manifest)),
        Column("for an hour of footage", lambda r: hours_per_hour(speed(r), view.manifest)),
        Column("slow rounds", lambda r: slow_entry(speed(r))),
        Column("cores busy", lambda r: r[2].get("cores_busy")),
        Column("peak memory", lambda r: r[2].get("peak_rss_bytes")),
        Column("size", lambda r: worded(view.bitrates_bps.get(r[0]), numbers.hour_gb_text)),
        Column("rounds", lambda r: speed(r).round_count),
        table_id=f"{view.prefix}encode",
        title="Encode speed by thread count",
        note=NOTES["encode"],
        key=lambda r: r[0],
    )


def proof_table(view: RunView) -> Table:
    """How many playhead moves of each encoding were proved to show the frame asked for."""
    totals: dict[str, Counter[str]] = {}
    for s in view.summaries:
        if s.cell.task == "scrub":
            totals.setdefault(s.cell.encoding, Counter()).update(
                moves=s.sample_count,
                right=s.sample_count - s.alike_count - s.unproved_count - s.wrong_count,
                alike=s.alike_count,
                unproved=s.unproved_count,
                wrong=s.wrong_count,
            )
    return tabulate(
        sorted(totals.items(), key=lambda r: (-r[1]["wrong"], r[0] != ORIGINAL, r[0])),
        Column("encoding", lambda r: named(view, r[0]), "left"),
        Column("moves", lambda r: r[1]["moves"]),
        Column("right", lambda r: r[1]["right"]),
        Column("alike", lambda r: r[1]["alike"]),
        Column("not provable", lambda r: r[1]["unproved"]),
        Column("wrong", _wrong),
        table_id=f"{view.prefix}proof",
        title="Right pictures",
        note=NOTES["proofs"],
    )


def _wrong(row: tuple[str, Counter[str]]) -> Entry:
    count = row[1]["wrong"]
    return Entry(numbers.wrong_text(count) or "0", sort=count, sign="wrong" if count else "")


def failure_table(view: RunView) -> Table:
    """Every trial that enters no figure, with its reason; one without a decoder is none."""
    failed = [trial for trial in view.trials if not trial.is_counted and not trial.is_refused]
    unfinished = any(trial.outcome != "finished" for trial in failed)
    flagged = any(trial.flags for trial in failed)
    fates = " or ".join(["did not finish"] * unfinished + ["enter no figure"] * flagged)
    return tabulate(
        failed,
        Column("encoding", lambda t: named(view, t.cell.encoding), "left"),
        Column("clip", lambda t: t.cell.clip, "left"),
        Column(
            "task",
            lambda t: ", ".join(filter(None, (t.cell.task, t.cell.setting["pattern"]))),
            "left",
        ),
        Column("threads", lambda t: t.cell.setting["threads"]),
        Column("round", lambda t: t.round_index + 1),
        Column("outcome", lambda t: t.fate, "left"),
        Column("reason", _reason, "left", is_long=True),
        table_id=f"{view.prefix}failures",
        title=f"{numbers.count_text(len(failed), 'trial')} {fates or 'did not finish'}",
        note=NOTES["failures"],
    )


def _reason(trial: Trial) -> str:
    flags = "; ".join(FLAG_TEXTS.get(flag, flag) for flag in trial.flags)
    return flags or trial.reason or "no reason was given"


_SOURCES: Final = {"recipe": "made from a recipe", "own": "own file"}


def clip_table(view: RunView) -> Table:
    """The footage that was measured."""
    return tabulate(
        view.manifest.clips,
        Column("clip", lambda c: c.clip, "left"),
        Column("source", lambda c: _SOURCES[c.source], "left"),
        Column("codec", _codec, "left"),
        Column("picture", _size, "left"),
        Column("rate", _frame_rate),
        Column(
            "bits, chroma", lambda c: f"{c.original.bit_depth} bit, {c.original.chroma}", "left"
        ),
        Column("frames", lambda c: c.frame_count),
        Column("key frame every", lambda c: worded(c.keyframe_interval_median, _frames_text)),
        table_id=f"{view.prefix}footage",
        title="Footage",
        note=NOTES["footage"],
    )


def _codec(clip: ClipManifest) -> str:
    media = clip.original
    return f"{media.codec} {media.profile or ''} in {media.container}"


def _size(clip: ClipManifest) -> Entry:
    media = clip.original
    return Entry(f"{media.width_px} × {media.height_px}", sort=media.width_px)


def _frame_rate(clip: ClipManifest) -> Entry | None:
    rate = clip.original.frame_rate
    return Entry(f"{float(rate):.5g} fps", sort=float(rate)) if rate else None


def _frames_text(frames: float) -> str:
    return f"{frames:.4g} frame{'s' * (frames != 1)}"


def encoding_table(view: RunView) -> Table:
    """What each encoding's name stands for in a run."""
    return tabulate(
        view.manifest.encodings,
        Column("encoding", lambda e: named(view, e.name), "left"),
        Column("codec", lambda e: f"{e.codec} {e.profile}".strip(), "left"),
        Column("container", lambda e: e.container.upper(), "left"),
        Column("pixel format", lambda e: e.pixel_format, "left"),
        Column("pictures", _pictures, "left"),
        Column("encoder", lambda e: e.encoder, "left"),
        Column("options", _options, "left"),
        table_id=f"{view.prefix}encodings",
        title="Encodings",
        note=NOTES["encodings"],
    )


def _pictures(encoding: Encoding) -> str:
    kind = "all intra" if encoding.is_intra else f"key every {encoding.keyframe_interval}"
    return ", ".join([*size_words(encoding), kind])


def _options(encoding: Encoding) -> str:
    rate = {"b": str(encoding.bitrate_bps)} if encoding.bitrate_bps else {}
    options = dict(encoding.options) | rate
    return " ".join(f"{key}={value}" for key, value in sorted(options.items()))


def catalogue_table(found: Mapping[str, tuple[Encoding, str]], *, is_probed: bool) -> Table:
    """Every encoding of the catalogue, and whether it works here, if it was tried."""
    works: Column[tuple[Encoding, str]] = Column(
        "works here", lambda r: Entry("no", sign="wrong") if r[1] else "yes", "left"
    )
    return tabulate(
        found.values(),
        Column("encoding", lambda r: r[0].name, "left"),
        *([works] if is_probed else []),
        Column("samples", lambda r: f"{r[0].bit_depth} bit {r[0].chroma}", "left"),
        Column("alpha", lambda r: _alpha(r[0]), "left"),
        Column("rate", lambda r: worded(TYPICAL_MBPS.get(r[0].name), "{} Mbit/s".format)),
        Column("pictures", lambda r: _kind(r[0]), "left"),
        Column("codec, file and encoder", lambda r: _recipe(r[0]), "left", is_long=True),
        table_id="catalogue",
    )


def _alpha(encoding: Encoding) -> str:
    """Whether it carries transparency, or in which pixel format it can."""
    entry = find_entry(encoding.name)
    formats = (name for name in (entry.pixel_formats if entry else ()) if has_alpha_plane(name))
    return "yes" if encoding.has_alpha else next(formats, "no")


def _recipe(encoding: Encoding) -> str:
    file = f"{encoding.codec}, {encoding.container}, {encoding.pixel_format}"
    return f"{file}: {encoding.encoder} {_options(encoding)}".rstrip()


def _kind(encoding: Encoding) -> str:
    kinds = [*size_words(encoding), "intra"] if encoding.is_intra else [_pictures(encoding)]
    return ", ".join([*kinds, *(["lossless"] if encoding.is_lossless else [])])
