"""Every awkward kind of clip, played by every policy and threading: zero wrong pictures."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from av.codec.context import ThreadType

from fixtures.clip_zoo import (
    FRAME_COUNT,
    HEIGHT_PX,
    WIDTH_PX,
    ZOO,
    make_zoo_clip,
    stamped_frames,
    uneven_time,
)
from fixtures.scrubbed import indexed, scrubbed
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.probe import open_container, spread_decoding
from mezzmark.engines.play.player import Move, Player
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.patterns import plan_requests
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.model.tasks.spec import MediaReference

PATTERNS: tuple[str, ...] = (
    "jump",
    "near",
    "step-forward",
    "step-back",
    "sweep-forward",
    "sweep-back",
)
SETTINGS = [("reseek", 2, "slice"), ("roll", 2, "frame"), ("reseek", 2, "frame-skipping")]
SLOW = [("roll", 2, "slice"), ("reseek", 2, "frame"), ("reseek", 1, "slice"), ("roll", 1, "slice")]
SETTINGS += [pytest.param(*setting, marks=pytest.mark.slow) for setting in SLOW]
VIEW_HEIGHT_PX = 90
VIEW_WIDTH_PX = 160


@pytest.fixture(scope="module")
def source_views() -> np.ndarray:
    """What the test drew, as small grey pictures: (frame, line, sample)."""
    return np.stack([_grey(frame) for frame in stamped_frames(FRAME_COUNT, "yuv420p")])


@pytest.fixture(scope="module", params=ZOO)
def clip(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, MediaReference]:
    """One clip of the zoo, made and indexed."""
    folder = tmp_path_factory.mktemp(request.param)
    return request.param, indexed(make_zoo_clip(ZOO[request.param], folder))


def test_index_holds_what_the_test_drew(clip: tuple[str, MediaReference]) -> None:
    """The index has every frame once, in display order, at the times the test gave them."""
    name, media = clip
    index = read_frame_index(media.index_path)
    assert index.is_stamped
    assert index.stamps == tuple(range(FRAME_COUNT))
    assert len(set(index.digests)) == FRAME_COUNT
    assert sum(index.packet_bytes) <= Path(media.media_path).stat().st_size
    drawn_s = [
        float(uneven_time(n) / 24000 if "uneven" in name else n * 1001 / 24000)
        for n in range(FRAME_COUNT)
    ]
    shown_s = [float((pts - index.pts[0]) * index.time_base) for pts in index.pts]
    assert shown_s == pytest.approx(drawn_s, abs=1e-3)  # MKV rounds to 1 ms


@pytest.mark.parametrize(("policy", "thread_count", "player"), SETTINGS)
def test_no_move_shows_a_wrong_picture(
    clip: tuple[str, MediaReference],
    source_views: np.ndarray,
    policy: str,
    thread_count: int,
    player: str,
) -> None:
    """Each move of each pattern brings the very frame asked for, by stamp, by digest, and by
    comparing the view with every picture that the test drew."""
    rng = np.random.default_rng(11)
    requests = sum(
        (
            plan_requests(
                pattern, clips=[(0, FRAME_COUNT)], settings=ScrubSettings(requests=4), rng=rng
            )
            for pattern in PATTERNS
        ),
        ((0, 0), (0, FRAME_COUNT - 1), (0, FRAME_COUNT - 1), (0, 0)),
    )
    seen: list[int] = []

    class Witnessed(Player):
        def move(self, frame_index, clock_ns) -> Move:
            move = super().move(frame_index, clock_ns)
            assert move.view is not None
            assert (move.view.width, move.view.height) == (VIEW_WIDTH_PX, VIEW_HEIGHT_PX)
            view = _sparse(move.view)
            seen.append(int(np.abs(source_views - view).mean(axis=(1, 2)).argmin()))
            return move

    asked = [frame for _, frame in requests]
    how = {"policy": policy, "thread_count": thread_count, "player": PLAYERS[player]}
    measured = scrubbed(clip[1], asked, Witnessed, viewer_height_px=VIEW_HEIGHT_PX, **how)
    assert Counter(measured.proof) == Counter(measured.view_proof) == {"right": len(requests)}
    assert list(measured.shown_frame) == asked
    assert seen == asked


@pytest.mark.parametrize(("kind", "is_safe"), [("v210-mov", False), ("rdd36-mov", True)])
def test_threads_within_a_picture_are_not_used_where_they_are_unsafe(
    kind: str, is_safe: bool, tmp_path: Path
) -> None:
    """v210 decodes several pictures at once instead, whoever asks."""
    with open_container(make_zoo_clip(ZOO[kind], tmp_path, frame_count=2)) as container:
        track = container.streams.video[0]
        spread_decoding(track, "slice", 2)
        assert (track.codec_context.thread_type == ThreadType.SLICE) == is_safe
        assert (track.codec_context.thread_type == ThreadType.FRAME) != is_safe


def _grey(frame) -> np.ndarray:
    assert (frame.width, frame.height) == (WIDTH_PX, HEIGHT_PX)
    small = frame.reformat(width=VIEW_WIDTH_PX, height=VIEW_HEIGHT_PX, format="rgb24")
    return _sparse(small)


def _sparse(view) -> np.ndarray:
    """Every third sample each way of the green channel: enough to tell frames apart."""
    return view.to_ndarray()[::3, ::3, 1].astype(np.int16)
