"""What to be warned of in a file, from facts written out here, and how it is said."""

from fractions import Fraction

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_run
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.model.footage import ColourTags, MediaFacts
from mezzmark.model.inspection import (
    FileWarning,
    Inspection,
    PictureLevels,
    Spread,
    name_tags,
)
from mezzmark.report.prose.footage import file_advice

TAGGED = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)


def inspection(*, media: dict[str, object] | None = None, **changes: object) -> Inspection:
    """A tagged, intra, constant-rate file of 1920×1080 that nothing is wrong with, but for this."""
    manifest, _ = fabricate_run(Fabrication(rounds=1))
    facts = manifest.clips[0].original.model_dump() | {"tags": TAGGED} | (media or {})
    found = Inspection(
        media=MediaFacts.model_validate(facts),
        is_excerpt=False,
        examined_duration_s=4.0,
        examined_frame_count=96,
        decoded_frame_count=96,
        rate_kind="constant",
        measured_rate=Fraction(24),
        frame_spacing_ms=Spread(minimum=41, median=42, maximum=42),
        keyframe_count=96,
        keyframe_interval_frames=Spread(minimum=1, median=1, maximum=1),
        keyframe_spacing_s=Spread(minimum=0.04, median=0.04, maximum=0.04),
        group_kind="intra",
        b_frame_fraction=0.0,
        is_interlaced=False,
        tag_names=name_tags(ColourTags.model_validate(facts["tags"])),
        bitrate_bps=1e8,
        bitrate_by_second_bps=(1e8,) * 4,
        audio_tracks=(),
        is_stamped=True,
    )
    return found.model_copy(update=changes)


LONG = {
    "group_kind": "closed",
    "keyframe_count": 4,
    "keyframe_interval_frames": Spread(minimum=12, median=24, maximum=48),
    "keyframe_spacing_s": Spread(minimum=0.5, median=1.0, maximum=2.0),
}
SINGLE = {
    "group_kind": "unknown",
    "keyframe_count": 1,
    "keyframe_interval_frames": None,
    "keyframe_spacing_s": None,
}
UNEVEN = {"rate_kind": "variable", "frame_spacing_ms": Spread(minimum=20, median=42, maximum=83)}

CUT_ONCE = Spread(minimum=1, median=1, maximum=1)

PLAIN = PictureLevels(
    picture_count=48,
    darkest=0.02,
    brightest=0.97,
    footroom_fraction=0.0004,
    headroom_fraction=0.01,
    chroma=0.2,
    spatial_information=50,
    temporal_information=20,
)
CRUSHED = PLAIN.model_copy(update={"footroom_fraction": 0.021, "headroom_fraction": 0.03})
PALE = PLAIN.model_copy(update={"darkest": 0.09, "brightest": 0.7, "chroma": 0.06})
HLG = ColourTags(colour_range=1, primaries=9, transfer=18, matrix=9)

FILES: dict[FileWarning, Inspection] = {
    "suspect": inspection(suspicions=("decoder_errors", "stamps_out_of_step")),
    "long_groups": inspection(**LONG),
    "one_key_frame": inspection(**SINGLE),
    "variable_rate": inspection(**UNEVEN),
    "interlaced": inspection(is_interlaced=True),
    "turned": inspection(quarter_turns=3),
    "tags_contradict": inspection(
        picture_tags=TAGGED.model_copy(update={"matrix": 6, "colour_range": 2, "transfer": 6})
    ),
    "pq_with_709": inspection(
        media={"tags": TAGGED.model_copy(update={"transfer": 16}), "bit_depth": 10}
    ),
    "hdr_in_8_bits": inspection(media={"tags": HLG, "bit_depth": 8}),
    "looks_full_range": inspection(levels=CRUSHED),
    "looks_log": inspection(levels=PALE),
    "tags_missing": inspection(media={"tags": TAGGED.model_copy(update={"transfer": 2})}),
    "hd_with_matrix_601": inspection(media={"tags": TAGGED.model_copy(update={"matrix": 6})}),
    "primaries_against_matrix": inspection(
        media={"tags": TAGGED.model_copy(update={"primaries": 9})}
    ),
    "range_missing": inspection(media={"tags": TAGGED.model_copy(update={"colour_range": 0})}),
    "no_seek_index": inspection(media={"container": "ts"}),
    "frame_rate_missing": inspection(media={"frame_rate": None}),
    "excerpt": inspection(is_excerpt=True),
}


