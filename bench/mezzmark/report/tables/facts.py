"""What is known of a machine or of a file, as names beside values; what is wrong with a file."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

from mezzmark.decide.compare.self_test import SelfTestReport
from mezzmark.model.fact import text_of
from mezzmark.model.fleet import HostSummary
from mezzmark.model.footage import HdrMetadata
from mezzmark.model.inspection import Advice, Inspection, Spread
from mezzmark.model.run import HostFacts
from mezzmark.report.prose import machine as words
from mezzmark.report.prose.footage import TURNS, file_advice
from mezzmark.report.prose.numbers import count_text, list_text, visible_text
from mezzmark.report.tables.table import Column, Entry, Table, fact_table, tabulate
from mezzmark.report.view import RunView

Facts = list[tuple[str, str]]

SHOWN_FACTS: Final = (
    *("host_label", "cpu_model", "logical_core_count", "physical_core_count", "usable_core_count"),
    *("memory_bytes", "frequency_max_mhz", "governor", "turbo", "is_virtual", "on_battery"),
    *("operating_system", "kernel", "storage_path", "file_system", "gpu_driver"),
)


def host_facts(host: HostFacts) -> Facts:
    """The machine, as far as its operating system reported."""
    told = {name: words.fact_text(name, getattr(host, name)) for name in SHOWN_FACTS}
    return [(words.fact_label(name), text) for name, text in told.items()]


def self_test_table(report: SelfTestReport) -> Table:
    """A machine with its clock and its libraries."""
    clock = report.clock
    return fact_table(
        [
            *host_facts(report.host),
            ("clock", f"step {clock.resolution_ns:.0f} ns, a reading {clock.reading_ns:.0f} ns"),
            ("Python", report.host.python),
            *report.host.library_versions.items(),
        ]
    )


def hardware_table(report: SelfTestReport) -> Table:
    """What was tried on which device: a row a kind of file."""
    return tabulate(
        report.hardware,
        Column("device", lambda h: h.device, "left"),
        Column("codec", lambda h: h.media.codec, "left"),
        Column("profile", lambda h: h.media.profile, "left"),
        Column("bits", lambda h: h.media.bit_depth),
        Column("chroma", lambda h: h.media.chroma, "left"),
        Column("pictures", lambda h: words.HARDWARE_OUTCOMES[h.outcome], "left"),
        table_id="hardware",
        title="Decoded in hardware",
        note=words.hardware_note(report.hardware),
    )


def run_facts(view: RunView) -> Facts:
    """The machine, and what else was at work on it during the run."""
    loads = [v for t in view.trials if (v := t.host_before.load_average_1m) is not None]
    steals = [v for t in view.trials if (v := t.host_during.steal_fraction) is not None]
    load = f"{min(loads):.1f} to {max(loads):.1f} (1 min average)" if loads else words.NOT_REPORTED
    stolen = f"at most {max(steals) * 100:.1f} % of a trial" if steals else words.NOT_REPORTED
    busy = [("load before trials", load), ("stolen by the host", stolen)]
    roots = ((f"root {visible_text(r.name)}", words.root_text(r)) for r in view.manifest.roots)
    facts = [*host_facts(view.manifest.host), *roots, *busy]
    unknown = [name for name, value in facts if value == words.NOT_REPORTED]
    missing = list_text(unknown, limit=len(facts))
    known = [(name, value) for name, value in facts if value != words.NOT_REPORTED]
    return [*known, (words.NOT_REPORTED, missing)] if missing else known


def version_facts(view: RunView) -> Facts:
    """What must be equal for the run to be repeated."""
    manifest = view.manifest
    return [
        ("mezzmark", manifest.mezzmark_version),
        ("run", visible_text(manifest.run_id)),
        ("begun", manifest.created_utc),
        ("scenario", visible_text(manifest.scenario.name)),
        ("seed", str(manifest.scenario.seed)),
        ("Python", manifest.host.python),
        *sorted(manifest.host.library_versions.items()),
    ]


def fleet_table(found: Mapping[str, tuple[HostSummary | None, str]]) -> Table:
    """The machines of a fleet, a row each; what they can do where that was tried."""
    texts = {
        head: {name: text(host) for name, (host, _) in found.items() if host}
        for head, text in words.FLEET.items()
    }
    texts["cannot measure"] = {name: fault for name, (_, fault) in found.items()}
    columns: list[Column[str]] = [
        Column(head, of.get, "left", is_long=head in words.FLEET_LONG)
        for head, of in texts.items()
        if any(of.values())
    ]
    named: Column[str] = Column("host", lambda name: name, "left")
    return tabulate(found, named, *columns, table_id="fleet", title="")


_LEVELS: Final = " ▁▂▃▄▅▆▇█"  # block characters for the bit rate over time, lowest to highest
LONGEST_TRACE: Final = 60  # characters of the bit-rate trace that fit on a line of a terminal


def inspection_table(found: Inspection) -> Table:
    """A file's facts."""
    media, frames = found.media, count_text(found.examined_frame_count, "frame")
    frames += " examined" * found.is_excerpt
    return fact_table(
        [
            ("codec", f"{media.codec} {media.profile or ''}".strip() + f" in {media.container}"),
            ("picture", f"{media.width_px} × {media.height_px}, {_pixels(found)}"),
            ("frame rate", _rate(found)),
            ("length", f"{found.examined_duration_s:.2f} s, {frames}"),
            ("key frames", _groups(found)),
            ("B frames", "" if (b := found.b_frame_fraction) is None else f"{b:.0%} of pictures"),
            ("slices a picture", _spread(found.slice_count, digits=0)),
            ("colour", _tags(found)),
            ("HDR", _hdr(found.hdr_metadata)),
            ("shown", TURNS[found.quarter_turns]),
            ("levels", _levels(found)),
            ("bit rate", _bitrate(found)),
            ("audio", _audio(found)),
            ("size", f"{media.file_bytes / 1e6:.1f} MB"),
            ("shot goes on in", list_text(found.further_names)),
        ],
        title=Path(media.path).name,
    )


