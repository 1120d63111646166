"""Dragging a real file: what is recorded, and that players which show other pictures are caught."""

import time
from pathlib import Path

import numpy as np
import pytest

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from mezzmark.engines.media.frame_index import build_frame_index, write_frame_index
from mezzmark.engines.play.drag import HandLoop, run_drag
from mezzmark.engines.play.open_loop import OpenLoopPlayer
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.drag import DragJob, DragMeasurement, view_drag
from mezzmark.model.tasks.hand import Stroke, rebuild_screen
from mezzmark.model.tasks.spec import MediaReference

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
    write_frame_index(index, folder / "index.json")
    return MediaReference(media_path=str(path), index_path=str(folder / "index.json"))


def _run(media: MediaReference, service: str = "latest", player=OpenLoopPlayer):
    job = DragJob(
        media=media,
        player=PLAYERS["slice"],
        thread_count=1,
        viewer_height_px=90,
        refresh_hz=60,
        seed=3,
        service=service,
        strokes=STROKES,
    )
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
    assert list(measured.done_ns) == sorted(measured.done_ns)
    screen = measured.screen
    assert screen.shown[-1] == 9
    assert view_drag(measured, None)["to_exact_ms"] < 500
    if service != "follow":
        wanted = screen.wanted.tolist()
        asked = [wanted[request] for request in measured.request]
        assert asked == list(measured.frame_index)


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
    assert view_drag(measured, None) is None


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
