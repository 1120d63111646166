"""A modelled connection to storage: how a scenario states it, and what a job is told of it.

Where a value is left out it is that of a share as Linux mounts it: it reads 128 KiB ahead
(VM_READAHEAD_PAGES in linux/pagemap.h; nfsrahead(5)), and asks for no more at a time.
"""

from pydantic import Field

from mezzmark.model.fact import Amount, BitRate, Fact, Positive, Whole

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
