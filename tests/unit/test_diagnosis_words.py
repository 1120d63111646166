"""Causes and words of the diagnosis, on readings written out here, without FFmpeg."""

from itertools import combinations

import numpy as np
import pytest

from fixtures.fabricated_fidelity import CHART, EXPECTED, reading
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.picture.diagnosis import diagnose, signatures, visibility
from mezzmark.model.chart import Chart
from mezzmark.report.prose.picture import diagnosis_words

SIGNATURES = signatures(CHART)


def test_signatures_differ_from_each_other_and_from_nothing() -> None:
    """No two known causes look alike: every pair is at least 1.5 codes RMS apart (the nearest are
    two gammas of almost one exponent), and each at least 2.5 codes from an untouched chart."""
    for one in SIGNATURES.values():
        assert np.sqrt(np.mean((one - EXPECTED) ** 2)) > 2.5
    for one, other in combinations(SIGNATURES.values(), 2):
        assert np.sqrt(np.mean((one - other) ** 2)) > 1.5


@pytest.mark.parametrize("cause", SIGNATURES)
def test_a_signature_with_noise_is_named(cause: str) -> None:
    """Each signature plus noise of half a code is given its own name."""
    noise = np.random.default_rng(7).normal(0, 0.5, EXPECTED.shape)
    found = diagnose(reading(np.clip(SIGNATURES[cause] + noise, 0, 255)))
    assert found.cause == cause
    assert found.residual_codes < 0.6


@pytest.mark.parametrize("noise_codes", [0.0, 0.5, 1.0, 3.0])
def test_noise_is_no_cause(noise_codes: float) -> None:
    """Noise alone, however strong, is never given a cause."""
    rng = np.random.default_rng(11)
    for _ in range(50):
        shown = EXPECTED + rng.normal(0, noise_codes, EXPECTED.shape)
        assert diagnose(reading(shown, delta_e=0.4)).cause == "no shift"
        assert diagnose(reading(shown, delta_e=4.0)).cause == "unexplained"


def test_what_was_there_before_the_encoder_is_taken_off() -> None:
    """A viewer that shows everything 2 codes too dark does so before and after: no shift."""
    darker = EXPECTED - 2
    assert diagnose(reading(darker, entered=darker, delta_e=0.0)).cause == "no shift"


@pytest.mark.parametrize(
    ("delta_e", "seen_by"),
    [
        (0.99, "invisible"),
        (1.0, "side by side"),
        (2.0, "trained eye"),
        (5.0, "most viewers"),
    ],
)
def test_visibility(delta_e: float, seen_by: str) -> None:
    """Limits of ΔE2000 1, 2 and 5 (common practice in display calibration, no published source
    for these kinds)."""
    assert visibility(delta_e) == seen_by


STEPS = reading(EXPECTED, delta_e=0.2, eight_bit=0.9)
SITED = reading(EXPECTED, delta_e=0.0, shift_x=0.5, shift_y=-0.4)
BY_PICTURES = diagnose(reading(SIGNATURES["matrix 709 as 601"], delta_e=4.4))
BY_PICTURES = BY_PICTURES.model_copy(
    update={"by_pictures": True, "further": ("709 as 601 525 lines",)}
)
SWAPPED = reading(EXPECTED[:, ::-1], delta_e=20.0, eight_bit=0.9, shift_x=3.0)


def test_steps_and_siting_are_looked_for_only_on_a_still_chart() -> None:
    """8-bit steps and misplaced chroma are named when patches stand still, with their figures; on
    a chart that moved without a known cause they are not."""
    steps = diagnose(STEPS)
    assert steps.cause == "8-bit steps"
    assert (steps.ramp_codes_returned, steps.ramp_codes_entered) == (220, 640)
    siting = diagnose(SITED)
    assert siting.cause == "chroma siting"
    assert (siting.chroma_shift_x_px, siting.chroma_shift_y_px) == (0.5, -0.4)
    assert diagnose(SWAPPED).cause == "unexplained"


@pytest.mark.parametrize("transfer", ["PQ", "HLG"])
def test_hdr_signatures_differ_and_are_named(transfer: str) -> None:
    """Of charts in PQ and HLG every known mistake leaves the chart by 1.5 codes at least, and with
    noise of a tenth of a code is given its own name."""
    chart = Chart(width_px=640, height_px=360, matrix="BT.2020", primaries="BT.2020")
    chart = chart.model_copy(update={"transfer": transfer})
    still = chart.patch_signals.clip(0, 1) * 255
    noise = np.random.default_rng(3).normal(0, 0.1, still.shape)
    for cause, shown in signatures(chart).items():
        assert np.sqrt(np.mean((shown - still) ** 2)) > 1.5
        found = reading(shown + noise, entered=still, expected=still, delta_e=9.0)
        assert diagnose(found.model_copy(update={"chart": chart})).cause == cause


def test_a_wave_too_weak_to_read_is_no_siting_mistake() -> None:
    """None (nothing left of the wave) and 8-bit encodings (no steps to look for) pass."""
    found = diagnose(reading(EXPECTED, delta_e=0.0, eight_bit=None, shift_x=None, shift_y=None))
    assert found.cause == "no shift"


def test_what_is_said_of_a_chart() -> None:
    """Every known cause, who would see it, and the figures of those that patches do not show."""
    charts = [
        *(reading(EXPECTED, delta_e=delta_e) for delta_e in (0.4, 1.2, 2.5, 7.0)),
        *(reading(shown, delta_e=5.1) for shown in SIGNATURES.values()),
        *(STEPS, SITED, reading(EXPECTED, delta_e=0.2, shift_y=0.5), SWAPPED),
    ]
    hdr = CHART.model_copy(update={"transfer": "PQ", "primaries": "BT.2020"})
    still = hdr.patch_signals.clip(0, 1) * 255
    for delta_e, eight_bit in ((1.8, 0.0), (7.2, 0.0), (0.2, None)):
        found = reading(still, entered=still, expected=still, delta_e=delta_e, eight_bit=eight_bit)
        charts.append(found.model_copy(update={"chart": hdr}))
    said = [diagnosis_words(diagnose(chart)) for chart in charts]
    said.append(diagnosis_words(BY_PICTURES))
    assert_matches_snapshot("\n".join(said), "picture_diagnoses")
