"""The shop: who shoots, edits and stores how much, in a plain description (`shop.toml`).

Every assumption is a field with a default and a meaning, so that all of them can be listed beside
the answer and each can be replaced."""

from fractions import Fraction
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from mezzmark.model.fact import BitRate, Fact, parse_quantity
from mezzmark.model.footage import EvenPixels, FrameRate

SHOP_SCHEMA: Final = 1

LINK_SPEEDS_GBPS: Final = (1.0, 2.5, 10.0, 25.0, 100.0)
"""Ethernet as it is installed in edit suites; IEEE 802.3 line rates."""


def _known_speed(value: float) -> float:
    if value not in LINK_SPEEDS_GBPS:
        speeds = ", ".join(f"{speed:g}" for speed in LINK_SPEEDS_GBPS)
        raise ValueError(f"a link runs at one of {speeds} Gb/s, not {value:g}")
    return value


def _written_in(unit: str) -> BeforeValidator:
    return BeforeValidator(lambda v: parse_quantity(v, unit) if isinstance(v, str) else v)


LinkSpeed = Annotated[float, AfterValidator(_known_speed), _written_in("Gbit/s")]

MOST_CARDS_PER_DAY: Final = 10_000
"""Of all cameras: days are played through card by card, some hundred times for each encoding."""


class Camera(Fact):
    """Cameras of one kind: what they deliver in a shooting day."""

    name: str = Field(min_length=1, max_length=300)
    count: int = Field(default=1, ge=1, le=1000, description="cameras of this kind")
    bitrate_bps: BitRate = Field(ge=100_000, le=100_000_000_000, description="bit rate as recorded")
    hours_per_day: float = Field(ge=0.01, le=24, description="recorded hours per camera and day")
    cards_per_day: int = Field(default=2, ge=1, le=200, description="cards per camera and day")
    width_px: EvenPixels = Field(default=3840, description="picture width in pixels")
    height_px: EvenPixels = Field(default=2160, description="picture height in pixels")
    frame_rate: FrameRate = Field(default=Fraction(24000, 1001), description="frames a second")

    @property
    def card_hours(self) -> float:
        """Hours of footage on one card."""
        return self.hours_per_day / self.cards_per_day

    @property
    def pixels_per_s(self) -> float:
        """Pixels of one camera's pictures in a second of its footage."""
        return self.width_px * self.height_px * float(self.frame_rate)

    @property
    def card_count_per_day(self) -> int:
        """Cards of all cameras of this kind in a day."""
        return self.count * self.cards_per_day


