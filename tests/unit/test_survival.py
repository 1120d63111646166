"""What the files keep of a user's own clips: for needs, for comparisons, and in the report."""

from fixtures.fabricated_run import fabricate_run
from mezzmark.decide.choose.needs import kept_things
from mezzmark.decide.compare.matching import find_unlikeness, work_of
from mezzmark.model.cell import ALL_CLIPS, Cell, Setting
from mezzmark.model.run import Manifest
from mezzmark.model.survival import Survival, state_by_command
from mezzmark.report.tables.picture import survival_table
from mezzmark.report.view import RunView

MANIFEST, TRIALS = fabricate_run()
NAME = next(e.name for e in MANIFEST.encodings if e.container == "mov")


def holding(**values: tuple[str | None, str | None]) -> Manifest:
    """The run with clips that hold these things, and what the files of `NAME` have of them."""
    survives = tuple(
        Survival(thing=name, clip=had, file=has) for name, (had, has) in values.items()
    )
    media = tuple(
        m.model_copy(update={"survives": survives if m.encoding == NAME else ()})
        for m in MANIFEST.media
    )
    return MANIFEST.model_copy(update={"media": media})


def test_needs_are_judged_by_the_command_where_it_is_known() -> None:
    """The command keeps a sample aspect that the bench's file lost; how many pictures it makes of a
    variable rate is not known, so the bench's file counts; what no clip has is no fact; the
    original has all."""
    run = holding(sample_aspect=("4/3", None), frame_count=("30", "29"), timecode=(None, None))
    assert kept_things(NAME, [run]) == {
        "survives.sample_aspect": "true",
        "survives.frame_count": "false",
    }
    assert set(kept_things("original", [run]).values()) == {"true"}


def test_the_command_is_told_as_its_files_were_seen() -> None:
    """As `ffprobe` found: title and reel come as in the bench's file, MP4 keeps turn and HDR
    metadata, and pictures of a rate evened out may be as many or not."""
    seen: list[tuple[str, str, str | None, str | None]] = [
        ("reel", "mov", "1", "kept"),
        ("reel", "mov", None, "lost"),  # a clip without timecode
        ("tags", "mxf", None, "lost"),
        ("rotation", "mp4", "1", "kept"),
        ("hdr", "mp4", None, "kept"),
        ("frame_count", "mxf", "2", None),
    ]
    for thing, container, file, state in seen:
        survival = Survival(thing=thing, clip="1", file=file)
        assert state_by_command(survival, container) == state


def test_files_with_sound_are_other_files() -> None:
    """Ingest and scrubbing of clips with sound are not compared with those of before, which had
    none; encoding from memory is. Without any of it, all is as ever, ids of the work too."""
    setting = Setting(jobs=1, threads=1, clip_order="fifo")
    clip = MANIFEST.clips[0].clip
    ingest = Cell(task="ingest", clip=ALL_CLIPS, encoding=NAME, setting=setting)
    encode = Cell(task="encode", clip=clip, encoding=NAME, setting=Setting(threads=1))
    with_sound = holding(sound=("2 at 48000 Hz", "2 at 48000 Hz"))
    silent = holding(sound=(None, None), frame_count=("48", "48"))
    assert [r.kind for r in find_unlikeness(ingest, MANIFEST, with_sound)] == ["other_carried"]
    assert find_unlikeness(encode, MANIFEST, with_sound) == ()
    assert find_unlikeness(ingest, MANIFEST, silent) == ()
    assert work_of(ingest, MANIFEST) == work_of(ingest, silent) != work_of(ingest, with_sound)


def test_the_table_tells_both_ways_of_making() -> None:
    """A row for the bench's file and one for the command's; a column for each thing that a clip
    has, and none for others."""
    run = holding(timecode=("1", "1"), frame_count=("30", "29"), hdr=(None, None))
    table = survival_table(RunView(run, TRIALS))
    heads = [column.head for column in table.columns]
    assert heads == ["encoding", "file", "timecode", "frame count"]
    assert [[cell.text for cell in row[1:]] for row in table.rows] == [
        ["as measured", "kept", "changed 30 → 29"],
        ["by the command", "kept", "not known"],
    ]
    assert not survival_table(RunView(MANIFEST, TRIALS))
