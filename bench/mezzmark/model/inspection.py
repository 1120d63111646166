"""What `inspect` finds out about a file, and what of it to be warned of."""

from typing import Final, Literal

from pydantic import computed_field

from mezzmark.model.colour import FULL_RANGE, HD_HEIGHT_PX, UNSPECIFIED, tag_class
from mezzmark.model.fact import Fact
from mezzmark.model.footage import ColourTags, HdrMetadata, MediaFacts, Rate, Suspicion

RateKind = Literal["constant", "variable", "unknown"]
GroupKind = Literal["intra", "closed", "open", "unknown"]
"""`intra`: every picture is a key frame. `closed`: a decoder that starts at a key frame brings it
and all around it. `open`: it does not, since pictures there refer to the group before."""

FileWarning = Literal[
    "suspect",
    "long_groups",
    "one_key_frame",
    "one_slice",
    "variable_rate",
    "interlaced",
    "turned",
    "tags_contradict",
    "pq_with_709",
    "hdr_in_8_bits",
    "looks_full_range",
    "looks_log",
    "tags_missing",
    "hd_with_matrix_601",
    "primaries_against_matrix",
    "range_missing",
    "no_seek_index",
    "frame_rate_missing",
    "excerpt",
]
"""What may hurt in editing or is left to guesses; the figures of each stand in the `Inspection`."""

TELLING_S: Final = 10.0
"""So long a part with one key frame tells of the rest: groups of a few seconds are usual."""

LONG_GROUP_S: Final = 0.1
"""A jump decodes half a group on average; a group longer than this holds more pictures than can
be decoded within the 0.1 s that feels immediate, unless decoding runs well above real time
(limit of 0.1 s: R. B. Miller, Response time in man-computer conversational transactions, 1968)."""

FOOTROOM_FRACTION: Final = 0.002
"""Limited-range pictures hardly have luma below half of the room under black (code 8 of 8 bits):
noise and ringing around black stay within a few codes of 16."""

LOG_DARKEST, LOG_BRIGHTEST, LOG_CHROMA = 0.06, 0.85, 0.1
"""Pictures of a log curve look so: nothing near black or white, and pale. (Their usual blacks lie
at 4 to 12 % and diffuse white near 60 %; fog looks so too.)"""

BT709, BT2020 = 1, 9
HDR_TRANSFERS: Final = (16, 18)
PQ: Final = 16
BT601_MATRICES: Final = (5, 6)
"""ITU-T H.273 code points; BT.601 has one for 625 and one for 525 lines, of the same matrix."""

_RANGES = {0: "unspecified", 1: "limited", 2: "full"}

_PRIMARIES = {
    1: "BT.709",
    2: "unspecified",
    4: "BT.470 System M",
    5: "BT.601 625 lines",
    6: "BT.601 525 lines",
    7: "SMPTE ST 240",
    8: "generic film",
    9: "BT.2020",
    10: "SMPTE ST 428-1 (XYZ)",
    11: "SMPTE RP 431-2",
    12: "SMPTE EG 432-1 (P3 D65)",
    22: "EBU Tech 3213-E",
}

_TRANSFERS = {
    1: "BT.709",
    2: "unspecified",
    4: "BT.470 System M (gamma 2.2)",
    5: "BT.470 System B, G (gamma 2.8)",
    6: "BT.601",
    7: "SMPTE ST 240",
    8: "linear",
    9: "logarithmic 100:1",
    10: "logarithmic 316:1",
    11: "IEC 61966-2-4 (xvYCC)",
    12: "BT.1361 extended",
    13: "IEC 61966-2-1 (sRGB)",
    14: "BT.2020 10 bit",
    15: "BT.2020 12 bit",
    16: "SMPTE ST 2084 (PQ)",
    17: "SMPTE ST 428-1",
    18: "ARIB STD-B67 (HLG)",
}

_MATRICES = {
    0: "identity (RGB)",
    1: "BT.709",
    2: "unspecified",
    4: "FCC 73.682",
    5: "BT.601 625 lines",
    6: "BT.601 525 lines",
    7: "SMPTE ST 240",
    8: "YCgCo",
    9: "BT.2020 non-constant luminance",
    10: "BT.2020 constant luminance",
    11: "SMPTE ST 2085",
    12: "chroma-derived non-constant luminance",
    13: "chroma-derived constant luminance",
    14: "BT.2100 ICtCp",
}


class Spread(Fact):
    """Least, middle and largest of some values, in the unit that the field's name says."""

    minimum: float
    median: float
    maximum: float


class TagNames(Fact):
    """Colour description by the names of ITU-T H.273 (07/2021), tables 2 to 4."""

    colour_range: str
    primaries: str
    transfer: str
    matrix: str


class PictureLevels(Fact):
    """Of a file's first `picture_count` pictures. `darkest` and `brightest` are the 0.1 % and 99.9
    % quantiles of luma, 0 black and 1 white; `footroom_fraction` and `headroom_fraction` the shares
    of it up to code 8 and from code 247 of 8 bits on; `chroma` the 95 % quantile of |Cb| and |Cr|,
    at most 0.5. SI and TI (ITU-T P.910) are the largest, in 8-bit codes of full range."""

    picture_count: int
    darkest: float
    brightest: float
    footroom_fraction: float
    headroom_fraction: float
    chroma: float
    spatial_information: float
    temporal_information: float


class AudioTrack(Fact):
    """One audio track, as the file states it."""

    codec: str
    channel_count: int
    sample_rate_hz: int


class Advice(Fact):
    """A warning: what was found, and what to do about it."""

    what: str
    remedy: str


