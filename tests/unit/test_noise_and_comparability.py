"""Which trials are flagged and why, and what keeps two runs from being compared."""

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.two_sides import ENCODE, QUIET, SCRUB, build_run
from mezzmark.decide.machine.identity import (
    describe_host_changes,
    describe_unlikeness,
    is_other_machine,
)
from mezzmark.decide.machine.noise import flag_trials, summarise_causes
from mezzmark.model.cell import ALL_CLIPS
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.spec import ProcessFacts


def trials_with(round_index: int, moment: HostMoment, usual: HostMoment) -> tuple[Trial, ...]:
    moments = {(k, 0): usual for k in range(8)} | {(round_index, 0): moment}
    return build_run({ENCODE: QUIET}, moments=moments).trials


@pytest.mark.parametrize(
    ("moment", "usual", "reason"),
    [
        ({"steal_fraction": 0.05}, {"steal_fraction": 0.0}, "the hypervisor took 5 %"),
        ({"steal_fraction": 0.02}, {"steal_fraction": 0.0}, ""),
        ({"throttle_count": 2}, {"throttle_count": 0}, "slowed for heat 2 times"),
        ({"frequency_mhz": 2650.0}, {"frequency_mhz": 3000.0}, "the clock fell to 2650 MHz"),
        ({"frequency_mhz": 2750.0}, {"frequency_mhz": 3000.0}, ""),
        ({"frequency_mhz": 3600.0}, {"frequency_mhz": 3000.0}, ""),
        ({"cpu_pressure": 0.45}, {"cpu_pressure": 0.3}, "waited for the processor 45 %"),
        ({"cpu_pressure": 0.39}, {"cpu_pressure": 0.3}, ""),
        ({"io_pressure": 0.2}, {"io_pressure": 0.0}, "waited for storage 20 %"),
        ({"memory_pressure": 0.2}, {"memory_pressure": 0.0}, "waited for memory 20 %"),
    ],
)
def test_a_disturbance_is_told_from_a_habit(moment: dict, usual: dict, reason: str) -> None:
    """One odd trial of eight is flagged with its reason when it passes the limit, else not."""
    flagged = flag_trials(trials_with(3, HostMoment(**moment), HostMoment(**usual)))
    if not reason:
        assert flagged == ()
        return
    assert [(trial.round_index, trial.position) for trial in flagged] == [(3, 0)]
    assert flagged[0].cell == ENCODE
    assert len(flagged[0].reasons) == 1
    assert reason in flagged[0].reasons[0]


def test_many_disturbed_trials_are_told_as_a_range() -> None:
    """Three trials that waited 55, 70 and 88 % of the time, one of them stolen from: a range with
    its count, then the rarer cause; nothing for no trial."""
    moments = {(k, 0): HostMoment(cpu_pressure=0.2, steal_fraction=0.0) for k in range(8)}
    for k, share in ((1, 0.55), (4, 0.88), (6, 0.7)):
        stolen = 0.05 if k == 4 else 0.0
        moments[k, 0] = HostMoment(cpu_pressure=share, steal_fraction=stolen)
    flagged = flag_trials(build_run({ENCODE: QUIET}, moments=moments).trials)
    assert summarise_causes(flagged) == (
        "work waited for the processor 55 to 88 % of the time (3 trials)",
        "the hypervisor took 5 % of the processor (1 trial)",
    )
    assert summarise_causes([]) == ()


@pytest.mark.parametrize(
    "moment",
    [
        {"cpu_pressure": 0.9},
        {"io_pressure": 0.9},
        {"memory_pressure": 0.9},
        {"frequency_mhz": 800.0},
    ],
)
def test_what_every_trial_has_is_not_flagged(moment: dict) -> None:
    """A cell that uses all cores waits for them in every trial; that is no disturbance."""
    same = HostMoment(**moment)
    assert flag_trials(trials_with(0, same, same)) == ()


def test_an_operating_system_that_tells_nothing_flags_nothing() -> None:
    """All facts None: no flags, no errors."""
    run = build_run({ENCODE: QUIET})
    silent = [trial.model_copy(update={"process": None}) for trial in run.trials]
    assert flag_trials(silent) == ()
    assert flag_trials([]) == ()


@pytest.mark.parametrize(
    ("switches", "usual", "is_flagged"),
    [(5, 5, False), (54, 5, False), (56, 5, True), (350, 100, False), (401, 100, True)],
)
def test_involuntary_switches_count_by_rate(switches: int, usual: int, is_flagged: bool) -> None:
    """In one processor second: more than four times the usual rate, and 50 above it."""
    trials = list(build_run({ENCODE: QUIET}).trials)
    for k, trial in enumerate(trials):
        count = switches if k == 2 else usual
        facts = ProcessFacts(cpu_ns=1_000_000_000, involuntary_switches=count)
        trials[k] = trial.model_copy(update={"process": facts})
    flagged = flag_trials(trials)
    assert [trial.round_index for trial in flagged] == ([2] if is_flagged else [])
    if is_flagged:
        assert f"interrupted it {switches} times a second" in flagged[0].reasons[0]


def manifest(**host: object) -> Manifest:
    made = fabricate_manifest(Fabrication())
    return made.model_copy(update={"host": made.host.model_copy(update=host)})


def with_scenario(**changes: object) -> Manifest:
    made = manifest()
    return made.model_copy(update={"scenario": made.scenario.but(**changes)})


def test_runs_of_one_scenario_are_alike() -> None:
    """Nothing differs, nothing is said; how long was measured does not matter."""
    longer = with_scenario(rounds=99, title="again", seed=7, time_budget_s=5.0)
    for cell in (ENCODE, SCRUB):
        assert describe_unlikeness(cell, manifest(), manifest()) == ()
        assert describe_unlikeness(cell, manifest(), longer) == ()


