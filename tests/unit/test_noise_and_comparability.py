"""Which trials are flagged and why, and what keeps two runs from being compared."""

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.two_sides import ENCODE, QUIET, SCRUB, Run, build_run
from mezzmark.decide.compare.matching import find_unlikeness
from mezzmark.decide.compare.verdicts import Reason
from mezzmark.decide.machine import identity
from mezzmark.decide.machine.identity import changed_facts, differing_facts
from mezzmark.decide.machine.noise import Cause, CauseRange, flag_trials, summarise_causes
from mezzmark.model.cell import ALL_CLIPS
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.spec import ProcessFacts


def trials_with(round_index: int, moment: HostMoment, usual: HostMoment) -> tuple[Trial, ...]:
    moments = {(k, 0): usual for k in range(8)} | {(round_index, 0): moment}
    return build_run({ENCODE: QUIET}, moments=moments).trials


@pytest.mark.parametrize(
    ("moment", "usual", "cause"),
    [
        ({"steal_fraction": 0.05}, {"steal_fraction": 0.0}, Cause("steal", 0.05)),
        ({"steal_fraction": 0.02}, {"steal_fraction": 0.0}, None),
        ({"throttle_count": 2}, {"throttle_count": 0}, Cause("heat", 2)),
        ({"frequency_mhz": 2650.0}, {"frequency_mhz": 3000.0}, Cause("clock", 2650)),
        ({"frequency_mhz": 2750.0}, {"frequency_mhz": 3000.0}, None),
        ({"frequency_mhz": 3600.0}, {"frequency_mhz": 3000.0}, None),
        ({"cpu_pressure": 0.45}, {"cpu_pressure": 0.3}, Cause("processor_wait", 0.45)),
        ({"cpu_pressure": 0.39}, {"cpu_pressure": 0.3}, None),
        ({"io_pressure": 0.2}, {"io_pressure": 0.0}, Cause("storage_wait", 0.2)),
        ({"memory_pressure": 0.2}, {"memory_pressure": 0.0}, Cause("memory_wait", 0.2)),
    ],
)
def test_a_disturbance_differs_from_a_habit(moment: dict, usual: dict, cause: Cause | None) -> None:
    """One odd trial of eight is flagged with its cause when it passes the limit, else not."""
    flagged = flag_trials(trials_with(3, HostMoment(**moment), HostMoment(**usual)))
    if cause is None:
        assert flagged == {}
        return
    assert flagged == {(3, 0): (cause,)}


