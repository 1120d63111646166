"""Scrubbing: closed-loop moves, each timed and proved. Long because a task is one module."""

from collections import ChainMap, Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, product
from operator import ne
from typing import Annotated, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from mezzmark.model.cell import ALL_CLIPS, Cell, PlannedTrial, Setting
from mezzmark.model.fact import MAX_WHOLE, Amount, Fact, NameIn, Whole, same_length
from mezzmark.model.link import Link, ReadSettings
from mezzmark.model.players import BEST, FULL_SIZE, PLAYERS, Player, find_player
from mezzmark.model.tasks import spec
from mezzmark.model.tasks.patterns import PATTERNS, groups_of, plan_requests
from mezzmark.statistics.quantiles import sorted_quantile

PatternName = Annotated[str, NameIn(PATTERNS)]
FullSizePlayer = Annotated[str, NameIn(FULL_SIZE)]
PlayerChoice = Annotated[str, NameIn(ChainMap(PLAYERS, {BEST: Player(name=BEST)}))]
ViewHeight = Annotated[int, Field(ge=64, le=4320, multiple_of=2)]

PILOT_MOVES: Final = 8
"""Moves of a pilot trial at most: what it costs must stay small beside what it chooses for."""

Policy = Literal["reseek", "roll"]
"""`reseek` always seeks; `roll` keeps decoding when the target lies ahead in the same group."""

Proof = Literal["right", "alike", "wrong", "unreadable", "missing"]
"""What is known of the picture a playhead move brought:

right       stamp and/or digest say it is the frame asked for
alike       its digest fits, but another frame of the clip looks exactly the same
wrong       it is another frame, or the right one damaged
unreadable  neither stamp nor digest could decide
missing     no picture came
"""

PROVED: Final = ("right", "alike")
"""Only a picture known to be the one asked for enters a latency figure."""


