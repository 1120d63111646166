"""Causes and words of the diagnosis, on readings made up without FFmpeg."""

import numpy as np
import pytest

from fixtures.fabricated_fidelity import EXPECTED, reading
from mezzmark.decide.picture.diagnosis import diagnose, visibility_words
from mezzmark.decide.picture.signatures import signatures

SIGNATURES = signatures(matrix="BT.709")


def test_signatures_differ_from_each_other_and_from_nothing() -> None:
    """No two known causes look alike: every pair is at least 1.5 codes RMS apart (the nearest are
    two gammas of almost one exponent), and each at least 2.5 codes from an untouched chart."""
    pictures = [signature.shown_rgb for signature in SIGNATURES]
    for place, one in enumerate(pictures):
        assert np.sqrt(np.mean((one - EXPECTED) ** 2)) > 2.5
        for other in pictures[place + 1 :]:
            assert np.sqrt(np.mean((one - other) ** 2)) > 1.5


@pytest.mark.parametrize("signature", SIGNATURES, ids=lambda s: s.cause.key)
def test_a_signature_with_noise_is_named(signature) -> None:
    """Each signature plus noise of half a code is given its own name and words."""
    noise = np.random.default_rng(7).normal(0, 0.5, EXPECTED.shape)
    found = diagnose(reading(np.clip(signature.shown_rgb + noise, 0, 255)))
    assert found.cause == signature.cause.key
    assert found.words.endswith(f"as if {signature.cause.words}")
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
    ("delta_e", "words"),
    [
        (0.99, "no visible shift"),
        (1.0, "a shift seen only side by side"),
        (2.0, "a shift that a trained eye would see"),
        (5.0, "a shift most viewers would see"),
    ],
)
def test_visibility(delta_e: float, words: str) -> None:
    """Limits of ΔE2000 1, 2 and 5 (common practice in display calibration, no published source
    for these words)."""
    assert visibility_words(delta_e) == words


def test_words_for_a_range_mistake() -> None:
    """The sentence a non-engineer reads."""
    shown = next(s.shown_rgb for s in SIGNATURES if s.cause.key == "limited as full")
    assert diagnose(reading(shown, delta_e=5.1)).words == (
        "a shift most viewers would see (ΔE 5.1), as if limited range were read as full"
    )


def test_steps_and_siting_are_looked_for_only_on_a_still_chart() -> None:
    """8-bit steps and misplaced chroma are named when patches stand still, with the figures in
    the words; on a chart that moved without a known cause they are not."""
    steps = diagnose(reading(EXPECTED, delta_e=0.2, eight_bit=0.9))
    assert steps.cause == "8-bit steps"
    assert "220 of 640 grey levels" in steps.words
    siting = diagnose(reading(EXPECTED, delta_e=0.0, shift_x=0.5, shift_y=-0.4))
    assert siting.cause == "chroma siting"
    assert "+0.50 px across and -0.40 px down" in siting.words
    swapped = EXPECTED[:, ::-1]
    moved = diagnose(reading(swapped, delta_e=20.0, eight_bit=0.9, shift_x=3.0))
    assert moved.cause == "unexplained"
    assert "unexplained" in moved.words


def test_a_wave_too_weak_to_read_is_no_siting_mistake() -> None:
    """None (nothing left of the wave) and 8-bit encodings (no steps to look for) pass."""
    found = diagnose(reading(EXPECTED, delta_e=0.0, eight_bit=None, shift_x=None, shift_y=None))
    assert found.cause == "no shift"
