"""The promise itself: no wrong picture in any encoding × container × pattern × threads.

Each entry of the catalogue is made through the real chain (source → preparation → index → player)
in every container it is legal in and every pixel format it offers.
"""

import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.clip_zoo import stamped_frames
from mezzmark.engines.encode.encoded_file import prepare_encoding
from mezzmark.engines.encode.encoders import probe_encoding
from mezzmark.engines.media.frame_index import (
    build_frame_index,
    read_frame_index,
    write_frame_index,
)
from mezzmark.engines.play.player import Move, Player
from mezzmark.engines.play.scrub import run_scrub
from mezzmark.model.catalogue.core import ENTRIES, find_encoding, resolve_custom
from mezzmark.model.encoding import CatalogueEntry, CustomEncoding, Encoding
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import PrepareEncodingJob
from mezzmark.model.tasks.patterns import PATTERNS, Requests, plan_requests
from mezzmark.model.tasks.scrub import ScrubJob, ScrubMeasurement, ScrubSettings
from mezzmark.model.tasks.spec import MediaReference

SMALL = (256, 128)
"""Legal for every encoding without sizes of its own."""

SMALLER = (192, 112)
"""For JPEG 2000, which is slow and has no smallest size to mind."""

FRAME_COUNT = 11
GROUP = 5
"""Key frames of the long-GOP encodings: more than one group, the last one short."""

EVERY = tuple(
    (policy, thread_count, player)
    for policy in ("reseek", "roll")
    for thread_count, player in ((1, "slice"), (2, "slice"), (2, "frame"))
)
FEW = (("reseek", 1, "slice"), ("roll", 2, "frame"))
ONE = (("roll", 2, "slice"),)


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[int, int], MediaReference]:
    """Stamped lossless sources by picture size, made as they are asked for."""
    return _Sources(tmp_path_factory.mktemp("sources"))


class _Sources(dict):
    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __missing__(self, size: tuple[int, int]) -> MediaReference:
        path = self._folder / f"{size[0]}.avi"
        with av.open(str(path), "w") as container:
            track = container.add_stream("huffyuv", rate=25)
            track.width, track.height, track.pix_fmt = *size, "yuv422p"
            for frame in stamped_frames(FRAME_COUNT, "yuv422p", size):
                container.mux(track.encode(frame))
            container.mux(track.encode(None))
        index_path = self._folder / f"{size[0]}.json"
        write_frame_index(build_frame_index(path), index_path)
        self[size] = MediaReference(media_path=str(path), index_path=str(index_path))
        return self[size]


SHOWN_BY_ANOTHER = {
    "vc3-lb", "vc3-hq", "vc3-hd-45", "vc3-hd-220", "vc3-hd-220x", "rdd36-proxy", "rdd36-standard",
    "rdd36-hq", "rdd36-4444xq", "rdd36-proxy-fast", "rdd36-standard-fast", "rdd36-hq-fast",
    "rdd36-4444-fast", "rdd36-4444xq-fast", "vc5-draft", "vc5-fine", "vc5-finest", "mjpeg-good",
    "mjpeg-draft", "jpeg2000-good", "jpeg2000-lossless", "mpeg2-intra-50", "avc-intra-fast",
    "av1-intra", "avc-intra-100", "hevc-intra-12", "png-16", "rdd36-4444-alpha",
    "rdd36-4444-fast-alpha", "vc5-good-alpha", "ffv1-alpha",
}  # fmt: skip
"""The same codec in another profile or quality: one decoder, one way of seeking."""

WHOLE = [entry for entry in ENTRIES if not find_encoding(entry.name).is_scaled]


