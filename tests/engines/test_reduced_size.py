"""Players that decode to a smaller picture: of proved decoders alone, by an index of their own."""

from collections import Counter
from pathlib import Path

import pytest
from pydantic import ValidationError

from fixtures.clip_zoo import HEIGHT_PX, WIDTH_PX, ZOO, intermediate, make_zoo_clip
from fixtures.scrubbed import indexed, scrubbed
from mezzmark.engines.play.player import Player
from mezzmark.model.errors import EngineError
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.decode import DecodeSettings
from mezzmark.model.tasks.scrub import ScrubMeasurement, ScrubSettings
from mezzmark.report.prose.terms import player_words

KINDS = ZOO | {"jpeg2000-mov": intermediate("jpeg2000", "mov", "yuv422p10le")}


def play(kind: str, name: str, folder: Path, player: type[Player] = Player) -> ScrubMeasurement:
    media = indexed(make_zoo_clip(KINDS[kind], folder, frame_count=12))
    asked = {"policy": "roll", "thread_count": 2, "player": PLAYERS[name]}
    return scrubbed(media, [(5 * n) % 12 for n in range(12)], player, **asked)


@pytest.mark.parametrize(
    ("kind", "name", "part"),
    [
        ("mjpeg-avi", "quarter-size", 4),
        ("jpeg2000-mov", "quarter-size", 4),
        ("jpeg2000-mov", "half-size", 2),
    ],
)
def test_every_smaller_picture_is_proved(kind: str, name: str, part: int, tmp_path: Path) -> None:
    """All twelve are right by digests of their own, and of the size that is said; the neighbour
    in their place is wrong, and a second trial reads the index that the first one kept."""

    class Watched(Player):
        shift = 0

        def move(self, frame_index, clock_ns):
            move = super().move((frame_index + self.shift) % 12, clock_ns)
            assert (move.picture.width, move.picture.height) == (
                WIDTH_PX // part,
                HEIGHT_PX // part,
            )
            return move

    found = play(kind, name, tmp_path, Watched)
    assert Counter(found.proof) == Counter(found.view_proof) == {"right": 12}
    (kept,) = tmp_path.glob("index.lowres-*.json")
    made_ns = kept.stat().st_mtime_ns
    Watched.shift = 1
    assert Counter(play(kind, name, tmp_path, Watched).proof) == {"wrong": 12}
    assert kept.stat().st_mtime_ns == made_ns


@pytest.mark.parametrize(
    ("kind", "name"),
    [("ffv1-mkv", "quarter-size"), ("avc-mp4", "half-size"), ("mjpeg-avi", "half-size")],
)
def test_what_was_not_proved_is_refused(kind: str, name: str, tmp_path: Path) -> None:
    """FFV1 takes the option and gives garbage of the size asked for; AVC ignores it."""
    with pytest.raises(EngineError, match="no smaller picture"):
        play(kind, name, tmp_path)


def test_a_smaller_picture_is_never_set_against_the_whole_one() -> None:
    """It may not be named the best player nor tell a decode speed, and says that it is another
    picture."""
    with pytest.raises(ValidationError):
        ScrubSettings(pilot_players=("slice", "quarter-size"))
    with pytest.raises(ValidationError):
        DecodeSettings(players=("quarter-size",))
    assert "smaller picture" in player_words("quarter-size")
    assert "smaller" not in player_words("slice")
