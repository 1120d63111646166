"""What stands behind the figures: the machine, the clips, the method, the versions."""

from collections.abc import Sequence

from mezzmark.decide.estimate.observations import observe
from mezzmark.decide.estimate.pooling import compare_groups
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import Encoding
from mezzmark.model.run import ClipManifest
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.numbers import count_text, estimate_text, number_text, visible_text
from mezzmark.report.tables.table import DASH, Entry, Table, named
from mezzmark.report.view import RunView

Facts = list[tuple[str, str]]


def host_facts(view: RunView) -> Facts:
    """The machine, as far as its operating system told."""
    host = view.manifest.host
    cores = [f"{host.logical_core_count} logical"]
    if host.physical_core_count:
        cores.append(f"{host.physical_core_count} physical")
    if host.usable_core_count != host.logical_core_count:
        cores.append(f"{host.usable_core_count} usable")
    facts: list[tuple[str, str | None]] = [
        ("machine", host.host_label),
        ("processor", host.cpu_model),
        ("cores", ", ".join(cores)),
        ("memory", f"{number_text(host.memory_bytes / 2**30)} GiB"),
        ("highest clock", _with_unit(host.frequency_max_mhz, "MHz")),
        ("clock governor", host.governor),
        ("turbo", host.turbo),
        ("virtual machine", _yes_no(host.is_virtual)),
        ("on battery", _yes_no(host.on_battery)),
        ("operating system", f"{host.operating_system} ({host.kernel})"),
        ("storage", _storage(view)),
        ("graphics driver", host.gpu_driver),
        ("load before trials", _load(view)),
        ("stolen by the host", _stolen(view)),
    ]
    return [(name, visible_text(text) if text else "not told") for name, text in facts]


def _with_unit(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:,.0f} {unit}"


def _yes_no(value: bool | None) -> str | None:
    return None if value is None else ("yes" if value else "no")


def _storage(view: RunView) -> str:
    host = view.manifest.host
    return f"{host.storage_path} ({host.file_system or 'file system not told'})"


def _load(view: RunView) -> str | None:
    loads = [
        trial.host_before.load_average_1m
        for trial in view.trials
        if trial.host_before.load_average_1m is not None
    ]
    return f"{min(loads):.1f} to {max(loads):.1f} (1 min average)" if loads else None


def _stolen(view: RunView) -> str | None:
    shares = [
        trial.host_during.steal_fraction
        for trial in view.trials
        if trial.host_during.steal_fraction is not None
    ]
    return f"at most {max(shares) * 100:.1f} % of a trial" if shares else None


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


def clip_table(view: RunView, *, table_id: str) -> Table:
    """The footage that was measured."""
    return Table(
        table_id=table_id,
        title="Footage",
        note="As the camera delivered it, or as a recipe made it.",
        columns=(
            "clip",
            "source",
            "codec",
            "picture",
            "rate",
            "bits, chroma",
            "frames",
            "key frame every",
        ),
        rows=tuple(_clip_row(clip) for clip in view.manifest.clips),
        texts=(0, 1, 2, 3, 5),
    )


def _clip_row(clip: ClipManifest) -> tuple[Entry, ...]:
    media = clip.original
    rate = float(media.frame_rate) if media.frame_rate else None
    return (
        Entry(text=visible_text(clip.clip), sort=clip.clip.lower()),
        Entry(text={"recipe": "made from a recipe", "own": "own file"}[clip.source]),
        Entry(text=visible_text(f"{media.codec} {media.profile or ''} in {media.container}")),
        Entry(text=f"{media.width_px} × {media.height_px}", sort=media.width_px),
        Entry(text=f"{rate:.5g} fps" if rate else DASH, sort=rate),
        Entry(text=f"{media.bit_depth} bit, {media.chroma}"),
        Entry(text=f"{clip.frame_count:,}", sort=clip.frame_count),
        Entry(
            text=f"{number_text(clip.keyframe_interval_median)} frames",
            sort=clip.keyframe_interval_median,
        ),
    )


