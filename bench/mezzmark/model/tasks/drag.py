"""Dragging: a hand moves along seeded strokes and waits for nothing; what the screen then shows."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product
from operator import methodcaller
from typing import Annotated, Any, Final, Literal, NamedTuple

import numpy as np
from pydantic import Field, model_validator

from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.fact import NS_PER_S, Fact, Whole, same_length
from mezzmark.model.link import Link, ReadSettings
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.tasks import hand, spec
from mezzmark.model.tasks.hand import Hand, Screen, Stroke
from mezzmark.model.tasks.scrub import FullSizePlayer, Proof, ViewHeight
from mezzmark.statistics.quantiles import quantile

Service = Literal["latest", "queue", "follow"]
"""How a player serves a hand that does not wait: `latest` finishes a picture and then takes the
newest request; `queue` serves all in turn, smooth and seconds late; `follow` rolls on while the
hand lies ahead in the group, else drops what it was at, and shows nearer pictures on the way."""

RefreshRate = Annotated[int, Field(ge=24, le=480)]


class OpenLoopSettings(ReadSettings):
    """What dragging, playing and streams have in common."""

    players: tuple[FullSizePlayer, ...] = Field(default=("slice",), min_length=1)
    threads: tuple[spec.CountChoice, ...] = Field(default=("all",), min_length=1)
    viewer_height_px: ViewHeight = 540
    refresh_hz: RefreshRate = Field(default=60, description="the display's pictures a second")


class DragSettings(OpenLoopSettings):
    """The drag task: a hand that does not wait for pictures, and what it sees."""

    services: tuple[Service, ...] = Field(default=("latest",), min_length=1)
    hand: Hand = "strokes"
    duration_s: float = Field(default=12.0, ge=4, le=120, description="seconds of one trial")
    median_frames: float = Field(default=40.0, ge=1, le=100_000, description="of a stroke")
    sweep_fps: float = Field(default=192.0, ge=1, le=100_000, description="of a sweep")


class OpenLoopJob(Fact):
    """What every open loop is told: the file, how it is read (where it `is_cold` nothing of it lies
    in the file cache when the clock starts), who plays it, and the seed of all its chances."""

    media: spec.MediaReference
    player: Player
    thread_count: int
    viewer_height_px: int
    refresh_hz: int
    seed: int
    link: Link | None = None
    is_cold: bool = False

    @classmethod
    def of(cls, planned: PlannedTrial, settings: Any, footage: Any, **own: Any) -> Any:
        """A trial's job: what it has by name in settings, in the cell, or in `own`."""
        setting = planned.cell.setting
        given = settings.model_dump() | dict(setting) | settings.read_as(setting) | own
        player = PLAYERS[given["player"]]
        given |= {
            "media": footage.media[planned.cell.clip, planned.cell.encoding],
            "player": player,
            "thread_count": player.threads or setting["threads"],
            "seed": planned.seed,
        }
        return cls(**{name: given[name] for name in cls.model_fields if name in given})


class DragJob(OpenLoopJob):
    """Follow these strokes by this service."""

    task: Literal["drag"] = "drag"
    service: Service
    strokes: tuple[Stroke, ...]
    is_steady: bool = False


class Shown(NamedTuple):
    """A picture: the refresh at which it was asked for, when it was begun and when it stood, in ns
    after refresh 0, which frame it is said to be, and what is known of that."""

    request: Whole
    start_ns: Whole
    done_ns: Whole
    frame_index: Whole
    proof: Proof


MAX_REFRESHES: Final = 1_000_000
"""More than ten times those of the longest trial that may be asked for, 120 s at 480 Hz."""


class DragMeasurement(Fact):
    """One trial of a hand that does not wait. The first picture stands before the hand moves (all
    its times are 0), `first_ns` after the file is opened. `wake_late_ns` has an entry for each wait
    for a refresh, `sample_ns` is what the proof's samples took meanwhile, in all; `wait_ns` is how
    long each picture waited for storage, empty where nobody looked."""

    task: Literal["drag"] = "drag"
    refresh_hz: RefreshRate
    strokes: tuple[Stroke, ...] = Field(min_length=1, max_length=10_000)
    is_steady: bool = False
    pictures: tuple[Shown, ...] = Field(min_length=1)
    first_ns: Whole
    sample_ns: Whole
    wake_late_ns: tuple[Whole, ...] = ()
    wait_ns: tuple[Whole, ...] = ()

    _one_entry_per_picture = same_length("pictures", or_none=("wait_ns",))

    @model_validator(mode="after")
    def _ends(self) -> "DragMeasurement":
        if sum(stroke.refreshes + stroke.rest for stroke in self.strokes) > MAX_REFRESHES:
            raise ValueError(f"strokes last longer than {MAX_REFRESHES} refreshes")
        return self

    @property
    def proof(self) -> tuple[Proof, ...]:
        """Of each picture."""
        return tuple(picture.proof for picture in self.pictures)

    @property
    def screen(self) -> Screen:
        """What was seen at each refresh; a picture that did not come was not."""
        came = [picture for picture in self.pictures if picture.proof != "missing"]
        return hand.rebuild_screen(
            hand.wanted_frames(self.strokes, is_steady=self.is_steady),
            [picture.done_ns for picture in came],
            [picture.frame_index for picture in came],
            refresh_hz=self.refresh_hz,
        )


Values = dict[str, float]  # The figures of a trial by their names