@pytest.mark.parametrize(("slices", "codec"), [(1, "AVC"), (1, "HEVC"), (8, "AVC")])
def test_one_slice_matters_where_it_keeps_threads_from_sharing_a_long_group(
    slices: int, codec: str
) -> None:
    """AVC in one slice and long groups is warned of; several slices are not, nor is HEVC, which can
    share a slice out by rows."""
    cut = Spread(minimum=slices, median=slices, maximum=slices)
    found = inspection(**LONG, media={"codec": codec}, slice_count=cut)
    assert ("one_slice" in found.warnings) == ((slices, codec) == (1, "AVC"))


@pytest.mark.parametrize("warning", FILES)
def test_each_trait_is_warned_of_alone(warning: FileWarning) -> None:
    """A file with one fault has the one warning; it is in the JSON too."""
    assert FILES[warning].warnings == (warning,)
    assert FILES[warning].model_dump(mode="json")["warnings"] == [warning]


def test_primaries_and_matrix_disagree_either_way_round() -> None:
    """BT.709 primaries with a BT.2020 matrix are warned of as the other way round is."""
    tags = TAGGED.model_copy(update={"matrix": 9})
    assert inspection(media={"tags": tags}).warnings == ("primaries_against_matrix",)


@pytest.mark.parametrize(
    "fine",
    [
        inspection(),
        inspection(media={"tags": ColourTags(), "chroma": "RGB", "pixel_format": "gbrp"}),
        inspection(
            media={
                "tags": ColourTags(colour_range=1, primaries=6, transfer=6, matrix=6),
                "height_px": 576,
            }
        ),
        inspection(media={"tags": ColourTags(colour_range=1), "height_px": 576}),
        inspection(levels=PLAIN, picture_tags=TAGGED),
        inspection(levels=CRUSHED, media={"tags": TAGGED.model_copy(update={"colour_range": 2})}),
        inspection(levels=PALE, media={"tags": HLG, "bit_depth": 10}),
        inspection(levels=PALE.model_copy(update={"darkest": 0.03})),
        inspection(levels=PALE.model_copy(update={"chroma": 0.2})),
        inspection(media={"tags": ColourTags(colour_range=1, primaries=9, transfer=14, matrix=9)}),
        inspection(**LONG | {"keyframe_spacing_s": Spread(minimum=0.08, median=0.1, maximum=0.1)}),
    ],
)
def test_a_file_without_fault_is_not_warned_of(fine: Inspection) -> None:
    """RGB without tags, SD with or without BT.601, BT.2020 throughout, and groups of 0.1 s pass; so
    do usual levels, full range that says so, and HDR or strong colours between log-like ends."""
    assert fine.warnings == ()


def test_all_faults_are_told_the_gravest_first() -> None:
    """Motion comes before colour, and colour before what the container lacks."""
    both = inspection(is_excerpt=True, **LONG, media={"container": "ps", "tags": ColourTags()})
    expected = ("long_groups", "tags_missing", "range_missing", "no_seek_index", "excerpt")
    assert both.warnings == expected


def test_what_is_said_of_a_file() -> None:
    """Each warning is said with its figures and what to do; a refusal comes before them."""
    lines = []
    refused = inspection(
        is_excerpt=True, refusal="packets disagree", refusal_remedy="Rewrap the file."
    )
    cut_once = inspection(**LONG, media={"codec": "AVC"}, slice_count=CUT_ONCE)
    for found in (*FILES.values(), cut_once, refused):
        lines += [f"{advice.what} | {advice.remedy}" for advice in file_advice(found)]
    assert_matches_snapshot("\n".join(lines), "footage_advice")


@pytest.mark.parametrize(("seconds", "is_told"), [(1.0, False), (10.0, True)])
def test_a_short_part_with_one_key_frame_tells_nothing_of_the_file(
    seconds: float, is_told: bool
) -> None:
    """Groups of a few seconds are usual, so a shorter look holds one key frame at most."""
    found = inspection(**SINGLE, is_excerpt=True, examined_duration_s=seconds)
    assert ("one_key_frame" in found.warnings) == is_told
