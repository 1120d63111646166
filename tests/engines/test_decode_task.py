"""Decoding in order: what the clock spans, what is proved, and where runs start."""

from itertools import count
from pathlib import Path

import pytest

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from fixtures.scrubbed import indexed
from mezzmark.engines.play.player import Player
from mezzmark.engines.play.scrub import run_decode
from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.errors import EngineError
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.decode import IN_FLIGHT, DecodeJob, DecodeSettings
from mezzmark.model.tasks.spec import MediaReference, PreparedFootage, Seen, Stock

DECODE = TASKS["decode"]


def decode(folder: Path, kind: str = "avc-mp4", player: str = "slice", **changes) -> tuple:
    """A trial's measurement by a clock that ticks once a look, and the frames it asked for."""
    asked: list[int] = []

    class Watched(Player):
        def bring(self, frame_index):
            asked.append(frame_index)
            return super().bring(changes.get("shows", {}).get(frame_index, frame_index))

    job = DecodeJob(
        media=indexed(make_zoo_clip(ZOO[kind], folder)),
        starts=(5, 30),
        frame_count=6,
        proved=(2, 6),
        thread_count=2,
        player=PLAYERS[player],
    )
    ticks = count(0, 7)
    return run_decode(job, lambda: next(ticks), Watched).measurement, asked


@pytest.mark.parametrize("player", ["slice", "frame", "slice-skipping"])
@pytest.mark.parametrize("kind", ["avc-mp4-open-gop", "vc3-mov"])
def test_the_clock_spans_the_frames_after_the_start(kind: str, player: str, tmp_path: Path) -> None:
    """One reading before and one after each run of six, whose starts, 5 and 30, are decoded
    before: 12 frames in 2 × 7 ns, four of them proved."""
    found, asked = decode(tmp_path, kind, player)
    assert asked == [*range(5, 12), *range(30, 37)]
    assert (found.wall_ns, found.proved_count) == ((7, 7), 4)
    work = DECODE.work(Seen(found, None))
    assert (work.frame_count, work.wall_ns) == (12, 14)


@pytest.mark.parametrize(("frame", "shown"), [(7, 8), (36, 35)])
def test_a_sampled_neighbour_fails_the_trial(frame: int, shown: int, tmp_path: Path) -> None:
    """The second or the last frame of a run is another one: no speed comes of that."""
    with pytest.raises(EngineError, match=f"frame {frame} was wrong"):
        decode(tmp_path, shows={frame: shown})


@pytest.mark.parametrize(("frames", "count"), [(FRAME_COUNT, 10), (200, 24), (3, 1)])
def test_runs_end_before_the_clip_and_lie_in_its_equal_parts(frames: int, count: int) -> None:
    """What a decoder holds back at the end is left: 8 pictures and one a thread. The job follows
    from the round's seed, whoever plays whichever encoding; a clip of 3 frames gives one."""
    settings = DecodeSettings(runs=4, frames=min(24, max(1, frames - 38)))
    stock = Stock(clips=("a",), encodings=("b", "c"), media={("a", "b"), ("a", "c")}, core_count=2)
    cells = list(DECODE.plan(settings, stock))
    assert [(c.encoding, c.setting["player"]) for c in cells] == [
        *(("b", "slice"), ("b", "frame"), ("c", "slice"), ("c", "frame"))
    ]
    media = dict.fromkeys(stock.media, MediaReference(media_path="", index_path=""))
    footage = PreparedFootage(clips=["a"], frame_counts={"a": frames}, media=media, encodings=())

    def job(cell: Cell, seed: int) -> DecodeJob:
        planned = PlannedTrial(round_index=0, position=0, cell=cell, seed=seed)
        return DECODE.job(planned, settings, footage)

    for seed in range(20):
        jobs = [job(cell, seed) for cell in cells]
        assert {(j.starts, j.proved, j.frame_count) for j in jobs} == {
            (jobs[0].starts, jobs[0].proved, count)
        }
        span = max(1, frames - IN_FLIGHT - 2 - count)
        assert [start * 4 // span for start in jobs[0].starts] == [0, 1, 2, 3] or span == 1
        last = jobs[0].starts[-1] + count
        assert last < frames - IN_FLIGHT - 2 or (frames, last) == (3, 1)
        assert set(jobs[0].proved) <= set(range(1, count + 1))
    assert len({job(cells[0], seed).starts for seed in range(20)}) > 1 or span == 1


def test_each_encoding_is_judged_by_its_own_fastest_player() -> None:
    """As encode speeds are, so that a need of decode speed asks of no player in particular; the
    original is decoded, too, and never free of it."""
    assert (DECODE.is_best_setting, DECODE.is_free_for_original) == (True, False)
    setting = Setting(threads=2, player="frame")
    cell = Cell(task="decode", clip="a", encoding="b", setting=setting)
    assert cell.cell_id == "decode | a | b | 2t | frame"
