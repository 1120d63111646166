"""The figures that needs and wishes may name: `scrub.jump.p95_ms`, `encode.1t.throughput_fps` …

A name is task, pattern (scrub only), thread count and job count where one is meant in particular,
and the figure. Without counts it stands for the setting that leads the report (scrub: the most
threads) or for the encoding's own best setting (encode, grid, ingest, delivery).
"""

import re
from difflib import get_close_matches
from typing import Final, Literal, NamedTuple

from mezzmark.model.errors import ScenarioError
from mezzmark.model.fact import Fact

Better = Literal["less", "more"]


class FigureMeaning(NamedTuple):
    """A figure's unit, which way is better, and what it is in words."""

    unit: str
    better: Better
    meaning: str


SCRUB_PATTERNS: Final = (
    "jump",
    "near",
    "step-forward",
    "step-back",
    "sweep-forward",
    "sweep-back",
    "hop",
)
"""The patterns of a scenario (a test holds both lists together; the scenario reads this module)."""

WHOLE: Final = {
    "bitrate_bps": FigureMeaning("bit/s", "less", "bit rate"),
    "gb_per_hour": FigureMeaning("GB/h", "less", "size of an hour, 10⁹ bytes"),
}
"""Figures of the encoded files themselves."""

BY_TASK: Final[dict[str, dict[str, FigureMeaning]]] = {
    "scrub": {
        "p50_ms": FigureMeaning("ms", "less", "median time to picture"),
        "p95_ms": FigureMeaning("ms", "less", "time to picture in 95 of 100 moves"),
        "open_ms": FigureMeaning("ms", "less", "time to open the file"),
        "read_bytes_per_move": FigureMeaning("B", "less", "bytes read for a move"),
    },
    "encode": {
        "throughput_fps": FigureMeaning("fps", "more", "encode speed"),
        "peak_rss_bytes": FigureMeaning("B", "less", "memory while encoding"),
    },
    "grid": {
        "throughput_fps": FigureMeaning("fps", "more", "encode speed of all jobs together"),
        "peak_rss_bytes": FigureMeaning("B", "less", "memory of one encode job"),
    },
    "ingest": {
        "makespan_s": FigureMeaning("s", "less", "time to ingest the folder"),
        "throughput_fps": FigureMeaning("fps", "more", "ingest speed"),
    },
    "delivery": {"throughput_fps": FigureMeaning("fps", "more", "export speed")},
    "fidelity": {
        "delta_e_max": FigureMeaning("ΔE", "less", "largest colour shift on the chart"),
        "delta_e_p90": FigureMeaning("ΔE", "less", "colour shift of 9 in 10 patches, at most"),
        "delta_e_tags": FigureMeaning("ΔE", "less", "colour shift from colour tags lost"),
        "psnr_db": FigureMeaning("dB", "more", "picture quality (PSNR), mean over clips"),
        "psnr_worst_db": FigureMeaning("dB", "more", "picture quality (PSNR) of the worst frame"),
        "xpsnr_db": FigureMeaning("dB", "more", "picture quality (XPSNR of luma)"),
        "ssim": FigureMeaning("", "more", "likeness to the clip (SSIM; 1 is the same)"),
    },
}

FREE_FOR_ORIGINAL: Final = ("encode", "grid", "ingest")
"""Tasks that the original does without: it is there already."""

_COUNT: Final = re.compile(r"^([1-9][0-9]{0,3})([tj])$")
_COUNTED: Final = {"t": ("scrub", "encode", "grid", "ingest", "delivery"), "j": ("grid", "ingest")}
_SUGGESTIONS: Final = 4


class FigureName(Fact):
    """A figure as named by a user; None where no setting in particular is meant."""

    name: str
    task: str = ""
    pattern: str | None = None
    thread_count: int | None = None
    job_count: int | None = None
    figure: str
    unit: str
    better: Better
    meaning: str

    @property
    def label(self) -> str:
        """The meaning, with the pattern and counts where the name says them."""
        notes = []
        if self.pattern:
            notes.append(self.pattern)
        if self.thread_count:
            notes.append(f"{self.thread_count} thread{'s' if self.thread_count > 1 else ''}")
        if self.job_count:
            notes.append(f"{self.job_count} job{'s' if self.job_count > 1 else ''}")
        return f"{self.meaning} ({', '.join(notes)})" if notes else self.meaning


def figure_names() -> tuple[str, ...]:
    """All legal names without thread and job counts."""
    names = list(WHOLE)
    for task, figures in BY_TASK.items():
        heads = [f"{task}.{pattern}" for pattern in SCRUB_PATTERNS] if task == "scrub" else [task]
        names += [f"{head}.{figure}" for head in heads for figure in figures]
    return tuple(names)


def parse_figure(text: str, *, where: str) -> FigureName:
    """The figure of this name; ScenarioError with the nearest legal names."""
    if text in WHOLE:
        return FigureName(name=text, figure=text, **WHOLE[text]._asdict())
    task, *middle, figure = text.split(".") if "." in text else (text, text)
    meaning = BY_TASK.get(task, {}).get(figure)
    pattern = middle.pop(0) if middle and middle[0] in SCRUB_PATTERNS else None
    counts = {}
    for part in middle:
        found = _COUNT.match(part)
        if found is None or task not in _COUNTED[found[2]] or found[2] in counts:
            raise unknown_figure(text, where=where)
        counts[found[2]] = int(found[1])
    if meaning is None or (pattern is None) == (task == "scrub"):
        raise unknown_figure(text, where=where)
    return FigureName(
        name=text,
        task=task,
        pattern=pattern,
        thread_count=counts.get("t"),
        job_count=counts.get("j"),
        figure=figure,
        **meaning._asdict(),
    )


def unknown_figure(text: str, *, where: str, also: tuple[str, ...] = ()) -> ScenarioError:
    """The error for a name that is no figure; `also` are further legal names."""
    known = {name.lower(): name for name in (*also, *figure_names())}
    within = [name for name in known if text.lower() in name.split(".")[-1]]  # ssim, psnr, p95
    close = get_close_matches(text.lower(), list(known), _SUGGESTIONS, 0.5)
    hits = list(dict.fromkeys((*within[:_SUGGESTIONS], *close)))
    names = [known[hit] for hit in hits] or [*also, "bitrate_bps", "scrub.jump.p95_ms"]
    return ScenarioError(
        where=where,
        what=f'"{text}" is not a figure that can be measured',
        remedy=f"Nearest: {', '.join(names)}",
    )
