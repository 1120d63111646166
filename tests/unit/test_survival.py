"""What the files keep of a user's own clips: for needs, for comparisons, and in the report."""

from fixtures.fabricated_run import fabricate_run
from mezzmark.decide.choose.needs import kept_things
from mezzmark.decide.compare.matching import find_unlikeness, work_of
from mezzmark.model.cell import ALL_CLIPS, Cell, Setting
from mezzmark.model.run import Manifest
from mezzmark.model.survival import Survival
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
    """The command keeps a sample aspect that the bench's file lost; of tags nothing is known of it,
    so the bench's file counts; what no clip has is no fact; the original has all."""
    run = holding(sample_aspect=("4/3", None), tags=("title", None), timecode=(None, None))
    assert kept_things(NAME, [run]) == {
        "survives.sample_aspect": "true",
        "survives.tags": "false",
    }
    assert set(kept_things("original", [run]).values()) == {"true"}


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
    run = holding(timecode=("1", "1"), tags=("title", None), hdr=(None, None))
    table = survival_table(RunView(run, TRIALS))
    assert [column.head for column in table.columns] == ["encoding", "file", "timecode", "tags"]
    assert [[cell.text for cell in row[1:]] for row in table.rows] == [
        ["as measured", "kept", "lost"],
        ["by the printed command", "kept", "not known"],
    ]
    assert not survival_table(RunView(MANIFEST, TRIALS))
