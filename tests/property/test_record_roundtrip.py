"""Record → disk → record, for any trial."""

import tempfile
from pathlib import Path
from unittest import mock

from hypothesis import given, settings
from hypothesis import strategies as st

from mezzmark.model.cell import Cell
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.tasks.encode import EncodeMeasurement
from mezzmark.model.tasks.kernel import KernelMeasurement
from mezzmark.model.tasks.scrub import ScrubMeasurement
from mezzmark.model.tasks.spec import ProcessFacts
from mezzmark.store import run_store
from mezzmark.store.record_text import parse_trial
from mezzmark.store.run_store import TRIALS_NAME, append_trial

NS = st.integers(0, 2**40)
COUNTS = st.integers(1, 2**40)
NAMES = st.text(min_size=1, max_size=40)
SHARES = st.none() | st.floats(0, 1)


@st.composite
def scrub_measurements(draw: st.DrawFn) -> ScrubMeasurement:
    count = draw(st.integers(0, 5))

    def column(values: st.SearchStrategy[int]) -> tuple[int, ...]:
        return tuple(draw(st.lists(values, min_size=count, max_size=count)))

    proofs = st.sampled_from(["right", "alike", "wrong", "unreadable", "missing"])
    return ScrubMeasurement(
        clip_position=column(st.integers(0, 9)),
        frame_index=column(st.integers(0, 10**6)),
        locate_ns=column(NS),
        decode_ns=column(NS),
        present_ns=column(NS),
        overhead_ns=column(NS),
        decoded_frames=column(st.integers(0, 999)),
        read_bytes=column(NS),
        shown_frame=column(st.integers(-1, 10**6)),
        proof=tuple(draw(st.lists(proofs, min_size=count, max_size=count))),
        open_ns=tuple(draw(st.lists(NS, max_size=3))),
    )


_ENCODED = ("frame_count", "decoded_frame_count", "wall_ns", "cpu_ns", "file_bytes")
ENCODES = st.builds(
    EncodeMeasurement,
    frame_rate=st.sampled_from(["25", "24000/1001"]),
    stream_digest=NAMES,
    **dict.fromkeys((*_ENCODED, "packet_bytes", "width_px", "height_px"), COUNTS),
)
KERNELS = st.builds(KernelMeasurement, wall_ns=st.lists(COUNTS, max_size=5).map(tuple))


def as_measured(trial: Trial) -> Trial:
    """A trial whose cell is of the task that was measured."""
    measured = trial.measurement
    if measured is None:
        return trial
    cell = trial.cell.model_copy(update={"task": measured.task})
    return trial.model_copy(update={"cell": cell})


TRIALS = st.builds(
    Trial,
    round_index=st.integers(0, 10**6),
    position=st.integers(0, 10**6),
    cell=st.builds(Cell, task=st.sampled_from(["scrub", "encode"]), clip=NAMES, encoding=NAMES),
    seed=st.integers(0, 2**63 - 1),
    started_utc=NAMES,
    wall_ns=st.integers(2**50, 2**53),
    outcome=st.sampled_from(["finished", "failed", "crashed", "timed_out"]),
    reason=st.text(max_size=40),
    measurement=st.none() | scrub_measurements() | ENCODES | KERNELS,
    process=st.none() | st.builds(ProcessFacts, cpu_ns=NS),
    host_before=st.builds(HostMoment, steal_fraction=SHARES, load_average_1m=SHARES),
    host_during=st.builds(HostMoment, busy_fraction=SHARES, throttle_count=st.none() | NS),
).map(as_measured)


@settings(max_examples=40, deadline=None)  # each writes files
@given(st.lists(TRIALS, min_size=1, max_size=3))
def test_a_trial_comes_back_from_the_disk_as_it_was(trials: list[Trial]) -> None:
    """Every field survives, line breaks and any script in names included; a trial is one line."""
    with tempfile.TemporaryDirectory() as folder, mock.patch.object(run_store.os, "fsync"):
        for trial in trials:
            append_trial(Path(folder), trial)
        lines = (Path(folder) / TRIALS_NAME).read_bytes().split(b"\n")
    assert lines.pop() == b""
    assert [parse_trial(line, where="test") for line in lines] == trials