class Shop(Fact):
    """A video team on a shooting day: all that sizing must be told beside the measurements."""

    schema_version: Literal[1] = SHOP_SCHEMA
    name: str = Field(min_length=1, max_length=300)
    cameras: tuple[Camera, ...] = Field(min_length=1)
    editors: int = Field(ge=1, le=1000, description="people who edit at the same time")
    streams_per_editor: int = Field(default=1, ge=1, le=64, description="streams played at once")
    editing_hours_per_day: float = Field(
        default=6.0, ge=0.01, le=24, description="hours an editor works in the timeline"
    )
    moves_per_hour: float = Field(
        default=240.0, ge=0, le=100_000, description="playhead moves per editor and hour"
    )
    playing_fraction: float = Field(
        default=0.5, ge=0, le=1, description="share of editing time in which footage plays"
    )
    awaited_cards_per_day: float = Field(
        default=1.0, ge=0, le=100, description="cards a day that an editor cannot start without"
    )
    link_gbps: LinkSpeed = Field(default=10.0, description="speed of the storage's link, in Gb/s")
    mtu_bytes: int = Field(default=1500, ge=576, le=9216, description="Ethernet payload size")
    header_bytes: int = Field(
        default=52, ge=0, le=200, description="IPv4 + TCP with time stamps: 20 + 20 + 12"
    )
    link_usable_fraction: float = Field(
        default=0.8, ge=0.01, le=1, description="share of the payload rate that may be planned for"
    )
    array_mb_per_s: Annotated[float, _written_in("MB/s")] = Field(
        default=800.0,
        ge=0.1,
        le=1_000_000,
        description="what the storage delivers, in 10⁶ bytes a second",
    )
    retention_days: int = Field(default=90, ge=1, le=36_500, description="shooting days kept")
    copies: int = Field(default=1, ge=1, le=10, description="copies kept of each intermediate")
    original_copies: int = Field(default=2, ge=0, le=10, description="copies kept of each original")
    shooting_start_hour: float = Field(
        default=9.0, ge=0, lt=24, description="when the first card may arrive"
    )
    shooting_end_hour: float = Field(
        default=18.0, gt=0, le=24, description="when the last card may arrive; past midnight too"
    )
    turnaround_hours: float = Field(
        default=14.0,
        ge=0.01,
        le=8_760,
        description="hours from a card's arrival to footage ready to edit",
    )
    late_cards_fraction: float = Field(
        default=0.05, ge=0, lt=1, description="share of cards that may be late"
    )
    cost_per_tb_year: float | None = Field(
        default=None, ge=0, description="what a TB costs a year, in any money"
    )
    most_storage_tb: float | None = Field(
        default=None, gt=0, description="what may be kept in all, in TB"
    )
    most_cost_per_year: float | None = Field(
        default=None, gt=0, description="what storage may cost a year"
    )
    ingest_machines: int = Field(
        default=1, ge=1, le=100, description="machines like the measured one that ingest"
    )
    core_counts: tuple[Annotated[int, Field(ge=1, le=1024)], ...] = Field(
        default=(), max_length=32, description="other core counts to predict ingest for"
    )

    @property
    def footage_hours_per_day(self) -> float:
        """Hours of footage of all cameras in a day."""
        return sum(camera.count * camera.hours_per_day for camera in self.cameras)

    @property
    def last_card_hour(self) -> float:
        """When the last card may arrive; beyond 24 where the shoot goes on past midnight."""
        is_past_midnight = self.shooting_end_hour < self.shooting_start_hour
        return self.shooting_end_hour + 24 * is_past_midnight

    @property
    def card_count_per_day(self) -> int:
        """Cards of all cameras in a day."""
        return sum(camera.card_count_per_day for camera in self.cameras)

    @model_validator(mode="after")
    def _consistent(self) -> "Shop":
        if self.shooting_end_hour == self.shooting_start_hour:
            raise ValueError("shooting_end_hour is shooting_start_hour; they must differ")
        if self.most_cost_per_year is not None and self.cost_per_tb_year is None:
            raise ValueError("most_cost_per_year needs cost_per_tb_year")
        if self.header_bytes >= self.mtu_bytes:
            raise ValueError("header_bytes must be smaller than mtu_bytes")
        names = [camera.name for camera in self.cameras]
        if len(set(names)) < len(names):
            raise ValueError("two cameras share a name; names must differ")
        if self.card_count_per_day > MOST_CARDS_PER_DAY:
            raise ValueError(
                f"{self.card_count_per_day:,} cards a day are more than the "
                f"{MOST_CARDS_PER_DAY:,} whose ingest is played through"
            )
        return self


class Assumption(Fact):
    """One thing taken as given: its value, its meaning, and whether the user said it."""

    name: str
    value: str
    meaning: str
    is_default: bool


def list_assumptions(shop: Shop) -> tuple[Assumption, ...]:
    """Every assumption of the shop and its cameras, in the order of the file."""
    cameras = ((f"cameras.{camera.name}.", camera) for camera in shop.cameras)
    return tuple(
        Assumption(
            name=prefix + name,
            value=_shown(getattr(source, name)),
            meaning=field.description,
            is_default=name not in source.model_fields_set,
        )
        for prefix, source in (("", shop), *cameras)
        for name, field in type(source).model_fields.items()
        if field.description
    )


def _shown(value: object) -> str:
    values = value if isinstance(value, tuple) else () if value is None else (value,)
    return ", ".join(map(str, values)) or "none"
