"""A modelled connection to storage: how a scenario states it, and what a job is told of it.

Where a value is left out it is that of a share as Linux mounts it: it reads 128 KiB ahead
(VM_READAHEAD_PAGES in linux/pagemap.h; nfsrahead(5)), and asks for no more at a time."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field, model_validator

from mezzmark.model.fact import Amount, BitRate, Fact, Positive, Whole

if TYPE_CHECKING:
    from mezzmark.model.tasks.spec import Stock

KIB = 1024
USUAL_KIB = 128


class Link(Fact):
    """A modelled connection: its rate, the round trip of each request, how much one asks for, how
    much may be asked for ahead of that, what passes at once after a pause (the bucket's depth)."""

    name: str
    rate_bps: Amount
    round_trip_ns: Whole
    window_bytes: Whole
    request_bytes: Positive = USUAL_KIB * KIB
    burst_bytes: Whole = 0


class LinkSettings(Fact):
    """`link = { rate = "1 Gbit/s", round_trip_ms = 0.5 }`."""

    rate: BitRate = Field(ge=100_000, le=10**13, description="bits a second")
    round_trip_ms: float = Field(default=0.5, ge=0, le=10_000)
    request_kib: int = Field(default=USUAL_KIB, ge=4, le=65_536, description="size of a request")
    window_kib: int = Field(default=USUAL_KIB, ge=0, le=1_048_576, description="asked for ahead")
    burst_kib: int = Field(default=0, ge=0, le=1_048_576, description="passes at once")

    @property
    def name(self) -> str:
        """`1 Gbit/s, 0.5 ms`, with what is not as usual: equal links have equal names."""
        prefix, unit = ("G", 1e9) if self.rate >= 1e9 else ("M", 1e6)
        unusual = {
            "asks": self.request_kib * (self.request_kib != USUAL_KIB),
            "ahead": self.window_kib * (self.window_kib != USUAL_KIB),
            "bursts": self.burst_kib,
        }
        own = (f"{what} {kib} KiB" for what, kib in unusual.items() if kib)
        return ", ".join(
            (f"{self.rate / unit:g} {prefix}bit/s", f"{self.round_trip_ms:g} ms", *own)
        )

    @property
    def link(self) -> Link:
        """What a job is told."""
        return Link(
            name=self.name,
            rate_bps=self.rate,
            round_trip_ns=round(self.round_trip_ms * 1e6),
            window_bytes=self.window_kib * KIB,
            request_bytes=self.request_kib * KIB,
            burst_bytes=self.burst_kib * KIB,
        )


class ReadSettings(Fact):
    """How files are read, a cell each: over a link or not, with pages in the file cache or not."""

    links: tuple[Literal["local"] | LinkSettings, ...] = Field(default=("local",), min_length=1)
    cache: tuple[Literal["warm", "cold"], ...] = Field(default=("warm",), min_length=1)
    roots: tuple[str, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _one_link(cls, data: Any) -> Any:
        if not isinstance(data, Mapping) or "link" not in data:
            return data
        return {"links": (data["link"],)} | {k: v for k, v in data.items() if k != "link"}

    @property
    def modelled_links(self) -> dict[str | None, Link]:
        """Those that are asked for, by name."""
        return {one.name: one.link for one in self.links if one != "local"}

    def read_axes(self, stock: "Stock") -> dict[str, list[str | None]]:
        """The values of the axes that say how files are read."""
        return {
            "root": stock.on_roots(self.roots),
            "cache": [None if one == "warm" else one for one in self.cache],
            "link": [None if one == "local" else one.name for one in self.links],
        }

    def read_as(self, setting: Mapping[str, Any]) -> dict[str, Any]:
        """What a job of this setting is told."""
        link = self.modelled_links.get(setting["link"])
        return {"link": link, "is_cold": setting["cache"] == "cold"}
