"""The answer says what the run shows, no more: who is fastest, what is not told, what failed."""

import re
from dataclasses import replace

import pytest

from fixtures.fabricated_run import (
    EIGHT,
    HOSTILE_NAMES,
    THREE,
    FabricatedEncoding,
    Fabrication,
    Spread,
    fabricate_run,
)
from fixtures.made_sizing import made
from mezzmark.decide.picture.diagnosis import Diagnosis
from mezzmark.decide.picture.fidelity import ClipFidelity, EncodingFidelity
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import CellSummary
from mezzmark.model.tasks.kernel import KERNEL_CELL, KernelMeasurement
from mezzmark.report.prose.answer import Answer, few_rounds_text, run_answer
from mezzmark.report.prose.numbers import estimate_text, list_text, number_text, shown_name
from mezzmark.report.prose.picture import colour_words, picture_sentences
from mezzmark.report.prose.terms import axis_words, pattern_words, task_label
from mezzmark.report.tables.run import failure_table
from mezzmark.report.view import RunView

CALM = Spread(sample=0.1, trial=0.005, round=0.02)


def answer(fabrication: Fabrication) -> Answer:
    """The answer of a fabricated run."""
    return run_answer(RunView(*fabricate_run(fabrication)))


def everything(found: Answer) -> str:
    """All sentences as one text."""
    return " ".join((found.headline, *found.findings, *found.cautions, *found.not_tested))


def test_headline_names_the_true_fastest_and_its_true_gain() -> None:
    """Planted medians of 14 and 310 ms: the fast one is named, at 310 / 14 = 22.1 times."""
    found = answer(Fabrication(spread=CALM, rounds=8))
    assert found.headline.startswith("On this machine, with this footage, VC-3 SQ is fastest")
    told = re.search(r"([\d.]+)× \[([\d.]+), ([\d.]+)\] faster", found.headline)
    gain, low, high = (float(number) for number in told.groups())
    assert gain == pytest.approx(310 / 14, rel=0.03)
    assert low < 310 / 14 < high


def test_encodings_that_cannot_be_told_apart_are_named_together() -> None:
    """Two encodings of equal truth share the headline and are called neither same nor faster."""
    found = answer(Fabrication(encodings=EIGHT[:5], spread=CALM, rounds=8))
    assert "VC-3 SQ and VC-3 SQ (MXF)" in found.headline or (
        "VC-3 SQ (MXF) and VC-3 SQ" in found.headline
    )
    assert "no measurable difference between them" in found.headline
    assert any("not proof that they are equal" in text for text in found.cautions)


def test_a_tie_in_another_way_of_moving_says_that_it_cannot_be_told() -> None:
    """Two equal truths when the playhead moves a short way: named as not told apart, in words that
    do not sound like a secret."""
    found = answer(Fabrication(encodings=EIGHT[:5], spread=CALM, rounds=8))
    (near,) = [text for text in found.findings if "when the playhead moves a" in text]
    assert re.search(r"; no measurable difference from VC-3 SQ( \(MXF\))?\.$", near)


def test_too_few_rounds_claim_nothing() -> None:
    """Two rounds rank nothing, and say how many are needed for that and for an interval."""
    found = answer(Fabrication(rounds=2))
    assert found.headline == few_rounds_text(2)
    assert found.key_numbers == ()
    assert any("1 more round" in text for text in found.cautions)
    assert "[" not in everything(found)
    assert "was fastest" not in everything(found)
    assert "100 ms" not in everything(found)


@pytest.mark.parametrize(
    ("encodings", "task", "counted"),
    [(THREE, "", "10 of 10 cells"), (THREE[1:2], "scrub", "2 of 2 cells")],
)
def test_cells_are_counted_without_the_reference_kernel(
    encodings: tuple[FabricatedEncoding, ...], task: str, counted: str
) -> None:
    """Two rounds of scrubbing in two ways, of three encodings with two of them encoded at two
    thread counts, or of one alone; the kernel and the second trials of a self-comparison, as few,
    are no cells."""
    manifest, trials = fabricate_run(Fabrication(encodings=encodings, rounds=2))
    asked = [trial for trial in trials if task in ("", trial.cell.task)]
    kernel = {"cell": KERNEL_CELL, "measurement": KernelMeasurement(wall_ns=(10**6,))}
    kernels = [one.model_copy(update=kernel) for one in (asked[0], asked[-1])]
    again = [one.model_copy(update={"arm": "null"}) for one in (asked[0], asked[-1])]
    found = run_answer(RunView(manifest, (*asked, *kernels, *again))).cautions
    [text] = [text for text in found if "too few rounds" in text]
    assert text.startswith(f"{counted} finished too few rounds for an interval: their figures may")


def test_one_cell_of_too_few_rounds_is_one() -> None:
    """In the singular, whatever the count of the others."""
    manifest, trials = fabricate_run(Fabrication(encodings=THREE[1:2], rounds=2))
    asked = [trial for trial in trials if trial.cell.setting["pattern"] == "jump"]
    [text] = [t for t in run_answer(RunView(manifest, asked)).cautions if "too few rounds" in t]
    assert text.startswith("1 of 1 cell finished too few rounds for an interval: its figures may")