@pytest.mark.parametrize(
    ("entry", "are_all"),
    [pytest.param(e, False, id=e.name) for e in WHOLE if e.name not in SHOWN_BY_ANOTHER]
    + [pytest.param(e, True, id=f"{e.name}-all", marks=pytest.mark.slow) for e in WHOLE],
)
def test_no_move_shows_a_wrong_picture(
    entry: CatalogueEntry,
    are_all: bool,
    sources: dict[tuple[int, int], MediaReference],
    tmp_path: Path,
) -> None:
    """In the usual container all patterns, policies and threadings, in each further one, and from
    clip to clip, every policy (slowly all), in each further pixel format one: every picture is the
    one asked for, by digest and by stamp."""
    if fault := probe_encoding(find_encoding(entry.name)):
        pytest.skip(f"this FFmpeg has no working {entry.encoder}: {fault.words}")
    size = _size(entry)
    source = sources[size]
    is_slow = size[0] > SMALL[0] or entry.codec == "JPEG 2000"
    requests = _requests(count=1 if is_slow else 2 + are_all)
    by_container = []
    for encoding in _combinations(entry):
        media = _prepared(encoding, source, tmp_path)
        index = read_frame_index(media.index_path)
        assert index.stamps == tuple(range(FRAME_COUNT))
        assert all(index.is_keyframe) == (entry.keyframe_interval == 1)
        is_usual_format = encoding.pixel_format == entry.pixel_formats[0]
        if is_usual_format:
            by_container.append(media)
        usual = EVERY if len(by_container) == 1 or are_all else FEW
        for setting in usual if is_usual_format else ONE:
            _assert_all_right((media,), requests, setting)
    twice = (by_container[0], by_container[-1])
    for setting in EVERY if are_all else FEW:
        _assert_all_right(twice, _hops(), setting)


def test_planted_wrong_player_would_not_pass(
    sources: dict[tuple[int, int], MediaReference],
) -> None:
    """The same check, given a player that is one frame late, fails."""

    class Late(Player):
        def move(self, frame_index, clock_ns) -> Move:
            return super().move((frame_index + 1) % FRAME_COUNT, clock_ns)

    media = (sources[SMALL],)
    _assert_all_right(media, _requests(), ONE[0])
    with pytest.raises(AssertionError):
        _assert_all_right(media, _requests(), ONE[0], player=Late)


def _size(entry: CatalogueEntry) -> tuple[int, int]:
    """The smallest picture that the entry holds and that has room for a stamp."""
    if entry.frame_sizes:
        return min(entry.frame_sizes)
    if entry.smallest_size[0] > SMALL[0]:
        return entry.smallest_size
    return SMALLER if entry.codec == "JPEG 2000" else SMALL


def _combinations(entry: CatalogueEntry) -> Iterator[Encoding]:
    """The usual pixel format in every container, then the others in the usual container."""
    usual_container, usual_format = entry.containers[0], entry.pixel_formats[0]
    pairs = [(container, usual_format) for container in entry.containers]
    pairs += [(usual_container, pixel_format) for pixel_format in entry.pixel_formats[1:]]
    for container, pixel_format in pairs:
        yield resolve_custom(
            CustomEncoding(
                name=f"{entry.name} {container} {pixel_format}",
                codec=entry.codec,
                profile=entry.profile,
                container=container,
                pixel_format=pixel_format,
                keyframe_interval=GROUP if entry.keyframe_interval > 1 else None,
            )
        )


def _prepared(encoding: Encoding, source: MediaReference, folder: Path) -> MediaReference:
    job = PrepareEncodingJob(
        source=source, encoding=encoding, thread_count=2, cache_dir=str(folder)
    )
    return prepare_encoding(job, lambda _message, _share: None).media


def _requests(count: int = 3) -> Requests:
    """A few requests of every pattern that stays in one clip."""
    settings = ScrubSettings(requests=count, near_median_frames=3, sweep_speed=3)
    rng = np.random.default_rng(23)
    planned = [
        plan_requests(pattern, clips=[(0, FRAME_COUNT)], settings=settings, rng=rng)
        for pattern in PATTERNS
        if pattern != "hop"
    ]
    return tuple(request for requests in planned for request in requests)


def _hops() -> Requests:
    """Requests that go to and fro between two clips."""
    return plan_requests(
        "hop",
        clips=[(0, FRAME_COUNT)] * 2,
        settings=ScrubSettings(requests=8),
        rng=np.random.default_rng(29),
    )


def _assert_all_right(
    media: tuple[MediaReference, ...],
    requests: Requests,
    setting: tuple[str, int, str],
    player: type[Player] = Player,
) -> None:
    policy, thread_count, name = setting
    job = ScrubJob(
        media=media,
        requests=requests,
        policy=policy,
        thread_count=thread_count,
        player=PLAYERS[name],
        viewer_height_px=64,
    )
    measured = run_scrub(job, time.perf_counter_ns, player).measurement
    assert isinstance(measured, ScrubMeasurement)
    where = f"{Path(media[0].media_path).name} {setting}"
    assert Counter(measured.proof) == {"right": len(requests)}, where
    assert list(measured.shown_frame) == [frame for _, frame in requests], where
