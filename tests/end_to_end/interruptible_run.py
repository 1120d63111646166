"""A run in a process of its own, for tests that kill it. Prints a line for each event.

Arguments: run folder, `synthetic` or `workers`, `fresh` or `resume`. With `workers` each trial is
a real worker process that would run the reference kernel for minutes.
"""

import signal
import sys

from mezzmark.engines.synthetic import SyntheticEngine
from mezzmark.facts.errors import MezzmarkError
from mezzmark.facts.footage import ClipSpec, Recipe
from mezzmark.facts.jobs import KernelJob
from mezzmark.facts.scenario import EncodeSettings, Scenario, ScrubSettings
from mezzmark.runner import run
from mezzmark.runner.events import Prepared, Stopped, TrialFinished, TrialStarted
from mezzmark.runner.synthetic_footage import synthetic_footage

SCENARIO = Scenario(
    name="interrupted",
    seed=11,
    rounds=8,
    clips=(ClipSpec(name="a", recipe=Recipe()), ClipSpec(name="b", recipe=Recipe())),
    encodings=("original", "vc3-sq", "mjpeg-fine"),
    null_arm=True,
    scrub=ScrubSettings(requests=200),
    encode=EncodeSettings(),
)


def main() -> int:
    signal.signal(signal.SIGINT, signal.default_int_handler)  # as at a terminal, whoever starts us
    run_dir, kind, mode = sys.argv[1:4]
    if kind == "workers":
        run.describe_job = lambda *_, **__: KernelJob(repeats=10_000)
    execute = None if kind == "workers" else SyntheticEngine(seed=5, spend_s=0.002)
    events = run.run_scenario(
        SCENARIO,
        run_dir=run_dir,
        cache_dir=run_dir,
        resume=mode == "resume",
        execute=execute,
        stop_when=lambda trials: False,
        footage=synthetic_footage(SCENARIO),
    )
    try:
        for event in events:
            match event:
                case Prepared(done=done):
                    print("prepared", done, flush=True)
                case TrialStarted():
                    print("started", flush=True)
                case TrialFinished(trial=trial):
                    print("finished", trial.round_index, trial.position, flush=True)
                case Stopped(reason=reason):
                    print("stopped", reason, flush=True)
    except MezzmarkError as error:
        print("error", error, flush=True)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
