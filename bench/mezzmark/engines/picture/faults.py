"""Known mistakes, made on purpose: on the tags that a picture is read by, or on its samples.

They prove that the diagnosis names them, and show what a lost tag does to a picture. The samples
are changed in float at full chroma resolution and rounded once, as a careless conversion would.
"""

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, cast

import av
import numpy as np

from mezzmark.engines.media.pixels import (
    Plane,
    Planes,
    frame_from_planes,
    pixel_format_facts,
    planes_of,
)
from mezzmark.engines.media.probe import FULL_RANGE, LIMITED_RANGE
from mezzmark.engines.picture.chart import CHROMA_STEPS, PLANAR_TWIN
from mezzmark.model.colour import (
    MATRIX_CODES,
    DisplayName,
    Floats,
    MatrixName,
    change_primaries,
    chroma_code,
    chroma_of_code,
    display_light,
    display_signal,
    luma_code,
    luma_of_code,
    rgb_to_ycc,
    ycc_to_rgb,
)
from mezzmark.model.footage import ColourTags

FaultWay = Literal["tags", "samples"]

SITING_MISTAKE_PX: Final = 0.5
"""Left-sited chroma taken for centred, or the reverse, is half a luma pixel off."""

PLAIN_TWIN: Final = {"yuvj420p": "yuv420p", "yuvj422p": "yuv422p", "yuvj444p": "yuv444p"}
"""The same samples under a name that does not force full range on whoever reads them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A mistake by the key that a diagnosis should give it, and where it is made."""

    key: str
    way: FaultWay
    change: Callable[[av.VideoFrame, ColourTags], tuple[av.VideoFrame, ColourTags]]


def tag_faults(*, matrix: MatrixName, is_full_range: bool) -> tuple[Fault, ...]:
    """Mistakes of a reader: the samples are right but are read by other tags."""
    range_fault = (
        Fault(key="full as limited", way="tags", change=_range_reader(LIMITED_RANGE))
        if is_full_range
        else Fault(key="limited as full", way="tags", change=_range_reader(FULL_RANGE))
    )
    return (
        range_fault,
        *(
            Fault(
                key=f"matrix {matrix[3:]} as {other[3:]}",
                way="tags",
                change=_matrix_reader(MATRIX_CODES[other]),
            )
            for other in MATRIX_CODES
            if other != matrix
        ),
    )


def sample_faults(*, matrix: MatrixName, bit_depth: int) -> tuple[Fault, ...]:
    """Mistakes of a writer: the samples are changed while the tags stay as they were."""
    colour: list[tuple[str, Callable[[Floats], Floats]]] = [
        ("limited as full", _levels(matrix, luma=(219 / 255, 16 / 255), chroma=224 / 255)),
        ("full as limited", _levels(matrix, luma=(255 / 219, -16 / 219), chroma=255 / 224)),
        ("2020 as 709", _primaries("BT.709", "BT.2020")),
        ("709 as 2020", _primaries("BT.2020", "BT.709")),
        ("gamma sRGB for 2.4", _curves("sRGB", "2.4")),
        ("gamma 2.4 for sRGB", _curves("2.4", "sRGB")),
    ]
    for used, meant in itertools.permutations(("1.96", "2.2", "2.4"), 2):
        colour.append((f"gamma {used} for {meant}", _power(float(used) / float(meant))))
    for written, read in itertools.permutations(MATRIX_CODES, 2):
        colour.append((f"matrix {written[3:]} as {read[3:]}", _rewritten(written, read)))
    faults = [
        Fault(key=key, way="samples", change=_on_samples(change, matrix)) for key, change in colour
    ]
    for axis in ("x", "y"):
        faults.append(Fault(key="chroma siting", way="samples", change=_chroma_mover(axis)))
    if bit_depth > 8:
        faults.append(Fault(key="8-bit steps", way="samples", change=_cut_to_8_bits))
    return tuple(faults)


def read_as(frame: av.VideoFrame, tags: ColourTags) -> tuple[av.VideoFrame, ColourTags]:
    """The same samples for a reader that believes these tags, and the tags."""
    plain = PLAIN_TWIN.get(frame.format.name)
    if plain is not None:
        frame = frame_from_planes(planes_of(frame), plain, tags)
    return frame, tags


def _range_reader(
    colour_range: int,
) -> Callable[[av.VideoFrame, ColourTags], tuple[av.VideoFrame, ColourTags]]:
    return lambda frame, tags: read_as(
        frame, tags.model_copy(update={"colour_range": colour_range})
    )


def _matrix_reader(
    code: int,
) -> Callable[[av.VideoFrame, ColourTags], tuple[av.VideoFrame, ColourTags]]:
    return lambda frame, tags: (frame, tags.model_copy(update={"matrix": code}))


def _levels(
    matrix: MatrixName, *, luma: tuple[float, float], chroma: float
) -> Callable[[Floats], Floats]:
    def change(rgb: Floats) -> Floats:
        ycc = rgb_to_ycc(rgb, matrix=matrix) * np.array([luma[0], chroma, chroma])
        ycc[..., 0] += luma[1]
        return ycc_to_rgb(ycc, matrix=matrix)

    return change