def test_many_disturbed_trials_are_summed_up_as_a_range() -> None:
    """Three trials that waited 55, 70 and 88 % of the time, one of them stolen from: a range with
    its count, then the rarer cause; nothing for no trial."""
    moments = {(k, 0): HostMoment(cpu_pressure=0.2, steal_fraction=0.0) for k in range(8)}
    for k, share in ((1, 0.55), (4, 0.88), (6, 0.7)):
        stolen = 0.05 if k == 4 else 0.0
        moments[k, 0] = HostMoment(cpu_pressure=share, steal_fraction=stolen)
    flagged = flag_trials(build_run({ENCODE: QUIET}, moments=moments).trials)
    assert summarise_causes(flagged.values()) == (
        CauseRange(kind="processor_wait", low=0.55, high=0.88, trial_count=3),
        CauseRange(kind="steal", low=0.05, high=0.05, trial_count=1),
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
    assert flag_trials(trials_with(0, same, same)) == {}


def test_an_operating_system_that_reports_nothing_flags_nothing() -> None:
    """All facts None: no flags, no errors."""
    run = build_run({ENCODE: QUIET})
    silent = [trial.model_copy(update={"process": None}) for trial in run.trials]
    assert flag_trials(silent) == {}
    assert flag_trials([]) == {}


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
    cause = Cause("interruptions", switches)
    assert flag_trials(trials) == ({(2, 0): (cause,)} if is_flagged else {})


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
        assert find_unlikeness(cell, manifest(), manifest()) == ()
        assert find_unlikeness(cell, manifest(), longer) == ()


def test_settings_of_the_cells_own_task_must_agree() -> None:
    """Other frames to encode: the encode cell is unlike, the scrub cell is not; settings that
    cells carry themselves (threads) are no reason."""
    base = manifest()
    encode = base.scenario.settings(EncodeSettings)
    frames = encode.model_copy(update={"frames": 50})
    changed = with_scenario(encode=frames)
    assert find_unlikeness(ENCODE, base, changed) == (
        Reason(
            kind="other_setting",
            task="encode",
            name="frames",
            before=(str(encode.frames),),
            after=("50",),
        ),
    )
    assert find_unlikeness(SCRUB, base, changed) == ()
    threads = encode.model_copy(update={"threads": (2,)})
    assert find_unlikeness(ENCODE, base, with_scenario(encode=threads)) == ()


def test_other_footage_is_unlike_for_its_own_cells_and_for_those_of_all_clips() -> None:
    """A changed fingerprint; a cell of another clip is not touched by it."""
    base = manifest()
    clip = base.clips[0].model_copy(update={"fingerprint": "other"})
    changed = base.model_copy(update={"clips": (clip,)})
    reason = Reason(kind="other_footage", name=clip.clip)
    assert find_unlikeness(ENCODE, base, changed) == (reason,)
    assert find_unlikeness(ENCODE.but(clip=ALL_CLIPS), base, changed) == (reason,)
    other = ENCODE.model_copy(update={"clip": "another"})
    assert find_unlikeness(other, base, changed) == ()


def test_an_encoding_defined_otherwise_is_unlike() -> None:
    """Another profile under the same name; the original has no definition."""
    base = manifest()
    altered = tuple(
        entry.model_copy(update={"profile": "other"}) if entry.name == "VC-3 SQ" else entry
        for entry in base.encodings
    )
    changed = base.model_copy(update={"encodings": altered})
    reason = Reason(kind="other_encoding", name="VC-3 SQ")
    assert find_unlikeness(ENCODE, base, changed) == (reason,)
    original = SCRUB.model_copy(update={"encoding": "original"})
    assert find_unlikeness(original, base, changed) == ()


def test_an_encoded_file_that_differs_matters_to_who_reads_it() -> None:
    """Encoded anew by other software: playing it is another job, encoding it is not."""
    base = manifest()
    media = tuple(entry.model_copy(update={"fingerprint": "new"}) for entry in base.media)
    changed = base.model_copy(update={"media": media})
    assert find_unlikeness(ENCODE, base, changed) == ()
    assert find_unlikeness(SCRUB, base, changed) == (Reason(kind="other_file", name="VC-3 SQ"),)
    hop = SCRUB.model_copy(update={"clip": ALL_CLIPS})
    assert len(find_unlikeness(hop, base, changed)) == 1
    elsewhere = SCRUB.model_copy(update={"encoding": "RDD 36 standard"})
    only_one = base.model_copy(
        update={
            "media": tuple(
                e.model_copy(update={"fingerprint": "new"}) if e.encoding == "VC-3 SQ" else e
                for e in base.media
            )
        }
    )
    assert find_unlikeness(elsewhere, base, only_one) == ()


def changes(before: list[Manifest], after: list[Manifest]) -> dict[str, tuple]:
    sides = ([Run(manifest, ()) for manifest in side] for side in (before, after))
    return {c.name: (c.before, c.after) for c in changed_facts(*sides)}


def test_host_changes_are_listed_by_name() -> None:
    """Driver, library, kernel and governor that differ, with both values, None for unknown; free
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
    assert changes([before], [after]) == {
        "governor": (("performance",), ("powersave",)),
        "libavcodec": (("61.1",), ("61.2",)),
        "gpu_driver": ((None,), ("550.1",)),
    }


def test_a_fact_that_varies_within_a_side_is_listed() -> None:
    """Two baseline runs under different kernels: both are named, though the candidate agrees with
    one of them."""
    runs = [manifest(kernel="6.1"), manifest(kernel="6.2")]
    both = ("6.1", "6.2")
    assert changes(runs, [manifest(kernel="6.2")]) == {"kernel": (both, ("6.2",))}
    assert changes(runs, list(reversed(runs))) == {"kernel": (both, both)}
    newer = manifest().model_copy(update={"mezzmark_version": "9"})
    assert list(changes([manifest()], [newer])) == ["mezzmark"]


@pytest.mark.parametrize(
    ("change", "meanings"),
    [
        ({"cpu_model": "x"}, {"MACHINE", "HARDWARE", "HOST_OVER_TIME", "POOLED"}),
        ({"logical_core_count": 999}, {"MACHINE", "HARDWARE", "HOST_OVER_TIME", "POOLED"}),
        ({"host_label": "x"}, {"MACHINE", "HOST_OVER_TIME", "POOLED"}),
        ({"memory_bytes": 1}, {"MACHINE", "HARDWARE", "POOLED"}),
        ({"memory_bytes": int(0.99 * manifest().host.memory_bytes)}, set()),
        ({"usable_core_count": 1}, {"POOLED"}),
        ({"governor": "powersave"}, set()),
    ],
)
def test_what_makes_it_another_machine(change: dict, meanings: set[str]) -> None:
    """Each meaning of "the same machine" by the facts that break it; a governor breaks none, nor
    does memory of which another kernel reports 1 % less."""
    names = ("MACHINE", "HARDWARE", "HOST_OVER_TIME", "POOLED")
    hosts = manifest().host, manifest(**change).host
    assert {n for n in names if differing_facts(*hosts, getattr(identity, n))} == meanings
