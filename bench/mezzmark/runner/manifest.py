"""What a run says of itself, and what follows from that alone."""

from pathlib import Path
from uuid import uuid4

import mezzmark
from mezzmark.facts.cells import Cell
from mezzmark.facts.run import Manifest
from mezzmark.facts.scenario import Scenario
from mezzmark.host import read_host_facts
from mezzmark.host_clock import Clock
from mezzmark.runner.plan import plan_cells
from mezzmark.runner.prepare import Footage


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


def manifest_cells(manifest: Manifest) -> tuple[Cell, ...]:
    """The cells of a run; with the seed they give back the planned order of every round."""
    return plan_cells(
        manifest.scenario,
        media=dict.fromkeys((medium.clip, medium.encoding) for medium in manifest.media),
        core_count=manifest.host.usable_core_count,
    )