def test_settings_of_the_cells_own_task_must_agree() -> None:
    """Other frames to encode: the encode cell is unlike, the scrub cell is not; settings that
    cells carry themselves (threads) are no reason."""
    base = manifest()
    encode = base.scenario.settings(EncodeSettings)
    assert encode is not None
    frames = encode.model_copy(update={"frames": 50})
    changed = with_scenario(encode=frames)
    assert describe_unlikeness(ENCODE, base, changed) == (
        f"the scenario's encode.frames was {encode.frames}, is 50",
    )
    assert describe_unlikeness(SCRUB, base, changed) == ()
    threads = encode.model_copy(update={"threads": (2,)})
    assert describe_unlikeness(ENCODE, base, with_scenario(encode=threads)) == ()


def test_a_task_that_one_scenario_lacks_is_unlike() -> None:
    """No [encode] table on one side: every setting is named as not set."""
    texts = describe_unlikeness(ENCODE, manifest(), with_scenario(encode=None))
    assert any(text.endswith("is not set") for text in texts)


def test_other_footage_is_unlike_for_its_own_cells_and_for_those_of_all_clips() -> None:
    """A changed fingerprint; a cell of another clip is not touched by it."""
    base = manifest()
    clip = base.clips[0].model_copy(update={"fingerprint": "other"})
    changed = base.model_copy(update={"clips": (clip,)})
    text = f'clip "{clip.clip}" is not the same footage'
    assert describe_unlikeness(ENCODE, base, changed) == (text,)
    everything = ENCODE.model_copy(update={"clip": ALL_CLIPS})
    assert describe_unlikeness(everything, base, changed) == (text,)
    other = ENCODE.model_copy(update={"clip": "another"})
    assert describe_unlikeness(other, base, changed) == ()


def test_an_encoding_defined_otherwise_is_unlike() -> None:
    """Another profile under the same name; the original has no definition."""
    base = manifest()
    altered = tuple(
        entry.model_copy(update={"profile": "other"}) if entry.name == "VC-3 SQ" else entry
        for entry in base.encodings
    )
    changed = base.model_copy(update={"encodings": altered})
    text = 'encoding "VC-3 SQ" is defined differently'
    assert describe_unlikeness(ENCODE, base, changed) == (text,)
    original = SCRUB.model_copy(update={"encoding": "original"})
    assert describe_unlikeness(original, base, changed) == ()


def test_an_encoded_file_that_differs_matters_to_who_reads_it() -> None:
    """Encoded anew by other software: playing it is another job, encoding it is not."""
    base = manifest()
    media = tuple(entry.model_copy(update={"fingerprint": "new"}) for entry in base.media)
    changed = base.model_copy(update={"media": media})
    assert describe_unlikeness(ENCODE, base, changed) == ()
    (text,) = describe_unlikeness(SCRUB, base, changed)
    assert text.startswith('the file of "VC-3 SQ" is not the same')
    hop = SCRUB.model_copy(update={"clip": ALL_CLIPS})
    assert len(describe_unlikeness(hop, base, changed)) == 1
    elsewhere = SCRUB.model_copy(update={"encoding": "RDD 36 standard"})
    only_one = base.model_copy(
        update={
            "media": tuple(
                e.model_copy(update={"fingerprint": "new"}) if e.encoding == "VC-3 SQ" else e
                for e in base.media
            )
        }
    )
    assert describe_unlikeness(elsewhere, base, only_one) == ()


def test_host_changes_are_listed_by_name() -> None:
    """Driver, library, kernel and governor that differ, with both values; unknown is said; free
    disk space is not a change."""
    before = manifest(
        governor="performance",
        kernel="6.1",
        library_versions={"libavcodec": "61.1", "av": "18.0"},
        gpu_driver=None,
        storage_free_bytes=5,
    )
    after = manifest(
        governor="powersave",
        kernel="6.1",
        library_versions={"libavcodec": "61.2", "av": "18.0"},
        gpu_driver="550.1",
        storage_free_bytes=6,
    )
    found = {c.name: (c.baseline, c.candidate) for c in describe_host_changes([before], [after])}
    assert found == {
        "governor": ("performance", "powersave"),
        "libavcodec": ("61.1", "61.2"),
        "gpu driver": ("not known", "550.1"),
    }


def test_a_fact_that_varies_within_a_side_is_listed() -> None:
    """Two baseline runs under different kernels: both are named, though the candidate agrees with
    one of them."""
    runs = [manifest(kernel="6.1"), manifest(kernel="6.2")]
    (change,) = describe_host_changes(runs, [manifest(kernel="6.2")])
    assert (change.name, change.baseline, change.candidate) == ("kernel", "6.1 / 6.2", "6.2")
    (mixed,) = describe_host_changes(runs, list(reversed(runs)))
    assert mixed.baseline == mixed.candidate == "6.1 / 6.2"
    newer = manifest().model_copy(update={"mezzmark_version": "9"})
    (change,) = describe_host_changes([manifest()], [newer])
    assert change.name == "mezzmark"


@pytest.mark.parametrize(
    "change", [{"cpu_model": "x"}, {"logical_core_count": 999}, {"memory_bytes": 1}]
)
def test_other_hardware_is_another_machine(change: dict) -> None:
    """Processor, core count or memory; a governor is not."""
    assert is_other_machine([manifest()], [manifest(**change)])
    assert not is_other_machine([manifest()], [manifest(governor="powersave")])