def test_an_encoding_with_wrong_pictures_is_never_called_fastest() -> None:
    """The quickest of all showed wrong frames: the next one leads, and the wrong ones are told
    first among the cautions."""
    liar = FabricatedEncoding(name="liar", jump_ms=2, bitrate_bps=1e8, wrong_fraction=0.1)
    found = answer(Fabrication(encodings=(*THREE, liar), spread=CALM))
    assert "VC-3 SQ is fastest" in found.headline
    assert found.cautions[0].startswith("Wrong pictures: ")
    assert "liar" in found.cautions[0]


def test_original_that_is_fastest_is_said_to_be() -> None:
    """Where no encoding beats the camera's file, the answer says so."""
    slow = tuple(replace(e, jump_ms=900.0) for e in THREE[1:])
    found = answer(Fabrication(encodings=(THREE[0], *slow), spread=CALM))
    assert "the original is fastest: none was faster" in found.headline


def test_failures_are_told_with_their_reason() -> None:
    """A crash in the last round: how many trials of how many, and why."""
    crashing = replace(THREE[2], fails="the decoder ended with signal 11")
    found = answer(Fabrication(encodings=(*THREE[:2], crashing), rounds=4))
    assert "RDD 36 standard: 4 of 16 trials failed (the decoder ended with signal 11)." in (
        found.cautions
    )


def test_a_player_without_a_decoder_is_told_once_and_has_not_failed() -> None:
    """Refused trials are no failures: one line names the device and the encoding."""
    manifest, trials = fabricate_run(Fabrication(spread=CALM))
    cell = trials[0].cell.but(setting=trials[0].cell.setting.but(player="cuda"))
    refused = {"cell": cell, "outcome": "failed", "measurement": None, "flags": ("no_decoder",)}
    view = RunView(manifest, (*trials, trials[0].model_copy(update=refused)))
    assert failure_table(view).rows == ()
    found = run_answer(view).cautions
    told = [text for text in found if "cuda" in text]
    assert told == [f"No device decoder (cuda) for {shown_name(cell.encoding)}: not played so."]
    assert not [text for text in found if "failed" in text]
    (summary,) = [one for one in view.summaries if one.cell == cell]
    assert (summary.trial_count, summary.failed_trial_count, summary.estimates) == (0, 0, {})


def test_a_lost_sample_aspect_is_told_with_the_encoding_s_name() -> None:
    """Once an encoding, however many of its files lost it; nothing where none did."""
    manifest, trials = fabricate_run(Fabrication(clips=("a", "b"), spread=CALM))
    media = [
        one.model_copy(update={"is_aspect_lost": "VC-3" in one.encoding}) for one in manifest.media
    ]
    told = [
        [text for text in run_answer(RunView(one, trials)).cautions if "aspect" in text]
        for one in (manifest, manifest.model_copy(update={"media": tuple(media)}))
    ]
    assert told[0] == []
    assert len(told[1]) == 1
    assert "VC-3 SQ" in told[1][0]


def test_a_pattern_player_task_or_axis_without_words_is_said_by_its_name() -> None:
    """What a later table adds is shown as its own name, dashes as blanks; nothing fails."""
    assert pattern_words("zig-zag") == "moving by the pattern zig zag"
    assert axis_words("player", "shuttle_deck") == "player shuttle deck"
    assert axis_words("link_speed", 3) == "link speed 3"
    assert task_label("live-feed") == "live feed"


def test_nothing_finished_is_an_answer() -> None:
    """A run whose every trial failed has no fastest, and no error either."""
    manifest, trials = fabricate_run(Fabrication(rounds=1))
    dead = [t.model_copy(update={"outcome": "failed", "measurement": None}) for t in trials]
    found = run_answer(RunView(manifest, dead))
    assert found.headline.endswith("nothing finished, so there is no answer.")
    assert found.key_numbers == ()


def test_a_run_without_scrubbing_answers_about_encoding_only() -> None:
    """Only encode trials: the fastest encoder is named and scrubbing is listed as not tested."""
    manifest, trials = fabricate_run(Fabrication())
    bare = manifest.model_copy(update={"scenario": manifest.scenario.but(scrub=None)})
    found = run_answer(RunView(bare, [t for t in trials if t.cell.task == "encode"]))
    assert found.headline == "On this machine, with this footage, VC-3 SQ encoded fastest."
    assert "scrub latency" in found.not_tested


def test_what_was_not_tested_follows_the_scenario() -> None:
    """A pattern that was measured is not listed as missing; one that was not, is."""
    found = answer(Fabrication(patterns=("jump", "sweep-back"), rounds=3))
    (missing,) = [text for text in found.not_tested if text.startswith("these ways")]
    assert "near" in missing
    assert "sweep-back" not in missing


