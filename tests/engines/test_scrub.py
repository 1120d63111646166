"""The scrub task: what it records, and that wrong players and wrong pictures are caught."""

import gc
import time
from collections import Counter
from dataclasses import replace
from itertools import count
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from fixtures.scrubbed import indexed, scrub_job
from mezzmark.engines.media.conversion import presenter, read_pictures
from mezzmark.engines.media.frame_index import (
    build_frame_index,
    read_frame_index,
    write_frame_index,
)
from mezzmark.engines.media.pixels import frame_from_planes
from mezzmark.engines.media.probe import probe_media
from mezzmark.engines.play import proof
from mezzmark.engines.play.player import Move, Player
from mezzmark.engines.play.proof import ViewVerifier
from mezzmark.engines.play.scrub import run_scrub
from mezzmark.model.colour import FULL_RANGE
from mezzmark.model.errors import EngineError, FootageError
from mezzmark.model.footage import ColourTags
from mezzmark.model.jobs import JobFailed
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.scrub import ScrubMeasurement, proved_mask, shown_proof
from mezzmark.model.tasks.spec import MediaReference

PLANES = ((128, 235), (64, 128), (64, 128))
"""Width and code of Y, Cb and Cr of white in limited range."""

REQUESTS = tuple((0, frame) for frame in (5, 30, 30, 31, 2, 47, 0, 13, 12, 40))