def view_drag(measured: DragMeasurement) -> Values | None:
    """What was seen; None where a wrong picture was shown, or none in time. Where the hand never
    was, a picture is as old as the drag, and older than 100 ms."""
    if "wrong" in measured.proof or set(measured.proof) == {"missing"}:
        return None
    screen, refresh_ms = measured.screen, 1000 / measured.refresh_hz
    is_there = screen.shown >= 0
    if not is_there.any():
        return None
    found, so_far = hand.ages(screen)[is_there], np.arange(1, screen.wanted.size + 1)[is_there]
    ages_ms = np.where(found < 0, so_far, found) * refresh_ms
    off = hand.distances(screen)
    stops = hand.exact_after_stops(screen, measured.strokes)
    values = {
        "distance_mean_frames": float(off.mean()),
        "distance_p95_frames": quantile(off, 0.95),
        "age_p50_ms": quantile(ages_ms, 0.5),
        "age_p95_ms": quantile(ages_ms, 0.95),
        # Half a refresh apart from the limit no rounding matters.
        "older_fraction": float(np.mean((ages_ms > hand.OLD_MS + refresh_ms / 2) | (found < 0))),
        "ageless_fraction": float(np.mean(found < 0)),
        "freeze_ms": hand.longest_freeze(screen) * refresh_ms,
        "pictures_per_s": hand.pictures_per_s(screen, hand.moving_refreshes(measured.strokes)),
        "first_ms": measured.first_ns / spec.NS_PER_MS,
        "picture_count": len(measured.proof),
    }
    if stops:
        values["to_exact_ms"] = hand.censored_median(stops) * refresh_ms
    if measured.wait_ns:
        values["wait_p50_ms"] = quantile(measured.wait_ns, 0.5) / spec.NS_PER_MS
    if measured.wake_late_ns:
        values["wake_late_p99_ms"] = quantile(measured.wake_late_ns, 0.99) / spec.NS_PER_MS
    return values


def read_figures(*rows: tuple[str, str, spec.Better, str]) -> tuple[spec.Figure, ...]:
    """Figures that a view has by their names: name, unit or `share`, which is better, meaning."""
    plain = (
        spec.Figure(name, unit, methodcaller("get", name), better=better, meaning=meaning)
        for name, unit, better, meaning in rows
    )
    return tuple(replace(f, unit="", kind="share") if f.unit == "share" else f for f in plain)


def is_late(wake_late_ns: Sequence[int], refresh_hz: int) -> bool:
    """Whether the player woke too late: once by two refreshes, or in 1 of 100 waits by half."""
    late = np.array(wake_late_ns or (0,), dtype=np.float64) * refresh_hz / NS_PER_S
    return bool(late.max() > 2 or quantile(late, 0.99) > 0.5)


def open_loop_cells(
    task: str, settings: OpenLoopSettings, stock: spec.Stock, **axes: Sequence[Any]
) -> Iterator[Cell]:
    """Each file by each player and thread count, in each way to read and of further axes."""
    counts, axes = stock.counts(settings.threads), axes | settings.read_axes(stock)
    for player, last in product(settings.players, product(*axes.values())):
        for threads in (PLAYERS[player].threads,) if PLAYERS[player].threads else counts:
            setting = Setting(dict(zip(axes, last, strict=True)), player=player, threads=threads)
            for clip, name in stock.present(setting["root"]):
                yield Cell(task=task, clip=clip, encoding=name, setting=setting)


def _job(planned: PlannedTrial, settings: DragSettings, footage: spec.PreparedFootage) -> DragJob:
    """The hand depends on the trial's seed and the clip's length only."""
    strokes = hand.draw_strokes(
        settings.hand,
        frame_count=footage.frame_counts[planned.cell.clip],
        rng=np.random.default_rng(planned.seed),
        **settings.model_dump(include={"refresh_hz", "duration_s", "median_frames", "sweep_fps"}),
    )
    own = {"strokes": strokes, "is_steady": settings.hand == "sweep"}
    job: DragJob = DragJob.of(planned, settings, footage, **own)
    return job


DRAG: Final = spec.TaskSpec(
    name="drag",
    label="dragging",
    verb="drag",
    axes=("threads", "player", "service", "link", "cache", "root"),
    settings_model=DragSettings,
    job_model=DragJob,
    measurement_model=DragMeasurement,
    engine_entry="mezzmark.engines.play.drag:run_drag",
    plan=lambda settings, stock: open_loop_cells(
        "drag", settings, stock, service=settings.services
    ),
    job=_job,
    view=lambda seen: [view_drag(one.measured) for one in seen],
    work=lambda values: spec.Work(sample_count=int(values["picture_count"])),
    proofs=lambda measured: measured.proof,
    figures=read_figures(
        ("distance_mean_frames", "frames", "less", ""),
        ("distance_p95_frames", "frames", "less", "distance from hand to picture (p95)"),
        ("age_p50_ms", "ms", "less", ""),
        ("age_p95_ms", "ms", "less", "age of the picture while dragging (p95)"),
        ("older_fraction", "share", "less", ""),
        ("ageless_fraction", "share", "less", ""),
        ("freeze_ms", "ms", "less", "longest freeze while dragging"),
        ("pictures_per_s", "fps", "more", "different pictures a second while dragging"),
        ("to_exact_ms", "ms", "less", ""),
        ("first_ms", "ms", "less", ""),
        ("wake_late_p99_ms", "ms", "less", ""),
        ("wait_p50_ms", "ms", "less", ""),
    ),
    headline="distance_mean_frames",  # ranks all services alike; ages do not
    reads_encoded_file=True,
    is_best_by_headline=True,
    busy_ns=lambda measured: (
        measured.first_ns + max(picture.done_ns for picture in measured.pictures)
    ),
)
