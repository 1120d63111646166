"""From a scenario to a finished report, on synthetic and on natural footage."""

import hashlib
from pathlib import Path

from fixtures.natural_clips import natural_clip
from mezzmark import api
from mezzmark.model.tasks.encode import EncodeMeasurement
from mezzmark.model.tasks.scrub import ScrubMeasurement
from mezzmark.store.run_store import read_run
from mezzmark.store.toml_files import build_scenario

ENCODINGS = ["original", "vc3-sq"]
ROUNDS = 1

MEASURES = {
    "seed": 20260101,
    "rounds": ROUNDS,
    "minimum_rounds": ROUNDS,
    "encodings": ENCODINGS,
    "scrub": {"patterns": ["jump"], "requests": 6, "threads": [1]},
    "encode": {"threads": [1], "frames": 12},
}


def test_scenario_to_report(tmp_path: Path) -> None:
    """Every trial finishes, every picture is proved right, and the report holds every encoding;
    the footage is bit for bit what it was."""
    natural = natural_clip("bikes.mp4")
    before = hashlib.sha256(natural.read_bytes()).hexdigest()
    clips = [
        {"name": "street", "files": [str(natural)], "excerpt_s": 1.0},
        {
            "name": "made",
            "recipe": {"width_px": 640, "height_px": 360, "duration_s": 1.0},
            "original": {"bitrate_bps": 4_000_000},
        },
    ]
    scenario = build_scenario({"name": "chain", "clips": clips, **MEASURES}, source="test")
    run_dir = api.measure(scenario, out=tmp_path / "run", cache=tmp_path / "cache")
    run, report = read_run(run_dir), api.report([run_dir])
    assert hashlib.sha256(natural.read_bytes()).hexdigest() == before
    assert {trial.outcome for trial in run.trials} == {"finished"}
    measured = [trial.measurement for trial in run.trials]
    scrubs = [m for m in measured if isinstance(m, ScrubMeasurement)]
    encodes = [m for m in measured if isinstance(m, EncodeMeasurement)]
    assert len(scrubs) == ROUNDS * len(clips) * len(ENCODINGS)
    assert len(encodes) == ROUNDS * len(clips) * (len(ENCODINGS) - 1)
    assert {proof for m in scrubs for proof in m.proof} <= {"right", "alike"}
    assert all(m.frame_count == m.decoded_frame_count == 12 for m in encodes)
    page = report.html.read_text(encoding="utf-8")
    for name in ENCODINGS:
        assert name in page
    assert "Not measured" in page
