"""Ingests that go on: a planted slowdown is found, and of heat no more is said than is known."""

from itertools import count
from pathlib import Path

import pytest
from pydantic import ValidationError

from fixtures.fabricated_run import Fabrication, fabricate_run
from fixtures.fabricated_throughput import SECOND, finished_trial
from fixtures.figures import figures_of
from mezzmark.decide.throughput.ingest import HeatFindings, judge_heat
from mezzmark.model.cell import ALL_CLIPS, Cell, Setting
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import WorkerFailed
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.ingest import HeatMoment, IngestMeasurement, heat_speeds
from mezzmark.report.prose.throughput import battery_words, throttle_words, throughput_sentences
from mezzmark.report.sections.tasks import throughput_section
from mezzmark.report.view import RunView
from mezzmark.runner.run import Elsewhere, Performed, run_scenario
from simulation.synthetic_footage import synthetic_footage

CELL = Cell(
    task="ingest",
    clip=ALL_CLIPS,
    encoding="e",
    setting=Setting(jobs=2, clip_order="fifo", minutes=5),
)
LASTING_S = 300


def lasting(
    slowing: float, *, noise: float = 1.0, moments: tuple[HeatMoment, ...] = ()
) -> IngestMeasurement:
    """Two workers ingest clips of 10⁶ and 3 × 10⁶ pixels in 2 s and 6 s, one after the other; from
    the middle on each takes `slowing` times as long."""
    spans: list[tuple[int, int, int]] = []
    for worker in (0, 1):
        now_s = 0.0
        for number in count(worker):
            if now_s >= LASTING_S:
                break
            long_s = (2.0, 6.0)[number % 2] * noise * (slowing if now_s > LASTING_S / 2 else 1)
            ends = round(now_s * SECOND), round((now_s + long_s) * SECOND)
            spans.append((number % 2, *ends))
            now_s += long_s
    first = [next(span for span in spans if span[0] == clip) for clip in (0, 1)]
    later = [span for span in spans if span not in first]
    return IngestMeasurement(
        clips=("a", "b"),
        frame_count=(1, 3),
        width_px=(1000, 1000),
        height_px=(1000, 1000),
        **dict.fromkeys(("source_bytes", "cpu_ns", "file_bytes", "worker_index"), (1, 1)),
        start_ns=tuple(span[1] for span in first),
        encoded_ns=tuple(span[2] for span in first),
        end_ns=tuple(span[2] for span in first),
        is_verified=(True, True),
        worker_count=2,
        lasting_ns=LASTING_S * SECOND,
        later_clip=tuple(span[0] for span in later),
        later_start_ns=tuple(span[1] for span in later),
        later_end_ns=tuple(span[2] for span in later),
        moments=moments,
    )


def test_a_planted_slowdown_is_found() -> None:
    """4 × 10⁶ pixels in 8 worker-seconds by two workers are 1 Mpx/s; a quarter more time at the end
    is 0.8 of it."""
    figures = figures_of(lasting(1.25))
    assert figures["first_mpx_s"] == pytest.approx(1)
    assert figures["last_mpx_s"] == pytest.approx(0.8)
    assert figures["heat_ratio"] == pytest.approx(0.8)
    assert figures_of(lasting(1))["heat_ratio"] == pytest.approx(1)


def test_both_ends_are_of_the_same_clips() -> None:
    """A clip that only the last minutes saw, and one that reaches beyond them, count in neither;
    where no clip is in both there is no figure."""
    spans = [(0, 0, 10), (1, 10, 20), (0, 80, 95), (2, 81, 99), (1, 90, 101)]
    given = {"worker_count": 1, "lasting_ns": 100}
    first, last = heat_speeds(spans, [10**6, 10**6, 10**6], **given)
    assert (first, last) == pytest.approx((1e9 / 10, 1e9 / 15))
    assert heat_speeds(spans[:2], [1, 1], **given) is None
    assert heat_speeds(spans, [1, 1, 1], worker_count=1, lasting_ns=0) is None
    assert heat_speeds([(0, 5, 5), (0, 90, 95)], [1], **given) is None  # no time at all
    assert "heat_ratio" not in figures_of(lasting(1).model_copy(update={"lasting_ns": 0}))