@text_of.register
def inspection_text(found: Inspection) -> str:
    """A file's facts and what to do about it as plain text."""
    tables = inspection_table(found), advice_table(file_advice(found))
    return "\n".join(map(str, filter(None, tables)))


def advice_table(warnings: Iterable[Advice]) -> Table:
    """A warning a row, with what to do about it."""
    return tabulate(
        warnings,
        Column("", lambda _: Entry("!", sign="wrong"), "left"),
        Column("", lambda warning: f"{warning.what} {warning.remedy}", "left", is_long=True),
        table_id="advice",
    )


def _pixels(found: Inspection) -> str:
    media = found.media
    alpha = ", alpha" if media.has_alpha else ""
    scan = ", interlaced" if found.is_interlaced else ""
    return f"{media.chroma} {media.bit_depth} bit ({media.pixel_format}){alpha}{scan}"


def _rate(found: Inspection) -> str:
    rate = found.measured_rate or found.media.frame_rate
    if rate is None:
        return found.rate_kind
    shown = f"{float(rate):.3f} ({rate}), {found.rate_kind}"
    spacing = found.frame_spacing_ms
    if found.rate_kind == "variable" and spacing:
        shown += f": {spacing.minimum:.1f} to {spacing.maximum:.1f} ms between frames"
    return shown


def _groups(found: Inspection) -> str:
    if found.group_kind == "intra":
        return "every picture (intra)"
    frames, seconds = found.keyframe_interval_frames, found.keyframe_spacing_s
    if frames is None or seconds is None:
        return f"{found.keyframe_count} seen"
    return (
        f"every {_spread(frames, digits=0)} frames, {_spread(seconds, digits=2)} s; "
        f"{found.group_kind} groups of pictures"
    )


def _spread(spread: Spread | None, *, digits: int) -> str:
    if spread is None:
        return ""
    values = spread.minimum, spread.median, spread.maximum
    least, middle, most = (f"{value:.{digits}f}" for value in values)
    return middle if spread.minimum == spread.maximum else f"{middle} ({least} to {most})"


def _tags(found: Inspection) -> str:
    tags = found.tag_names
    return (
        f"range {tags.colour_range} · primaries {tags.primaries} · "
        f"transfer {tags.transfer} · matrix {tags.matrix}"
    )


def _hdr(found: HdrMetadata | None) -> str:
    if found is None:
        return ""
    least, most = found.mastering_min_cd, found.mastering_max_cd
    parts = [
        "" if most is None else f"mastered on {least:g} to {most:g} cd/m²",
        "" if found.max_cll_cd is None else f"MaxCLL {found.max_cll_cd} cd/m²",
        "" if found.max_fall_cd is None else f"MaxFALL {found.max_fall_cd} cd/m²",
    ]
    return " · ".join(filter(None, parts))


def _levels(found: Inspection) -> str:
    if (seen := found.levels) is None:
        return ""
    pictures = count_text(seen.picture_count, "picture")
    return (
        f"luma {seen.darkest:.0%} to {seen.brightest:.0%} · SI {seen.spatial_information:.0f} · "
        f"TI {seen.temporal_information:.0f} (first {pictures})"
    )


def _bitrate(found: Inspection) -> str:
    if found.bitrate_bps is None:
        return ""
    seconds = found.bitrate_by_second_bps
    shown = f"{found.bitrate_bps / 1e6:.1f} Mbit/s"
    if len(seconds) > 1:
        low, high = min(seconds) / 1e6, max(seconds) / 1e6
        shown += f"  {_trace(seconds)}  {low:.1f} to {high:.1f} by second"
    return shown


def _trace(values: Sequence[float]) -> str:
    """A small picture of the values in time, thinned to fit a line."""
    shown, highest = values[:: -(-len(values) // LONGEST_TRACE)], max(values) or 1.0
    return "".join(_LEVELS[round(value / highest * (len(_LEVELS) - 1))] for value in shown)


def _audio(found: Inspection) -> str:
    return "; ".join(
        f"{track.codec}, {count_text(track.channel_count, 'channel')}, "
        f"{track.sample_rate_hz / 1000:g} kHz"
        for track in found.audio_tracks
    )
