"""Players: the ways in which a file is decoded while the playhead moves."""

from typing import Final, Literal

from mezzmark.model.fact import Fact

Threading = Literal["slice", "frame", "auto"]
"""How the decoder spreads work: within a picture, over several pictures, or its own choice."""

Device = str
"""A hardware decoder by FFmpeg's name of its device; what is there is known once it is opened."""


class Player(Fact):
    """A way to decode. `threads` is None where the cell says how many; `device` is None for
    software; `lowres` halves the decoded size that many times; `skips_nonreference` leaves out
    pictures that nothing refers to on the way to the one asked for."""

    name: str
    threading: Threading = "slice"
    threads: int | None = None
    device: Device | None = None
    skips_nonreference: bool = False
    lowres: int = 0


PLAYERS: Final[dict[str, Player]] = {
    player.name: player
    for player in (
        Player(name="slice"),
        Player(name="frame", threading="frame"),
        Player(name="auto", threading="auto"),
        Player(name="cuda", device="cuda"),
        *(Player(name=device, device=device) for device in ("vaapi", "videotoolbox", "d3d11va")),
        Player(name="cuda-frame", threading="frame", device="cuda"),
        Player(name="cuda-auto", threading="auto", device="cuda"),
        Player(name="frame-2", threading="frame", threads=2),
        Player(name="frame-4", threading="frame", threads=4),
        Player(name="frame-8", threading="frame", threads=8),
        Player(name="slice-skipping", skips_nonreference=True),
        Player(name="frame-skipping", threading="frame", skips_nonreference=True),
        Player(name="cuda-skipping", device="cuda", skips_nonreference=True),
        Player(name="half-size", lowres=1),
        Player(name="quarter-size", lowres=2),
    )
}
"""Every player by its name; `slice` is what the first format knew as software decoding. Of two that
the older keys cannot tell apart, the plain one comes first."""

FULL_SIZE: Final = {name: player for name, player in PLAYERS.items() if not player.lowres}
"""Those whose pictures may be compared: the others bring another, smaller picture."""

BEST: Final = "best"
"""In place of a player: the one that pilot trials name for each encoding of a clip."""


def find_player(threading: str, decoder: str) -> Player:
    """The player that spreads work like this on this decoder (`software` or a device)."""
    device = None if decoder == "software" else decoder
    for player in PLAYERS.values():
        if (player.threading, player.device) == (threading, device):
            return player
    raise ValueError(f"no player has threading {threading} and decoder {decoder}")
