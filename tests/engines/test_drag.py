"""Dragging a real file: what is recorded, and that players which show other pictures are caught."""

import time
from pathlib import Path

import numpy as np
import pytest

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from fixtures.scrubbed import indexed
from mezzmark.engines.media.frame_index import (
    build_frame_index,
    read_frame_index,
    write_frame_index,
)
from mezzmark.engines.play import playback
from mezzmark.engines.play.drag import HandLoop, OpenLoopPlayer, Witness, run_drag
from mezzmark.model.errors import EngineError
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.drag import DragJob, DragMeasurement, view_drag
from mezzmark.model.tasks.hand import Stroke, rebuild_screen
from mezzmark.model.tasks.play import PlayJob, view_play
from mezzmark.model.tasks.spec import MediaReference, Seen
from mezzmark.model.tasks.streams import Level, StreamsJob, streams_played

_ASKED = {
    "player": PLAYERS["slice"],
    "thread_count": 1,
    "viewer_height_px": 90,
    "refresh_hz": 60,
    "seed": 3,
}
STROKES = (Stroke(5, 40, 20, 6), Stroke(40, 2, 16, 0), Stroke(2, 9, 8, 30))


@pytest.fixture(scope="module", params=["avc-mp4", "rdd36-mov"])
def media(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> MediaReference:
    """A clip of long groups and one of key frames, indexed."""
    folder = tmp_path_factory.mktemp("drag")
    path = make_zoo_clip(ZOO[request.param], folder)
    index = build_frame_index(path)
    assert len(index.sparse_digests) == FRAME_COUNT
    return indexed(path, index=index)


def _run(media: MediaReference, service: str = "latest", player=OpenLoopPlayer):
    job = DragJob(**_ASKED, media=media, service=service, strokes=STROKES)
    measured = run_drag(job, time.perf_counter_ns, player).measurement
    return DragMeasurement.model_validate_json(measured.model_dump_json())


class Stale(OpenLoopPlayer):
    """Shows the picture before and calls it new."""

    before = None

    def bring(self, frame_index):
        before, self.before = self.before, super().bring(frame_index)
        return before or self.before


class Mislabelled(OpenLoopPlayer):
    """On its way says of each picture that it is the next one."""

    def step(self, frame_index):
        frame, picture = super().step(frame_index)
        return min(frame + 1, FRAME_COUNT - 1), picture


class StaleView(OpenLoopPlayer):
    """Decodes rightly and shows the view before."""

    before = None

    def present(self, picture):
        before, self.before = self.before, super().present(picture)
        return before or self.before


@pytest.mark.parametrize("service", ["latest", "queue", "follow"])
def test_every_picture_shown_is_proved(media: MediaReference, service: str) -> None:
    """All are right; in order of time; the exact services show wanted frames only; at the end of
    the last rest the hand's own frame stands."""
    measured = _run(media, service)
    assert set(measured.proof) == {"right"}
    done = [picture.done_ns for picture in measured.pictures]
    assert done == sorted(done)
    screen = measured.screen
    assert screen.shown[-1] == 9
    assert view_drag(measured)["to_exact_ms"] < 500
    if service != "follow":
        wanted = screen.wanted.tolist()
        assert all(wanted[one.request] == one.frame_index for one in measured.pictures)


@pytest.mark.parametrize(
    ("player", "service"), [(Stale, "latest"), (StaleView, "latest"), (Mislabelled, "follow")]
)
def test_planted_wrong_pictures_are_caught(
    media: MediaReference, player: type, service: str
) -> None:
    """Stale pictures, stale views and pictures by another name are wrong, and nothing of the trial
    is shown."""
    measured = _run(media, service, player)
    assert "wrong" in measured.proof
    assert view_drag(measured) is None


def test_a_sample_alone_tells_a_stale_picture(media: MediaReference) -> None:
    """Nothing kept whole: the neighbour's picture under a frame's name is wrong by its lines, and a
    picture that did not come is missing."""
    job = DragJob(**_ASKED, media=media, service="latest", strokes=STROKES)
    index = read_frame_index(media.index_path)
    player = OpenLoopPlayer(media.media_path, index, job)
    witness = Witness(job, index, player)
    picture = player.bring(20)
    for frame in (20, 21):
        witness.saw(frame, picture, player.present(picture))
    witness.saw(22, None, None)
    witness._kept.clear()
    assert witness.proofs() == ("right", "wrong", "missing")


def test_index_without_sparse_digests_proves_alike(media: MediaReference, tmp_path: Path) -> None:
    """An index made before there were sparse digests: all right, and a stale player wrong."""
    index = build_frame_index(media.media_path).model_copy(update={"sparse_digests": ()})
    write_frame_index(index, tmp_path / "old.json")
    old = media.model_copy(update={"index_path": str(tmp_path / "old.json")})
    assert set(_run(old).proof) == {"right"}
    assert "wrong" in _run(old, player=Stale).proof


def test_screen_rebuilt_equals_a_live_sampler() -> None:
    """Whoever looks at the screen at each refresh while a drag goes on sees what is rebuilt."""
    wanted = np.repeat(np.arange(60), 2)
    looks: list[tuple[int, int]] = [(0, 0)]
    clock = [0]

    class Sampled:
        """5 to 35 ms a picture; the sampler looks whenever the clock passes a refresh."""

        def __init__(self) -> None:
            self.rng, self.on_screen = np.random.default_rng(1), 0

        def pass_time(self, span_ns: int) -> None:
            clock[0] += span_ns
            for k in range(len(looks), clock[0] * 60 // 10**9 + 1):
                looks.append((k, self.on_screen))

        def bring(self, frame_index: int) -> int:
            self.pass_time(int(self.rng.integers(5, 35) * 1_000_003))
            return frame_index

        def present(self, picture: int) -> int:
            self.on_screen = picture
            return picture

    player = Sampled()
    loop = HandLoop(
        player,
        wanted,
        refresh_hz=60,
        clock_ns=lambda: clock[0],
        sleep=player.pass_time,
        saw=lambda *_: None,
    )
    loop.serve("latest")
    _, _, done, frames = zip(*loop.events, strict=True)
    screen = rebuild_screen(wanted, done, frames, refresh_hz=60)
    assert [frame for _, frame in looks[:120]] == screen.shown.tolist()


class Late(OpenLoopPlayer):
    """Shows the frame after the one that is due."""

    def bring(self, frame_index):
        return super().bring(min(frame_index + 1, FRAME_COUNT - 1))


@pytest.mark.parametrize(("player", "said"), [(OpenLoopPlayer, "right"), (Late, "wrong")])
def test_playing_is_proved_at_every_speed(
    media: MediaReference, monkeypatch: pytest.MonkeyPatch, player: type, said: str
) -> None:
    """Forwards, at double speed and backwards each picture presented is the one that is due; a
    planted player that runs ahead is caught."""
    monkeypatch.setattr(playback, "OpenLoopPlayer", player)
    job = PlayJob(**_ASKED, media=media, speeds=("1x", "2x", "-1x"), starts=1, duration_s=1)
    measured = playback.run_play(job, time.perf_counter_ns).measurement
    assert said in measured.proof
    assert ("wrong" in measured.proof) == (said == "wrong")
    assert [one.speed for one in measured.playbacks] == ["1x", "2x", "-1x"]
    assert (view_play(measured) is None) == (said == "wrong")


@pytest.mark.parametrize("carrier", ["threads", pytest.param("processes", marks=pytest.mark.slow)])
def test_streams_play_and_are_proved(media: MediaReference, carrier: str) -> None:
    """Both ways try one stream and more, and prove the first one's pictures."""
    job = StreamsJob(**_ASKED, media=media, carrier=carrier, duration_s=2, most=2)
    measured = playback.run_streams(job, time.perf_counter_ns).measurement
    assert {level.players for level in measured.levels} == {1, 2}
    assert set(measured.proof) == {"right"}


def test_a_refused_decoder_ends_the_search(
    media: MediaReference, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a third decoder cannot be opened, three streams do not play, and it is told so."""

    def play_all(_job, party):
        if party.count > 2:
            raise EngineError(where="decoder", what="no session is left", remedy="Use fewer.")
        return [(Level(1, 48, 0, 0), ("right",))] * party.count, 0

    monkeypatch.setattr(playback, "_play_all", play_all)
    job = StreamsJob(**_ASKED, media=media, carrier="threads", duration_s=2, most=8)
    measured = playback.run_streams(job, time.perf_counter_ns).measurement
    assert streams_played(Seen(measured, None)) == 2
    assert Level(3, 0, 0, 0) in measured.levels