@pytest.mark.parametrize(
    ("value", "half_width", "text"),
    [
        (12.43, 0.35, "12.4"),
        (12.43, 0.1, "12.43"),
        (1234.5, 20.0, "1,234"),
        (0.98, 1e-9, "0.9800"),
        (310.0, 17.0, "310"),
        (9.2, 1.1, "9.2"),
        (52.2, None, "52.2"),
        (0.38, None, "0.380"),
        (0.0, None, "0"),
        (0.0, 0.5, "0.0"),
        (1e-322, None, "0"),
        (5.0, 5e-324, "5.00"),
        (5.0, float("nan"), "5.00"),
        (float("nan"), 1.0, "–"),
    ],
)
def test_digits_match_the_uncertainty(value: float, half_width: float | None, text: str) -> None:
    """Digits stop at a third of the half-width, at four at most, at three where none is known, or
    none that a number can be; what is no number is a dash."""
    assert number_text(value, half_width=half_width) == text


def test_an_estimate_is_written_with_its_interval_or_bare() -> None:
    """Bits per second are shown in Mbit/s; without an interval no bracket is written."""
    estimate = made(12.44e6, 12.1e6, 12.8e6, "bit/s")
    assert estimate_text(estimate) == "12.4 Mbit/s [12.1, 12.8]"
    assert estimate_text(estimate.model_copy(update={"low": None, "high": None})) == "12.4 Mbit/s"


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_names_in_text_are_short_and_harmless(name: str) -> None:
    """No line break, no direction control and no more than 48 characters survive in prose; a
    right-to-left name is isolated from what follows."""
    shown = shown_name(name)
    inner = shown.removeprefix("\u2068").removesuffix("\u2069")
    assert len(inner) <= 48
    assert not set(inner) & set("\n\t\r\u202e\u202c\u2066\u2067\u2068\u2069")
    assert shown.startswith("\u2068") == ("\u05e2" in inner)


def test_lists_of_names_with_commas_stay_apart() -> None:
    """A name that holds a comma switches the list to semicolons, and a long list is cut."""
    assert list_text(["a", "b", "c"]) == "a, b and c"
    assert list_text(["a, 10 bit", "b", "c"]) == "a, 10 bit; b and c"
    assert list_text(list("abcdef"), limit=2) == "a, b and 4 more"


def test_a_run_that_only_judged_pictures_does_not_say_that_nothing_finished() -> None:
    """Without scrubbing and encoding, the headline names what was measured instead."""
    summary = CellSummary(
        cell=Cell(task="fidelity", clip="c", encoding="e"),
        estimates={},
        trial_count=1,
        failed_trial_count=0,
        sample_count=0,
        wrong_count=0,
        unproved_count=0,
    )
    manifest, _ = fabricate_run()
    view = RunView(manifest, ())
    view.__dict__["summaries"] = (summary,)
    headline = run_answer(view).headline
    assert "fidelity was measured" in headline
    failed = summary.model_copy(update={"failed_trial_count": 1})
    view.__dict__["summaries"] = (failed,)
    assert "nothing finished" in run_answer(view).headline


def test_the_answer_tells_what_became_of_the_picture() -> None:
    """Visible shifts, of 9 in 10 patches, are counted and the worst is named; the largest of a
    single patch is given, of whichever encoding (of HDR in ΔE2000 too, as needs are); what
    came back bit for bit is listed; nothing is said where nothing was judged."""

    def entry(
        name: str, delta_e: float, worst: float | None = None, **more: bool
    ) -> EncodingFidelity:
        chart = Diagnosis(
            cause="limited as full" if delta_e > 1 else "no shift",
            delta_e=delta_e,
            worst_delta_e=worst or delta_e,
            worst_patch="grey",
            change_codes=0,
            residual_codes=0,
            is_hdr=more.get("is_hdr", False),
        )
        return EncodingFidelity(
            encoding=name,
            clips=(ClipFidelity.model_construct(clip="c", diagnosis=chart),),
            is_bit_exact=more.get("is_exact", False),
            estimates={},
            by_generation_db=(),
            bitrate_bps=1e8,
            worst_chart=chart,
        )

    assert picture_sentences(()) == []
    calm = picture_sentences((entry("A", 0.2), entry("B", 0.41, is_exact=True)))
    assert calm == [
        "Colours: no visible shift in any of 2 encodings; the largest shift of a patch is ΔE 0.410 "
        "(B).",
        "Came back bit-exact: B.",
    ]
    shifted = picture_sentences((entry("A", 5.1), entry("B", 0.4, 12.5), entry("C", 2.0, 10.4)))
    assert shifted == [
        "Colours: 2 of 3 encodings shifted visibly; most of all A: a shift most viewers would see "
        "(ΔE up to 5.1 in 9 of 10 patches), as if limited range were read as full. The largest "
        "shift of a patch is ΔE 12.5 (B)."
    ]
    nearly = picture_sentences((entry("A", 0.2), entry("B", 0.4, 12.5)))
    assert nearly == [
        "Colours: no visible shift in 9 of 10 patches in any of 2 encodings; the largest shift of "
        "a patch is ΔE 12.5 (B)."
    ]
    assert colour_words(entry("B", 0.4, 12.5)) == "no visible shift in 9 of 10 patches"
    [hdr] = picture_sentences((entry("A", 0.6, 37.5, is_hdr=True),))
    assert hdr.endswith("the largest shift of a patch is ΔE_ITP 37.5, or ΔE 12.5 (A).")