def test_a_clip_that_is_not_there_is_refused() -> None:
    """A damaged record: an index beyond the clips."""
    found = lasting(1).model_dump()
    with pytest.raises(ValidationError):
        IngestMeasurement(**found | {"later_clip": (9,) * len(found["later_clip"])})


def moments(**ends: tuple[object, object]) -> tuple[HeatMoment, ...]:
    """Two in the first minutes, two in the last."""
    return tuple(
        HeatMoment(at_ns=at_s * SECOND, **{name: pair[at_s > 100] for name, pair in ends.items()})
        for at_s in (0, 50, 250, 300)
    )


def judged(*told: tuple[HeatMoment, ...]) -> HeatFindings:
    """A trial with each of these moments, its end by a hundredth slower than in the one before."""
    trials = [
        finished_trial(CELL, place, lasting(1.25 * 1.01**place, moments=of))
        for place, of in enumerate(told)
    ]
    [found] = judge_heat(view(trials))
    return found


def view(trials: list[Trial]) -> RunView:
    manifest, _ = fabricate_run(Fabrication(rounds=1))
    return RunView(manifest, tuple(trials))


def test_what_the_system_tells_stands_beside_it() -> None:
    """Mean clocks of both ends, slowings of all trials, the least charge; the ratio has an interval
    from three rounds on."""
    told = moments(
        frequency_mhz=(4000, 3000),
        throttle_count=(7, 9),
        on_battery=(True, True),
        battery_fraction=(0.9, 0.7),
    )
    found = judged(told, told, told)
    assert found.clock_mhz == (4000, 3000)
    assert (found.throttle_count, throttle_words(found)) == (6, "6 times")
    assert battery_words(found) == "on battery, 90 → 70 %"
    assert found.ratio.low < 0.8 / 1.01 < found.ratio.high
    assert judged(told).ratio.low is None


def test_nothing_is_said_of_heat_where_the_system_does_not_tell() -> None:
    """Neither that it was not slowed nor that it was on mains, if one trial of three tells nothing;
    a count that stood still is told as such."""
    told = moments(throttle_count=(7, 7), on_battery=(False, False))
    silent = judged(told, moments(), told)
    assert silent.throttle_count is silent.on_battery is silent.clock_mhz is None
    said = f"{throttle_words(silent)}, {battery_words(silent)}"
    assert said == "the system does not tell, the system does not tell"
    assert throttle_words(judged(told)) == "never counted"
    assert battery_words(judged(told)) == "on mains"


def test_the_report_says_it_once() -> None:
    """A row with both ends and the ratio, and a sentence; no other ingest is taken for one."""
    trials = [finished_trial(CELL, place, lasting(1.25 * 1.01**place)) for place in range(3)]
    shown = view(trials)
    [table] = [t for t in throughput_section(shown).tables if t.table_id.endswith("heat")]
    texts = [entry.text for entry in table.rows[0]]
    assert texts[4].startswith("1.00 Mpx/s")
    assert texts[6].startswith("0.79")
    assert texts.count("the system does not tell") == 3
    [sentence] = [text for text in throughput_sentences(shown) if "last minutes" in text]
    assert "slowed for heat: the system does not tell" in sentence
    short = CELL.but(setting=CELL.setting.but(minutes=None))
    assert judge_heat(view([finished_trial(short, 0, lasting(1))])) == ()


def test_a_trial_that_lasts_has_its_minutes_beyond_its_time(tmp_path: Path) -> None:
    """Two minutes of ingest may take 120 s more than any other trial; the job is told them."""
    plan = Scenario(
        name="n",
        seed=1,
        rounds=1,
        trial_timeout_s=7,
        clips=(ClipSpec(name="a", recipe=Recipe()),),
        encodings=("vc3-sq",),
        ingest={"jobs": (1,), "minutes": 2},
    )
    seen = []

    def perform(job, timeout_s):
        seen.append((job.task, getattr(job, "lasting_s", 0), timeout_s))
        answer = WorkerFailed(outcome="crashed", reason="planted")
        moment = {"host_before": HostMoment(), "host_during": HostMoment()}
        return Performed(answer=answer, started_utc="2026-03-01T10:00:00Z", wall_ns=1, **moment)

    given = {"footage": synthetic_footage(plan), "dispatch": Elsewhere(perform)}
    list(run_scenario(plan, run_dir=tmp_path / "run", cache_dir=tmp_path, **given))
    assert set(seen) == {("kernel", 0, 7), ("ingest", 120, 127)}