@pytest.fixture(scope="module", params=["avc-mp4", "rdd36-mov"])
def media(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> MediaReference:
    """A long-GOP and an intra clip, indexed."""
    return indexed(make_zoo_clip(ZOO[request.param], tmp_path_factory.mktemp("media")))


@pytest.fixture(scope="module")
def long_gop(tmp_path_factory: pytest.TempPathFactory) -> MediaReference:
    """Key frames at 0, 12, 24 and 36; B frames between."""
    return indexed(make_zoo_clip(ZOO["avc-mp4"], tmp_path_factory.mktemp("long")))


class OffByOne(Player):
    """Shows the picture after the one asked for."""

    def move(self, frame_index, clock_ns) -> Move:
        return super().move(min(frame_index + 1, FRAME_COUNT - 1), clock_ns)


class Lagging(Player):
    """Shows the picture of the request before."""

    before = 0

    def move(self, frame_index, clock_ns) -> Move:
        before, self.before = self.before, frame_index
        return super().move(before, clock_ns)


class Nearest(Player):
    """Shows the key frame of the group, as a careless seek does."""

    def move(self, frame_index, clock_ns) -> Move:
        return super().move(frame_index - frame_index % 12, clock_ns)


class BlackView(Player):
    """Decodes rightly and shows black."""

    def move(self, frame_index, clock_ns) -> Move:
        move = super().move(frame_index, clock_ns)
        view = av.VideoFrame.from_ndarray(np.zeros_like(move.view.to_ndarray()), format="rgb24")
        return replace(move, view=view)


class StaleView(Player):
    """Decodes rightly and shows the view of the move before."""

    before = None

    def move(self, frame_index, clock_ns) -> Move:
        move = super().move(frame_index, clock_ns)
        before, self.before = self.before or move.view, move.view
        return replace(move, view=before)


class NoView(Player):
    """Decodes rightly and shows nothing."""

    def move(self, frame_index, clock_ns) -> Move:
        return replace(super().move(frame_index, clock_ns), view=None)


@pytest.mark.parametrize(("player", "said"), [(BlackView, "wrong"), (NoView, "missing")])
def test_planted_black_and_absent_views_are_caught(
    media: MediaReference, player: type, said: str
) -> None:
    """Right pictures of which no right view was made: every move is told so, none is proved."""
    measured = _run(media, player=player)
    assert set(measured.proof) == {"right"}
    assert set(measured.view_proof) == set(shown_proof(measured)) == {said}
    assert not proved_mask(measured).any()
    assert set(_run(media).view_proof) == {"right"}


def test_a_view_proved_once_is_known_to_later_trials(
    media: MediaReference, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its digest is enough: of frames seen before, nothing is converted for the proof, nor written
    again."""
    _run(media)
    monkeypatch.setattr(proof, "replace_whole", lambda *_: pytest.fail("written again"))
    monkeypatch.setattr(proof, "_colours", lambda *_: pytest.fail("converted again"))
    assert set(_run(media).view_proof) == {"right"}


@pytest.mark.parametrize("is_known", [False, True])
def test_planted_stale_view_is_caught(media: MediaReference, is_known: bool) -> None:
    """A view one move late is wrong at every move but the first and where the same frame is asked
    for again (frame 30), be it of the neighbouring frame (31); whether views are known or not."""
    for kept in Path(media.index_path).parent.glob("*.views-*"):
        kept.unlink()
    if is_known:
        _run(media)
    measured = _run(media, player=StaleView)
    assert [n for n, said in enumerate(measured.view_proof) if said == "right"] == [0, 2]
    assert proved_mask(measured).tolist() == [said == "right" for said in measured.view_proof]


def test_a_view_of_other_colours_is_caught_though_both_conversions_agree(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the player's conversion and the one it is held against take limited range for full,
    the standards' equations tell."""
    path = tmp_path / "colour.nut"
    with av.open(str(path), "w") as container:
        track = container.add_stream("rawvideo", rate=25)
        track.width, track.height, track.pix_fmt = 128, 64, "yuv422p"
        planes = [np.full((64, width), code, np.uint8) for width, code in PLANES]
        for pts in range(2):
            frame = frame_from_planes(tuple(planes), "yuv422p")
            frame.pts = pts
            container.mux(track.encode(frame))
    media = MediaReference(media_path=str(path), index_path=str(tmp_path / "index.json"))
    verifier = ViewVerifier(media, 2, 64)
    (picture, _) = read_pictures(path, build_frame_index(path), thread_count=1)
    facts = probe_media(path)
    false = facts.model_copy(update={"tags": ColourTags(colour_range=FULL_RANGE)})
    for facts_taken, is_right in ((facts, True), (false, False)):
        present = presenter(facts_taken, height_px=64, thread_count=1)
        monkeypatch.setattr(verifier, "_expected", present)
        assert verifier.is_view_of(present(picture), picture, -1) == is_right


def test_planted_off_by_one_player_is_caught(media: MediaReference) -> None:
    """A player one frame late is wrong at every move but the last frame's, and named so."""
    measured = _run(media, player=OffByOne)
    late = [min(frame + 1, FRAME_COUNT - 1) for _, frame in REQUESTS]
    assert list(measured.shown_frame) == late
    assert [p == "right" for p in measured.proof] == [f == 47 for _, f in REQUESTS]


def test_planted_off_by_one_is_caught_without_stamps(media: MediaReference, tmp_path: Path) -> None:
    """In a clip without stamps the digest alone catches the same player."""
    index = read_frame_index(media.index_path).model_copy(
        update={"is_stamped": False, "stamps": (-1,) * FRAME_COUNT}
    )
    write_frame_index(index, tmp_path / "index.json")
    plain = media.model_copy(update={"index_path": str(tmp_path / "index.json")})
    assert Counter(_run(plain).proof) == {"right": len(REQUESTS)}
    assert Counter(_run(plain, player=OffByOne).proof)["wrong"] == len(REQUESTS) - 1


@pytest.mark.parametrize("player", [Lagging, Nearest])
def test_stale_and_key_frame_players_are_caught(media: MediaReference, player: type) -> None:
    """A player that shows the picture before, or only key frames, is caught where it errs."""
    measured = _run(media, player=player)
    for asked, shown, said in zip(REQUESTS, measured.shown_frame, measured.proof, strict=True):
        assert (said == "right") == (shown == asked[1])
    assert Counter(measured.proof)["wrong"] >= 5


def test_frames_that_look_alike_are_counted_apart(media: MediaReference, tmp_path: Path) -> None:
    """Where another frame has the same picture and no stamp tells, the proof says alike."""
    index = read_frame_index(media.index_path)
    digests = list(index.digests)
    digests[7] = digests[30]
    twin = index.model_copy(update={"digests": tuple(digests), "is_stamped": False})
    write_frame_index(twin, tmp_path / "index.json")
    plain = media.model_copy(update={"index_path": str(tmp_path / "index.json")})
    proofs = _run(plain).proof
    assert [p for (_, f), p in zip(REQUESTS, proofs, strict=True) if f == 30] == ["alike"] * 2
    assert Counter(proofs) == {"alike": 2, "right": len(REQUESTS) - 2}


def test_spans_and_overhead_come_from_the_clock_alone(media: MediaReference) -> None:
    """With a clock that ticks once a reading, each span is one tick and overhead two: the
    readings before and after the move."""
    ticks = count()
    measured = _run(media, clock=lambda: next(ticks))
    moves = len(REQUESTS)
    assert measured.locate_ns == measured.decode_ns == measured.present_ns == (1,) * moves
    assert measured.overhead_ns == (2,) * moves
    assert measured.open_ns == (1,)


def test_roll_decodes_fewer_pictures_than_reseek(long_gop: MediaReference) -> None:
    """Stepping through two groups of twelve: roll decodes each picture once, reseek each from
    its key frame (1 + 2 + … + 12 a group); the same frame again costs roll nothing."""
    steps = tuple((0, frame) for frame in range(24))
    assert sum(_run(long_gop, requests=steps, policy="roll").decoded_frames) == 24
    assert sum(_run(long_gop, requests=steps, policy="reseek").decoded_frames) == 2 * 78
    again = _run(long_gop, requests=((0, 20), (0, 20)), policy="roll")
    assert again.decoded_frames[1] == 0
    assert again.proof == ("right", "right")


def test_roll_seeks_when_the_target_lies_in_another_group(long_gop: MediaReference) -> None:
    """From frame 3 to frame 40 a player that rolls starts at the key frame 36: 5 pictures."""
    measured = _run(long_gop, requests=((0, 3), (0, 40)), policy="roll")
    assert measured.decoded_frames == (4, 5)


@pytest.mark.parametrize("kind", ["avc-mp4", "mpeg2-mxf-long-gop", "hevc-mkv-closed-gop"])
def test_skipping_leaves_out_pictures_on_the_way_and_none_that_is_shown(
    kind: str, tmp_path: Path
) -> None:
    """Two B frames between others, one or both referred to by none: a part of the way to every
    frame is left out, and each frame comes right, be it such a B frame, sought or rolled on to."""
    media = indexed(make_zoo_clip(ZOO[kind], tmp_path))
    frames = [*range(FRAME_COUNT), *range(11, 48, 5), *range(46, 0, -3)]
    requests = tuple((0, frame) for frame in frames)
    plain = _run(media, requests=requests, policy="reseek")
    skipping = _run(media, requests=requests, policy="reseek", name="slice-skipping")
    assert sum(skipping.decoded_frames) < 0.85 * sum(plain.decoded_frames)
    rolling = _run(media, requests=requests, policy="roll", name="slice-skipping")
    for measured in (plain, skipping, rolling):
        assert set(measured.proof) == set(measured.view_proof) == {"right"}
        assert list(measured.shown_frame) == frames


@pytest.mark.parametrize("kind", ["avc-ts", "mpeg2-ts-long-gop", "avc-mp4-no-edit-list"])
def test_a_seek_that_lands_elsewhere_costs_no_needless_pictures(kind: str, tmp_path: Path) -> None:
    """Where the container lands before or after the key frame, decoding still starts at it: as
    many pictures as from the key frame to the one asked for."""
    media = indexed(make_zoo_clip(ZOO[kind], tmp_path))
    keys = [n for n, key in enumerate(read_frame_index(media.index_path).is_keyframe) if key]
    measured = _run(media, policy="reseek")
    from_key = [frame - max(k for k in keys if k <= frame) + 1 for _, frame in REQUESTS]
    assert list(measured.decoded_frames) == from_key


def test_read_bytes_cover_the_packets_read(long_gop: MediaReference) -> None:
    """A move to the end of a group reads at least its packets, and no move reads nothing unless
    it shows the held picture."""
    index = read_frame_index(long_gop.index_path)
    file_bytes = Path(long_gop.media_path).stat().st_size
    measured = _run(long_gop, requests=((0, 23), (0, 23)), policy="roll")
    # Up to one read buffer may be left over from opening the file.
    assert measured.read_bytes[0] > sum(index.packet_bytes[12:24]) - 65536
    assert measured.read_bytes[0] <= 2 * file_bytes
    assert measured.read_bytes[1] == 0


def test_hop_between_clips_keeps_both_open(long_gop: MediaReference, tmp_path: Path) -> None:
    """Requests name their clip; each opens once, and all pictures are right."""
    other = indexed(make_zoo_clip(ZOO["vc3-mxf"], tmp_path))
    requests = tuple((n % 2, (7 * n) % FRAME_COUNT) for n in range(12))
    job = scrub_job(long_gop, (), policy="roll").model_copy(
        update={"media": (long_gop, other), "requests": requests}
    )
    measured = run_scrub(job, time.perf_counter_ns).measurement
    assert isinstance(measured, ScrubMeasurement)
    assert measured.clip_position == (0, 1) * 6
    assert len(measured.open_ns) == 2
    assert set(measured.proof) == {"right"}


def test_no_garbage_is_collected_while_moves_are_timed(media: MediaReference) -> None:
    """The collector is off during moves and on again afterwards."""
    states = []

    class Watching(Player):
        def move(self, frame_index, clock_ns) -> Move:
            states.append(gc.isenabled())
            return super().move(frame_index, clock_ns)

    assert gc.isenabled()
    _run(media, player=Watching)
    assert states == [False] * len(REQUESTS)
    assert gc.isenabled()


def test_file_that_changed_since_it_was_indexed_is_refused(tmp_path: Path) -> None:
    """A file of another size than the index knows gives one clear error."""
    media = indexed(make_zoo_clip(ZOO["avc-mp4"], tmp_path))
    with Path(media.media_path).open("ab") as stream:
        stream.write(b"\0")
    with pytest.raises(FootageError, match="when it was indexed"):
        _run(media)
    Path(media.media_path).unlink()
    with pytest.raises(FootageError, match="has gone"):
        _run(media)


def test_torn_index_is_one_clear_error(tmp_path: Path) -> None:
    """A truncated index says what it is and that it can be made anew."""
    media = indexed(make_zoo_clip(ZOO["avc-mp4"], tmp_path))
    text = Path(media.index_path).read_bytes()
    Path(media.index_path).write_bytes(text[: len(text) // 2])
    with pytest.raises(FootageError, match="made anew"):
        _run(media)


def test_decoder_without_its_device_is_an_engine_error(tmp_path: Path) -> None:
    """No codec of this kind is decoded by graphics cards, so asking for that names the remedy."""
    media = indexed(make_zoo_clip(ZOO["ffv1-mkv"], tmp_path))
    job = scrub_job(media, (0,), player=PLAYERS["cuda"])
    with pytest.raises(EngineError, match=r'players = \["slice"\]') as refused:
        run_scrub(job, time.perf_counter_ns)
    assert JobFailed.by(refused.value).flags == ("no_decoder",)


def _run(
    media: MediaReference,
    *,
    requests=REQUESTS,
    policy: str = "roll",
    player: type[Player] = Player,
    clock=time.perf_counter_ns,
    name: str = "slice",
) -> ScrubMeasurement:
    frames = [frame for _, frame in requests]
    job = scrub_job(media, frames, policy=policy, player=PLAYERS[name])
    measured = run_scrub(job, clock, player).measurement
    assert isinstance(measured, ScrubMeasurement)
    return measured