def encoding_table(view: RunView, *, table_id: str) -> Table:
    """What each encoding's name stands for."""
    return Table(
        table_id=table_id,
        title="Encodings",
        note="The encoder and its options are FFmpeg's own words, as one would type them.",
        columns=(
            "encoding",
            "codec",
            "container",
            "pixel format",
            "pictures",
            "encoder",
            "options",
        ),
        rows=tuple(_encoding_row(view, encoding) for encoding in view.manifest.encodings),
        texts=tuple(range(7)),
    )


def _encoding_row(view: RunView, encoding: Encoding) -> tuple[Entry, ...]:
    pictures = "all intra" if encoding.is_intra else f"key every {encoding.keyframe_interval}"
    options = dict(encoding.options)
    if encoding.bitrate_bps:
        options["b"] = str(encoding.bitrate_bps)
    return (
        named(view, encoding.name),
        Entry(text=visible_text(f"{encoding.codec} {encoding.profile}".strip())),
        Entry(text=encoding.container.upper()),
        Entry(text=visible_text(encoding.pixel_format)),
        Entry(text=pictures),
        Entry(text=visible_text(encoding.encoder)),
        Entry(text=visible_text(" ".join(f"{k}={v}" for k, v in sorted(options.items()))) or DASH),
    )


def method_sentences(view: RunView) -> list[str]:
    """How the figures came about, in the order in which a doubter asks."""
    level = f"{view.confidence_level * 100:g} %"
    scenario = view.manifest.scenario
    stop = view.manifest.stop_reason or (
        "it was stopped before its end, or was still at work when this was written"
    )
    torn = view.torn_line_count
    return [
        "Scrub: the clock starts when a frame is asked for and stops when that frame is a picture "
        "in the viewer's size and RGB, in memory. It is the sum of locate (seek), decode and "
        "present (scale, colour). Times are raw integer nanoseconds of a monotonic clock; the "
        "harness's own cost is stored beside them and never subtracted.",
        "Encode: frames come from memory; the clock runs from the first frame handed over to the "
        "file being finished. Speed is total frames / total seconds.",
        f"{count_text(view.round_count, 'round')} of {scenario.rounds} allowed. In a round every "
        "cell runs once, in a new random order and a fresh process, and all encodings of a clip "
        f"replay the same playhead moves. Stopped because: {visible_text(stop)}.",
        "The sampling unit is the trial (one cell in one round), not the single move. Median and "
        "p95 within a trial are Hyndman & Fan's type 8 quantiles.",
        f"Intervals hold at {level}: Student's t on the logs of per-trial values; for ratios, on "
        "log ratios paired by round; over several clips, on the geometric mean over clips, so "
        f"they speak of these clips only. Fewer than {MINIMUM_ROUNDS} rounds give no interval. "
        "p95 is that of all moves of all rounds; its limits are binomial, at the effective number "
        "of moves, and need more rounds.",
        *_null_arm(view),
        *_reference_workload(view),
        *([f"{count_text(torn, 'torn line')} of an interrupted write left out."] if torn else []),
        "The line at 0.1 s is where interaction research puts the end of “immediate” (Miller "
        "1968; Card, Robertson & Mackinlay 1991; as attributed in Nielsen 1993).",
    ]


def _null_arm(view: RunView) -> Sequence[str]:
    """The same cells measured twice a round: what a difference of nothing looks like here."""
    texts = []
    for summary in view.summaries:
        if summary.arm != "null":
            continue
        cell = summary.cell
        ratio = compare_groups(
            observe((t for t in view.trials if t.cell == cell), arm="null"),
            [o for o in view.observations if o.cell == cell],
            TASKS[cell.task].headline,
            confidence_level=view.confidence_level,
        )
        if ratio is not None:
            texts.append(
                f"Self-comparison: {visible_text(cell.cell_id)} was measured twice a round as if "
                f"it were two; their ratio, 1 in truth, came out as {estimate_text(ratio)}."
            )
    return texts


def _reference_workload(view: RunView) -> Sequence[str]:
    texts = []
    for summary in view.summaries:
        estimate = summary.estimates.get("kernel_ms")
        if estimate is None:
            continue
        texts.append(
            f"A fixed reference workload took {estimate_text(estimate)} over the rounds; what that "
            "says of the machine stands under “How steady it was”."
        )
    return texts
