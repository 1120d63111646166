"""What a run says of itself, and what follows from that alone."""

from pathlib import Path
from uuid import uuid4

import mezzmark
from mezzmark.facts.cells import Cell
from mezzmark.facts.jobs import BandwidthJob, Carried
from mezzmark.facts.run import Manifest
from mezzmark.facts.scenario import Scenario
from mezzmark.host import read_host_facts
from mezzmark.host_clock import Clock
from mezzmark.runner.plan import plan_cells
from mezzmark.runner.prepare import Footage
from mezzmark.runner.workers import Converse, last_answer

BANDWIDTH_TIMEOUT_S = 300.0
"""A copy of 64 MiB takes a few hundredths of a second; so long is a machine without memory left."""


def describe_run(
    scenario: Scenario, footage: Footage, *, cache_dir: Path, clock: Clock
) -> Manifest:
    """The manifest of a run that begins now."""
    from mezzmark.engines.versions import read_library_versions

    return Manifest(
        mezzmark_version=mezzmark.__version__,
        run_id=uuid4().hex,
        created_utc=clock.utc(),
        scenario=scenario,
        encodings=footage.encodings,
        clips=tuple(footage.clips),
        media=tuple(footage.media_manifests),
        refused=tuple(footage.refused),
        host=read_host_facts(cache_dir, library_versions=read_library_versions()),
    )


def add_bandwidth(manifest: Manifest, converse: Converse) -> Manifest:
    """The manifest with the memory bandwidth at 1, 2, 4, … and all cores, where a grid needs it.

    Where it cannot be measured it stays unknown: it only explains a limit.
    """
    if manifest.scenario.grid is None:
        return manifest
    core_count = manifest.host.usable_core_count
    powers = [2**k for k in range(core_count.bit_length()) if 2**k < core_count]
    job = BandwidthJob(process_counts=(*powers, core_count))
    answer = last_answer(converse(job, BANDWIDTH_TIMEOUT_S))
    if not isinstance(answer, Carried):
        return manifest
    host = manifest.host.model_copy(update={"memory_bandwidth": answer.bandwidth})
    return manifest.model_copy(update={"host": host})


def manifest_cells(manifest: Manifest) -> tuple[Cell, ...]:
    """The cells of a run; with the seed they give back the planned order of every round."""
    return plan_cells(
        manifest.scenario,
        media=dict.fromkeys((medium.clip, medium.encoding) for medium in manifest.media),
        core_count=manifest.host.usable_core_count,
    )