def _primaries(source: str, target: str) -> Callable[[Floats], Floats]:
    def change(rgb: Floats) -> Floats:
        light = display_light(np.clip(rgb, 0, 1), display="2.4")
        moved = np.clip(change_primaries(light, source=source, target=target), 0, 1)
        return display_signal(moved, display="2.4")

    return change


def _power(exponent: float) -> Callable[[Floats], Floats]:
    return lambda rgb: np.asarray(np.maximum(rgb, 0) ** exponent)


def _curves(used: DisplayName, meant: DisplayName) -> Callable[[Floats], Floats]:
    return lambda rgb: display_signal(display_light(rgb, display=used), display=meant)


def _rewritten(written: MatrixName, read: MatrixName) -> Callable[[Floats], Floats]:
    return lambda rgb: ycc_to_rgb(rgb_to_ycc(rgb, matrix=written), matrix=read)


def _on_samples(
    change: Callable[[Floats], Floats], matrix: MatrixName
) -> Callable[[av.VideoFrame, ColourTags], tuple[av.VideoFrame, ColourTags]]:
    def apply(frame: av.VideoFrame, tags: ColourTags) -> tuple[av.VideoFrame, ColourTags]:
        return _changed_frame(frame, tags, change, matrix), tags

    return apply


def _changed_frame(
    frame: av.VideoFrame,
    tags: ColourTags,
    change: Callable[[Floats], Floats],
    matrix: MatrixName,
) -> av.VideoFrame:
    facts = pixel_format_facts(frame.format.name)
    depth = facts.bit_depth
    planes = planes_of(frame)
    if facts.is_rgb:
        top = float(2**depth - 1)
        green, blue, red = (plane / top for plane in planes[:3])
        rgb = change(np.stack([red, green, blue], axis=-1)) * top
        new = tuple(_rounded(rgb[..., i], depth) for i in (1, 2, 0))
        return _planar_frame((*new, *planes[3:]), frame, tags)
    full = facts.is_full_range or tags.colour_range == FULL_RANGE
    step = CHROMA_STEPS[facts.chroma]
    luma = luma_of_code(planes[0].astype(np.float64), bit_depth=depth, is_full_range=full)
    chroma = [
        _spread(
            chroma_of_code(plane.astype(np.float64), bit_depth=depth, is_full_range=full),
            step,
            luma.shape,
        )
        for plane in planes[1:3]
    ]
    rgb = change(ycc_to_rgb(np.stack([luma, *chroma], axis=-1), matrix=matrix))
    ycc = rgb_to_ycc(rgb, matrix=matrix)
    new_luma = luma_code(ycc[..., 0], bit_depth=depth, is_full_range=full)
    new_chroma = [
        chroma_code(_gather(ycc[..., i], step), bit_depth=depth, is_full_range=full) for i in (1, 2)
    ]
    new = tuple(_rounded(plane, depth) for plane in (new_luma, *new_chroma))
    return _planar_frame((*new, *planes[3:]), frame, tags)


def _planar_frame(planes: Planes, like: av.VideoFrame, tags: ColourTags) -> av.VideoFrame:
    name = like.format.name
    frame = frame_from_planes(planes, PLANAR_TWIN.get(name, name), tags)
    return frame if frame.format.name == name else frame.reformat(format=name)


def _spread(plane: Floats, step: tuple[int, int], shape: tuple[int, ...]) -> Floats:
    """Chroma at every luma sample, by repetition."""
    across, down = step
    return np.repeat(np.repeat(plane, down, axis=0), across, axis=1)[: shape[0], : shape[1]]


def _gather(plane: Floats, step: tuple[int, int]) -> Floats:
    """Chroma samples from full resolution: the mean of the luma samples that share one."""
    across, down = step
    total = sum(plane[j::down, i::across] for i in range(across) for j in range(down))
    return np.asarray(total / (across * down))


def _rounded(values: Floats, bit_depth: int) -> Plane:
    codes = np.clip(np.rint(values), 0, 2**bit_depth - 1)
    return codes.astype(np.uint8) if bit_depth == 8 else codes.astype(np.uint16)


def _chroma_mover(
    axis: str,
) -> Callable[[av.VideoFrame, ColourTags], tuple[av.VideoFrame, ColourTags]]:
    """Move chroma to the right or down by half a luma pixel, by linear interpolation."""

    def apply(frame: av.VideoFrame, tags: ColourTags) -> tuple[av.VideoFrame, ColourTags]:
        facts = pixel_format_facts(frame.format.name)
        planes = planes_of(frame)
        along = 1 if axis == "x" else 0
        share = SITING_MISTAKE_PX / CHROMA_STEPS[facts.chroma][1 - along]
        moved: Planes = tuple(
            _rounded(
                (1 - share) * plane + share * np.roll(plane.astype(np.float64), 1, axis=along),
                facts.bit_depth,
            )
            for plane in planes[1:3]
        )
        return _planar_frame((planes[0], *moved, *planes[3:]), frame, tags), tags

    return apply


def _cut_to_8_bits(frame: av.VideoFrame, tags: ColourTags) -> tuple[av.VideoFrame, ColourTags]:
    """Drop the bits below the eighth, then fill them with zeros again."""
    extra = pixel_format_facts(frame.format.name).bit_depth - 8
    planes: Planes = tuple(cast(Plane, (plane >> extra) << extra) for plane in planes_of(frame))
    return _planar_frame(planes, frame, tags), tags
