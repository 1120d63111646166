"""Quality against bit rate: PSNR of every lossy encoding, labelled in place."""

from collections.abc import Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.report.figures.fidelity import rate_words
from mezzmark.report.figures.labels import (
    KEY_LIMIT,
    NAME_LIMIT,
    NAMES_UP_TO,
    PointLabel,
    draw_key,
    label_points,
    scatter_frame,
)
from mezzmark.report.figures.marks import mark_url
from mezzmark.report.figures.theme import Shape, colour, new_axes, padded, set_log_axis
from mezzmark.report.prose.numbers import shown_name

_RATE_ROOM = 1.5
"""The axis of bit rates reaches so many times beyond the outermost points: names stand there."""

_QUALITY_ROOM_FRACTION = 0.06
"""Room above and below the outermost ends of intervals."""


def draw_quality_and_rate(
    judged: tuple[EncodingFidelity, ...],
    shape: Shape,
    *,
    anchors: Mapping[str, str],
    confidence_level: float,
) -> Figure:
    """PSNR of generation 1 against bit rate, one mark per encoding, named in place; where there
    are many, numbered with a key.

    Marks link to `anchors`, the row of each encoding in the quality table.
    """
    entries = [e for e in judged if "psnr" in e.estimates and not e.is_bit_exact]
    is_keyed = len(entries) > NAMES_UP_TO[shape]
    body, margins = scatter_frame(shape, len(entries) if is_keyed else 0)
    figure, axes = new_axes(
        shape,
        title="Quality against bit rate",
        subtitle="generation 1, mean over frames and clips; up and to the left is better and "
        "smaller; lossless encodings are left out",
        body_in=body,
        margins=margins,
    )
    _set_axes(axes, entries)
    for entry in entries:
        words = rate_words(entry, confidence_level=confidence_level)
        _draw_point(axes, entry, mark_url(anchors[entry.encoding], words))
    names = [shown_name(e.encoding, limit=NAME_LIMIT[shape]) for e in entries]
    texts = [str(index + 1) for index in range(len(entries))] if is_keyed else names
    label_points(axes, [_label(e, text) for e, text in zip(entries, texts, strict=True)])
    if is_keyed:
        whole = [shown_name(e.encoding, limit=KEY_LIMIT[shape]) for e in entries]
        draw_key(axes, [f"{index + 1}  {name}" for index, name in enumerate(whole)], shape)
    return figure


def _rate_mbps(entry: EncodingFidelity) -> float:
    return entry.bitrate_bps / 1e6


def _interval_db(entry: EncodingFidelity) -> tuple[float, float] | None:
    estimate = entry.estimates["psnr"]
    if estimate.low is None or estimate.high is None:
        return None
    return estimate.low, estimate.high


def _set_axes(axes: Axes, entries: Sequence[EncodingFidelity]) -> None:
    """Both axes, wide enough for all intervals and for names beside the points."""
    low, high = padded([_rate_mbps(entry) for entry in entries], factor=_RATE_ROOM)
    set_log_axis(axes, "x", low=low, high=high, label="bit rate, Mbit/s (log scale)", most=6)
    ends_db = [entry.estimates["psnr"].point for entry in entries]
    ends_db += [end for entry in entries for end in _interval_db(entry) or ()]
    room_db = max(_QUALITY_ROOM_FRACTION * (max(ends_db) - min(ends_db)), 0.5)
    axes.set_ylim(min(ends_db) - room_db, max(ends_db) + room_db)
    axes.set_ylabel("PSNR, dB", color=colour("ink"))
    axes.grid(True, color=colour("grid"), linewidth=0.7)


def _draw_point(axes: Axes, entry: EncodingFidelity, url: str) -> None:
    """An encoding's PSNR with its interval, at its bit rate."""
    rate, interval = _rate_mbps(entry), _interval_db(entry)
    if interval is not None:
        axes.plot([rate, rate], interval, color=colour("rest"), linewidth=1)
    axes.plot(
        [rate],
        [entry.estimates["psnr"].point],
        marker="o",
        linestyle="none",
        color=colour("lead"),
        markersize=5,
        zorder=4,
        url=url,
    )


def _label(entry: EncodingFidelity, text: str) -> PointLabel:
    return PointLabel(
        text=text,
        x=_rate_mbps(entry),
        y=entry.estimates["psnr"].point,
        y_interval=_interval_db(entry),
    )
