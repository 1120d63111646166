"""What stands behind the figures: the machine, the clips, the method, the versions."""

from collections.abc import Sequence

from mezzmark.decide.estimate.observed_run import observe
from mezzmark.decide.estimate.pooling import compare_groups
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.numbers import count_text, estimate_text, visible_text
from mezzmark.report.tables.machine import NOT_REPORTED, Facts, host_facts
from mezzmark.report.view import RunView


def run_facts(view: RunView) -> Facts:
    """The machine, and what else was at work on it during the run."""
    busy = (("load before trials", _load(view)), ("stolen by the host", _stolen(view)))
    facts = [*host_facts(view.manifest.host), *((k, v or NOT_REPORTED) for k, v in busy)]
    return [(name, visible_text(text)) for name, text in facts]


def _load(view: RunView) -> str | None:
    loads = [
        trial.host_before.load_average_1m
        for trial in view.trials
        if trial.host_before.load_average_1m is not None
    ]
    return f"{min(loads):.1f} to {max(loads):.1f} (1 min average)" if loads else None


def _stolen(view: RunView) -> str | None:
    shares = [
        trial.host_during.steal_fraction
        for trial in view.trials
        if trial.host_during.steal_fraction is not None
    ]
    return f"at most {max(shares) * 100:.1f} % of a trial" if shares else None


def version_facts(view: RunView) -> Facts:
    """What must be equal for the run to be repeated."""
    manifest = view.manifest
    return [
        ("mezzmark", manifest.mezzmark_version),
        ("run", visible_text(manifest.run_id)),
        ("begun", manifest.created_utc),
        ("scenario", visible_text(manifest.scenario.name)),
        ("seed", str(manifest.scenario.seed)),
        ("Python", manifest.host.python),
        *sorted(manifest.host.library_versions.items()),
    ]


def method_sentences(view: RunView) -> list[str]:
    """How the figures came about, in the order in which a doubter asks."""
    level = f"{view.confidence_level * 100:g} %"
    scenario = view.manifest.scenario
    stop = view.manifest.stop_reason or (
        "it was stopped before its end, or was still at work when this was written"
    )
    torn = view.torn_line_count
    return [
        "Scrub: the clock starts when a frame is asked for and stops when that frame is a picture "
        "in the viewer's size and RGB, in memory. It is the sum of locate (seek), decode and "
        "present (scale, colour). Times are raw integer nanoseconds of a monotonic clock; the "
        "harness's own cost is stored beside them and never subtracted.",
        "Encode: frames come from memory; the clock runs from the first frame handed over to the "
        "file being finished. Speed is total frames / total seconds.",
        f"{count_text(view.round_count, 'round')} of {scenario.rounds} allowed. In a round every "
        "cell runs once, in a new random order and a fresh process, and all encodings of a clip "
        f"replay the same playhead moves. Stopped because: {visible_text(stop)}.",
        "The sampling unit is the trial (one cell in one round), not the single move. Median and "
        "p95 within a trial are Hyndman & Fan's type 8 quantiles.",
        f"Intervals hold at {level}: Student's t on the logs of per-trial values; for ratios, on "
        "log ratios paired by round; over several clips, on the geometric mean over clips, so "
        f"they speak of these clips only. Fewer than {MINIMUM_ROUNDS} rounds give no interval. "
        "p95 is that of all moves of all rounds; its limits are binomial, at the effective number "
        "of moves, and need more rounds.",
        *_null_arm(view),
        *_reference_workload(view),
        *([f"{count_text(torn, 'torn line')} of an interrupted write left out."] if torn else []),
        "The line at 0.1 s is where interaction research puts the end of “immediate” (Miller "
        "1968; Card, Robertson & Mackinlay 1991; as attributed in Nielsen 1993).",
    ]


def _null_arm(view: RunView) -> Sequence[str]:
    """The same cells measured twice a round: what a difference of nothing looks like here."""
    texts = []
    for cell in (summary.cell for summary in view.summaries if summary.arm == "null"):
        ratio = compare_groups(
            observe((trial for trial in view.trials if trial.cell == cell), arm="null"),
            [observation for observation in view.observations if observation.cell == cell],
            TASKS[cell.task].headline,
            confidence_level=view.confidence_level,
        )
        if ratio is not None:
            texts.append(
                f"Self-comparison: {visible_text(cell.cell_id)} was measured twice a round as if "
                f"it were two; their ratio, 1 in truth, came out as {estimate_text(ratio)}."
            )
    return texts


def _reference_workload(view: RunView) -> Sequence[str]:
    texts = []
    for summary in view.summaries:
        estimate = summary.estimates.get("kernel_ms")
        if estimate is None:
            continue
        texts.append(
            f"A fixed reference workload took {estimate_text(estimate)} over the rounds; what that "
            "says of the machine stands under “How steady it was”."
        )
    return texts