class ScrubSettings(ReadSettings):
    """The scrub task: closed-loop playhead moves, each timed and proved. The older `threading` and
    `decoder` give a player. Unless `crossed`, cells differ from the first values in one axis."""

    patterns: tuple[PatternName, ...] = Field(default=("jump", "near"), min_length=1)
    requests: int = Field(default=24, ge=1, le=100_000, description="playhead moves a trial")
    policies: tuple[Policy, ...] = Field(default=("roll",), min_length=1)
    threads: tuple[spec.CountChoice, ...] = Field(default=("all",), min_length=1)
    players: tuple[PlayerChoice, ...] = Field(default=("slice",), min_length=1)
    pilot_players: tuple[FullSizePlayer, ...] = Field(default=("slice", "frame"), min_length=1)
    crossed: bool = Field(default=False, description="every value with every other")
    sweep_speed: int = Field(default=8, ge=2, le=64)
    near_median_frames: float = Field(default=12.0, gt=0, le=1_000_000)
    viewer_heights_px: tuple[ViewHeight, ...] = Field(default=(540,), min_length=1)

    @property
    def every_player(self) -> tuple[str, ...]:
        """All that play, pilots included."""
        own = (self.pilot_players if name == BEST else (name,) for name in self.players)
        return tuple(dict.fromkeys(chain.from_iterable(own)))

    @model_validator(mode="before")
    @classmethod
    def _from_older_keys(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        if "viewer_height_px" in data:
            data = {"viewer_heights_px": (data["viewer_height_px"],), **data}
            del data["viewer_height_px"]
        if not {"threading", "decoder"} & data.keys():
            return data
        older = {"threading": "slice", "decoder": "software", **data}
        player = find_player(older.pop("threading"), older.pop("decoder"))
        return {"players": (player.name,)} | older


class ScrubJob(Fact):
    """Play these requests, `blocks` sets of equal size; a request is (clip position, frame index).
    Where it `is_cold` nothing of a file lies in the file cache when a move begins.
    `injected_slowdown_fraction` makes every move take longer by that share of itself, so that a
    machine can be asked whether it would find such a change."""

    task: Literal["scrub"] = "scrub"
    media: tuple[spec.MediaReference, ...]
    requests: tuple[tuple[int, int], ...]
    policy: Policy
    thread_count: int
    player: Player
    viewer_height_px: int
    blocks: int = 1
    link: Link | None = None
    is_cold: bool = False
    injected_slowdown_fraction: float = Field(default=0.0, ge=0, le=10)


class ScrubMeasurement(Fact):
    """One trial of playhead moves; all tuples have one entry per move, in order, but `open_ns`,
    which has one per clip. Those that may be empty were not measured. A move's latency is locate +
    decode + copy (from a device to memory) + present; `wait_ns` is the part of it that waited for
    storage. `overhead_ns` is the harness's own cost beside it (proof excluded), measured and
    stored, never subtracted. `block` numbers the stratified set of requests a move belongs to,
    `resident_fraction` is the share of its file that lay in the file cache when it began, and
    `view_proof` speaks of the RGB view as `proof` does of the decoded picture."""

    task: Literal["scrub"] = "scrub"
    clip_position: tuple[Whole, ...]
    frame_index: tuple[Whole, ...]
    locate_ns: tuple[Whole, ...]
    decode_ns: tuple[Whole, ...]
    present_ns: tuple[Whole, ...]
    overhead_ns: tuple[Whole, ...]
    decoded_frames: tuple[Whole, ...]
    read_bytes: tuple[Whole, ...]
    shown_frame: tuple[Annotated[int, Field(ge=-1, le=MAX_WHOLE)], ...]
    proof: tuple[Proof, ...]
    open_ns: tuple[Whole, ...]
    copy_ns: tuple[Whole, ...] = ()
    wait_ns: tuple[Whole, ...] = ()
    block: tuple[Whole, ...] = ()
    resident_fraction: tuple[Amount, ...] = ()
    view_proof: tuple[Proof, ...] = ()

    _one_entry_per_move = same_length(
        *("proof", "clip_position", "frame_index", "locate_ns", "decode_ns", "present_ns"),
        *("overhead_ns", "decoded_frames", "read_bytes", "shown_frame"),
        or_none=("copy_ns", "wait_ns", "block", "resident_fraction", "view_proof"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ProvedMoves:
    """The moves of a trial whose pictures were proved. `ordered_ms` has four rows, each sorted:
    latency, locate, decode, present; `span_ns` sums the last three over the moves, and `wait_ms` is
    the median that waited for storage, None where nobody looked."""

    latencies_ms: NDArray[np.float64]
    ordered_ms: NDArray[np.float64]
    span_ns: tuple[int, int, int]
    wait_ms: float | None
    read_bytes: int
    open_ns: tuple[int, ...]
    process: spec.ProcessFacts | None


def first_blocks(measured: ScrubMeasurement, blocks: int) -> ScrubMeasurement:
    """The moves of the first `blocks` sets of requests alone."""
    moves = sum(block < blocks for block in measured.block)
    lists = {name: value for name, value in measured if name not in ("task", "open_ns")}
    return measured.model_copy(update={name: value[:moves] for name, value in lists.items()})


def shown_proof(measured: ScrubMeasurement) -> tuple[Proof, ...]:
    """The proof of each move: that of its picture or, where that is proved, of its view."""
    if measured.view_proof in ((), measured.proof):  # as nearly always: no look at each move
        return measured.proof
    pairs = zip(measured.proof, measured.view_proof, strict=True)
    return tuple(view if picture in PROVED else picture for picture, view in pairs)


def _is_all_proved(proofs: Sequence[Proof]) -> bool:
    return sum(proofs.count(proof) for proof in PROVED) == len(proofs)


def proved_mask(measured: ScrubMeasurement) -> NDArray[np.bool_]:
    """True for each move whose picture and view are proved to be those asked for."""
    proofs = shown_proof(measured)
    if _is_all_proved(proofs):
        return np.ones(len(proofs), dtype=np.bool_)
    return np.fromiter((proof in PROVED for proof in proofs), bool, len(proofs))


def latencies_ms(measured: ScrubMeasurement) -> NDArray[np.float64]:
    """Locate + decode + copy + present of every move, in ms; proof is not looked at here."""
    spans = [measured.locate_ns, measured.decode_ns, measured.present_ns]
    if measured.copy_ns:
        spans.append(measured.copy_ns)
    total_ns: NDArray[np.int64] = np.array(spans, dtype=np.int64).sum(axis=0)
    return total_ns / spec.NS_PER_MS


MOVES_AT_ONCE: Final = 100_000
"""Of trials with as many moves, which become one array: 10 MB at a time."""


def view_moves(seen: Sequence[spec.Seen]) -> list[ProvedMoves | None]:
    """The proved moves of each trial as arrays; None where none was proved."""
    alike: dict[tuple[int, int], list[tuple[int, list[Sequence[int]]]]] = {}
    for place, (measured, _) in enumerate(seen):
        columns = [measured.locate_ns, measured.decode_ns, measured.present_ns, measured.read_bytes]
        if measured.copy_ns:
            columns.append(measured.copy_ns)
        proofs = shown_proof(measured)
        if not _is_all_proved(proofs):
            columns = [[n for n, p in zip(c, proofs, strict=True) if p in PROVED] for c in columns]
        if len(columns[0]):
            alike.setdefault((len(columns), len(columns[0])), []).append((place, columns))
    found: list[ProvedMoves | None] = [None] * len(seen)
    for (_, move_count), mine in alike.items():
        step = max(1, MOVES_AT_ONCE // move_count)
        for at in range(0, len(mine), step):
            places, lists = zip(*mine[at : at + step], strict=True)
            made = _proved_moves([seen[place] for place in places], lists)
            for place, moves in zip(places, made, strict=True):
                found[place] = moves
    return found


def _proved_moves(
    seen: Sequence[spec.Seen], lists: Sequence[Sequence[Sequence[int]]]
) -> Iterator[ProvedMoves]:
    """Of trials with as many moves: their lists become one array, sorted once, for speed."""
    columns = np.array(lists, dtype=np.int64)  # trial × column × move
    # Bytes of many moves may pass what 64 bits hold; up to 2⁵³ a float is as exact.
    totals = columns.sum(axis=2, dtype=np.float64)
    rows_ms = np.empty((len(seen), 4, columns.shape[2]))
    latency_ns = columns[:, :3].sum(axis=1) + columns[:, 4:].sum(axis=1)
    np.divide(latency_ns, spec.NS_PER_MS, out=rows_ms[:, 0])
    np.divide(columns[:, :3], spec.NS_PER_MS, out=rows_ms[:, 1:])
    for (measured, process), total, rows, ordered in zip(
        seen, totals, rows_ms, np.sort(rows_ms, axis=2), strict=True
    ):
        yield ProvedMoves(
            latencies_ms=rows[0],
            ordered_ms=ordered,
            span_ns=(int(total[0]), int(total[1]), int(total[2])),
            wait_ms=_wait_ms(measured),
            read_bytes=int(total[3]),
            open_ns=measured.open_ns,
            process=process,
        )


def _wait_ms(measured: ScrubMeasurement) -> float | None:
    """The median of the proved moves' waits for storage."""
    if not measured.wait_ns:
        return None
    waits = np.array(measured.wait_ns)[proved_mask(measured)] / spec.NS_PER_MS
    return sorted_quantile(np.sort(waits), 0.5)


def _quantile_of(row: int, probability: float) -> Callable[[ProvedMoves], float]:
    return lambda moves: sorted_quantile(moves.ordered_ms[row], probability)


def _open_ms(moves: ProvedMoves) -> float | None:
    return sum(moves.open_ns) / len(moves.open_ns) / spec.NS_PER_MS if moves.open_ns else None


def _plan(settings: ScrubSettings, stock: spec.Stock) -> Iterator[Cell]:
    axes: dict[str, Sequence[Any]] = {
        "pattern": settings.patterns,
        "policy": settings.policies,
        "threads": stock.counts(settings.threads),
        "player": settings.players,
        "viewer_height": settings.viewer_heights_px,
        **settings.read_axes(stock),
    }
    for setting in vary_settings(axes, crossed=settings.crossed):
        pairs = stock.present(setting["root"])
        if PATTERNS[setting["pattern"]].visits_all:
            here, in_all = (Counter(n for _, n in some) for some in (pairs, stock.present()))
            pairs = [(ALL_CLIPS, n) for n in stock.encodings if 1 < here[n] == in_all[n]]
        for clip, name in pairs:
            yield Cell(task="scrub", clip=clip, encoding=name, setting=setting)


def vary_settings(axes: Mapping[str, Sequence[Any]], *, crossed: bool = False) -> Iterable[Setting]:
    """Each once: the base, and from it one axis at a time; or all of them crossed."""
    base = [next(iter(values), None) for values in axes.values()]
    found: dict[Setting, None] = {}
    for values in product(*axes.values()):
        if crossed or sum(map(ne, values, base)) <= 1:
            setting = Setting(dict(zip(axes, values, strict=True)))
            player = PLAYERS.get(setting["player"])
            if player and player.threads:  # it has a number of its own
                setting = setting.but(threads=player.threads)
            found[setting] = None
    return found


def _job(planned: PlannedTrial, settings: ScrubSettings, footage: spec.PreparedFootage) -> ScrubJob:
    """Requests depend on the trial's seed and its original clips only."""
    cell, setting = planned.cell, planned.cell.setting
    visited = footage.clips if cell.clip == ALL_CLIPS else [cell.clip]
    clips = [clip for clip in visited if (clip, cell.encoding) in footage.media]
    player = PLAYERS.get(planned.player or setting["player"], PLAYERS[settings.pilot_players[0]])
    if planned.arm == "pilot":
        settings = settings.model_copy(update={"requests": min(settings.requests, PILOT_MOVES)})
    return ScrubJob(
        media=tuple(footage.media[clip, cell.encoding] for clip in clips),
        requests=plan_requests(
            setting["pattern"],
            clips=[
                groups_of(footage.frame_counts[clip], footage.key_frames.get(clip, ()))
                for clip in clips
            ],
            settings=settings,
            rng=np.random.default_rng(planned.seed),
            blocks=planned.blocks,
        ),
        blocks=planned.blocks,
        policy=setting["policy"],
        thread_count=player.threads or setting["threads"],
        player=player,
        viewer_height_px=setting["viewer_height"],
        **settings.read_as(setting),
    )


SCRUB: Final = spec.TaskSpec(
    name="scrub",
    label="scrub latency",
    verb="scrub",
    axes=("pattern", "policy", "threads", "player", "viewer_height", "link", "cache", "root"),
    settings_model=ScrubSettings,
    job_model=ScrubJob,
    measurement_model=ScrubMeasurement,
    engine_entry="mezzmark.engines.play.scrub:run_scrub",
    plan=_plan,
    job=_job,
    view=view_moves,
    work=lambda moves: spec.Work(
        sample_count=moves.latencies_ms.size, latencies_ms=moves.latencies_ms, span_ns=moves.span_ns
    ),
    figures=(
        spec.Figure(
            "p50_ms", "ms", _quantile_of(0, 0.5), probability=0.5, meaning="median scrub latency"
        ),
        spec.Figure(
            "p95_ms",
            "ms",
            _quantile_of(0, 0.95),
            kind="tail",
            probability=0.95,
            meaning="scrub latency in 95 of 100 moves",
        ),
        spec.Figure("p99_ms", "ms", lambda _: None, kind="tail", probability=0.99),
        spec.Figure("locate_p50_ms", "ms", _quantile_of(1, 0.5)),
        spec.Figure("decode_p50_ms", "ms", _quantile_of(2, 0.5)),
        spec.Figure("present_p50_ms", "ms", _quantile_of(3, 0.5)),
        spec.Figure(
            "wait_p50_ms",
            "ms",
            lambda moves: moves.wait_ms,
            meaning="waiting for storage in a move",
        ),
        spec.Figure("open_ms", "ms", _open_ms, meaning="time to open the file"),
        spec.Figure(
            "read_bytes_per_move",
            "B",
            lambda moves: moves.read_bytes / moves.latencies_ms.size,
            meaning="bytes read for a move",
        ),
        spec.memory_figure(),
    ),
    headline="p50_ms",
    proofs=shown_proof,
    reads_encoded_file=True,
    busy_ns=lambda m: sum(m.locate_ns) + sum(m.decode_ns) + sum(m.copy_ns) + sum(m.present_ns),
)