class Inspection(Fact):
    """One file looked at closely over `examined_duration_s` from its start. Packets are read over
    the whole examined part, pictures decoded over its first `decoded_frame_count`. `refusal` says
    why the file cannot be measured, "" if it can, and `refusal_remedy` what to do about it.
    `bitrate_by_second_bps` holds the video track's bit rate in each whole second, the last one over
    what is left of it. `further_names` are the files in which a spanned shot goes on. `slice_count`
    is that of slices a picture, None where they are not looked for; `suspicions` are signs of
    damage in the decoded pictures. `media.tags` are the container's where it states them;
    `picture_tags` what the coded pictures state. It is to be shown turned left by
    `quarter_turns`."""

    media: MediaFacts
    is_excerpt: bool
    examined_duration_s: float
    examined_frame_count: int
    decoded_frame_count: int
    rate_kind: RateKind
    measured_rate: Rate | None
    frame_spacing_ms: Spread | None
    keyframe_count: int
    keyframe_interval_frames: Spread | None
    keyframe_spacing_s: Spread | None
    group_kind: GroupKind
    b_frame_fraction: float | None
    is_interlaced: bool | None
    tag_names: TagNames
    bitrate_bps: float | None
    bitrate_by_second_bps: tuple[float, ...]
    audio_tracks: tuple[AudioTrack, ...]
    is_stamped: bool
    further_names: tuple[str, ...] = ()
    slice_count: Spread | None = None
    suspicions: tuple[Suspicion, ...] = ()
    picture_tags: ColourTags = ColourTags()
    hdr_metadata: HdrMetadata | None = None
    quarter_turns: int = 0
    levels: PictureLevels | None = None
    refusal: str = ""
    refusal_remedy: str = ""

    @property
    def contradictions(self) -> tuple[str, ...]:
        """The fields of colour tags that container and pictures state in another meaning each."""
        return tuple(
            field
            for field, nothing in ColourTags()
            for stated in [{getattr(self.media.tags, field), getattr(self.picture_tags, field)}]
            if nothing not in stated and len({tag_class(field, code) for code in stated}) > 1
        )

    @property
    def looks_full_range(self) -> bool:
        """Whether pictures that count as limited range use the codes below black."""
        is_limited = self.media.tags.colour_range != FULL_RANGE
        found = self.levels
        return is_limited and found is not None and found.footroom_fraction > FOOTROOM_FRACTION

    @property
    def looks_log(self) -> bool:
        """Whether levels lie as those of log footage do, in a file that says nothing of HDR."""
        found = self.levels
        return (
            found is not None
            and self.media.tags.transfer not in HDR_TRANSFERS
            and found.darkest >= LOG_DARKEST
            and found.brightest <= LOG_BRIGHTEST
            and found.chroma <= LOG_CHROMA
            and found.spatial_information > 0
        )

    @computed_field  # type: ignore[prop-decorator]
    @property
    def warnings(self) -> tuple[FileWarning, ...]:
        """What to be warned of, the gravest first."""
        tags, spacing = self.media.tags, self.keyframe_spacing_s
        has_groups = self.group_kind != "intra"
        is_long = has_groups and spacing is not None and spacing.median > LONG_GROUP_S
        is_single = self.keyframe_count <= 1 < self.examined_frame_count
        is_telling = not self.is_excerpt or self.examined_duration_s >= TELLING_S
        is_yuv, is_hd = self.media.chroma != "RGB", self.media.height_px >= HD_HEIGHT_PX
        is_untagged = UNSPECIFIED in (tags.primaries, tags.transfer, tags.matrix)
        pair = {tags.primaries, tags.matrix}
        # HEVC may share out a single slice by rows, so one slice says nothing there.
        is_one_slice = self.media.codec == "AVC" and is_long
        is_one_slice &= self.slice_count is not None and self.slice_count.maximum == 1
        conditions: dict[FileWarning, bool] = {
            "suspect": bool(self.suspicions),
            "long_groups": is_long,
            "one_key_frame": has_groups and is_single and not is_long and is_telling,
            "one_slice": is_one_slice,
            "variable_rate": self.rate_kind == "variable",
            "interlaced": bool(self.is_interlaced),
            "turned": bool(self.quarter_turns),
            "tags_contradict": bool(self.contradictions),
            "pq_with_709": tags.transfer == PQ and tags.primaries == BT709,
            "hdr_in_8_bits": tags.transfer in HDR_TRANSFERS and self.media.bit_depth <= 8,
            "looks_full_range": self.looks_full_range,
            "looks_log": self.looks_log,
            "tags_missing": is_yuv and is_hd and is_untagged,
            "hd_with_matrix_601": is_yuv and is_hd and tags.matrix in BT601_MATRICES,
            "primaries_against_matrix": is_yuv and pair == {BT709, BT2020},
            "range_missing": is_yuv and tags.colour_range == 0,
            "no_seek_index": self.media.container in ("ts", "ps"),
            "frame_rate_missing": self.media.frame_rate is None,
            "excerpt": self.is_excerpt,
        }
        return tuple(warning for warning, is_so in conditions.items() if is_so)


class Inspections(tuple[Inspection, ...]):
    """Of several files; printed one after the other."""

    __slots__ = ()

    def __str__(self) -> str:
        return "\n".join(map(str, self))


def name_tags(tags: ColourTags) -> TagNames:
    """The names of colour code points; an unknown one is given as its number."""
    tables = (_RANGES, _PRIMARIES, _TRANSFERS, _MATRICES)
    codes = zip(tables, dict(tags).items(), strict=True)
    return TagNames(**{of: n.get(code, f"code {code} (reserved)") for n, (of, code) in codes})
