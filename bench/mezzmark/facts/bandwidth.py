"""What the machine's memory carries, as measured by the copy kernel."""

from mezzmark.facts.base import Fact


class BandwidthPoint(Fact):
    """Bytes read plus bytes written a second, by `process_count` processes together."""

    process_count: int
    bytes_per_s: float


class BandwidthFacts(Fact):
    """The copy rate by number of processes; each copied blocks of `block_bytes`."""

    block_bytes: int
    repeats: int
    points: tuple[BandwidthPoint, ...]

    @property
    def scaling_limit(self) -> float:
        """How many times one process's rate all of them reach at most."""
        if not self.points or self.points[0].process_count != 1:
            raise ValueError("a limit needs the rate of one process first")
        return max(point.bytes_per_s for point in self.points) / self.points[0].bytes_per_s
