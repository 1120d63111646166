"""The sentences and the compact table of sizing, from answers made by hand."""

from itertools import product

import pytest

from fixtures.made_sizing import SHOP, made, made_encoding, made_result
from mezzmark.decide.size.result import CorePrediction
from mezzmark.report.tables.size import sizing_details, sizing_notes, sizing_summary

ANSWERS = ("yes", "no", "cannot tell")
ORIGINAL = made_encoding("original", storage_tb=5, pays_off="not measured")


def test_the_headline_names_those_in_time_by_storage() -> None:
    """Who keeps up and is in time stands in the first sentence, smallest storage first, with the
    machine and the deadline; nobody else does."""
    result = made_result(
        made_encoding("big", storage_tb=20),
        made_encoding("slow", in_time="no"),
        made_encoding("small", storage_tb=8),
        ORIGINAL,
    )
    assert result.headline == (
        "On this machine (2 cores), small and big keep up with your shooting day and have cards "
        "ready in time (95 % of cards within 14 h of their arrival)."
    )
    assert result.findings[0] == "slow cannot keep up."


def test_several_machines_are_called_several() -> None:
    """What a shop of three ingest machines is told holds for the three."""
    shop = SHOP.model_copy(update={"ingest_machines": 3})
    assert made_result(made_encoding("a"), shop=shop).headline.startswith(
        "On 3 machines like this one (2 cores each), a keeps up"
    )


@pytest.mark.parametrize(("in_time", "keeps_up"), list(product(ANSWERS, ANSWERS)))
def test_each_encoding_stands_in_one_sentence_about_time(in_time: str, keeps_up: str) -> None:
    """Whatever its answers, one sentence and no other says whether an encoding is in time."""
    if in_time == "yes" and keeps_up != "yes":
        pytest.skip("cards in time and a queue that may grow exclude each other")
    result = made_result(made_encoding("x1", in_time=in_time, keeps_up=keeps_up, pays_off="yes"))
    about_time = [s for s in (result.headline, *result.findings) if "pays off" not in s]
    assert sum("x1" in sentence for sentence in about_time) == 1


def test_machines_are_those_of_the_slow_end() -> None:
    """The number told is the upper end, with which the answer would be yes; names that need as
    many share it."""
    result = made_result(
        made_encoding("a", in_time="no", machines=3),
        made_encoding("b", in_time="cannot tell", machines=2),
        made_encoding("c", in_time="no", machines=3),
        made_encoding("d", in_time="no", machines=float("inf")),
    )
    assert "In time with more machines like this one: b with 2; a and c with 3." in result.findings
    assert (
        "No number of such machines is surely enough for d, since one card alone may take longer "
        "than 14 h."
    ) in result.findings
    assert "no encoding surely keeps up" in result.headline


def test_as_many_machines_as_there_are_is_not_more() -> None:
    """The shop has one machine, which is not surely in time: one is no answer to how many more."""
    result = made_result(made_encoding("a", in_time="cannot tell", machines=1))
    assert not any("more machines" in sentence for sentence in result.findings)


def test_where_no_number_is_enough_the_reason_is_a_true_one() -> None:
    """A card of 1.5 h at 67.2 h a day for 3 h takes 33.6 h, longer than 14 h. One at 6.5 h a day
    takes 3.2 h, so that the length of a card is no reason."""
    result = made_result(
        made_encoding("slow", in_time="no", machines=float("inf")),
        made_encoding("quick", in_time="no", keeps_up="yes", machines=float("inf")),
    )
    told = [sentence for sentence in result.findings if "such machines" in sentence]
    assert told == [
        "No number of such machines is surely enough for slow, since one card alone may take "
        "longer than 14 h.",
        "Not even 1,000 such machines are surely enough for quick.",
    ]


def test_no_more_cores_than_those_measured_are_not_called_more() -> None:
    """Of a machine with 2 cores, answers for 1 and 2 are of no more cores, whatever they say."""
    there = tuple(
        CorePrediction(
            core_count=count,
            ingest_hours_per_day=made(10, 9, 11, "h"),
            warning="",
            meets_deadline="yes",
        )
        for count in (1, 2, 4)
    )
    fewer = made_result(made_encoding("a", in_time="cannot tell", on_other_machines=there[:2]))
    assert not any("more cores" in sentence for sentence in fewer.findings)
    more = made_result(made_encoding("a", in_time="cannot tell", on_other_machines=there))
    assert "In time on machines of more cores: a on 4." in more.findings


def test_more_cores_are_told_with_their_doubt() -> None:
    """The fewest cores on which an encoding would be in time are told; a warning is not hidden."""
    there = [
        CorePrediction(
            core_count=count,
            ingest_hours_per_day=made(10, 9, 11, "h"),
            warning="beyond twice" if count == 32 else "",
            meets_deadline="yes" if count >= 16 else "no",
        )
        for count in (8, 16, 32)
    ]
    result = made_result(made_encoding("a", in_time="no", on_other_machines=tuple(there)))
    assert "In time on machines of more cores: a on 16." in result.findings
    far = made_result(made_encoding("a", in_time="no", on_other_machines=(there[2],)))
    assert any("a on 32 (in part a guess" in sentence for sentence in far.findings)


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (("no", "no"), "None pays off"),
        (("yes", "no"), "e0 pays off: editors wait less in all."),
        (("yes", "cannot tell"), "Whether e1 pays off by waiting saved cannot be told."),
        (("cannot tell", "cannot tell"), "Whether any pays off"),
        (("not measured", "not measured"), "was not measured"),
        (("no", "not measured"), "None that was measured pays off"),
    ],
)
def test_paying_off_follows_the_answers(answers: tuple[str, ...], said: str) -> None:
    """What pays off, what does not and what cannot be told is said of the right ones."""
    result = made_result(*(made_encoding(f"e{i}", pays_off=a) for i, a in enumerate(answers)))
    assert any(said in sentence for sentence in result.findings)


def test_without_ingest_the_headline_says_what_to_measure() -> None:
    """Nothing measured is no answer, and the remedy stands in the first sentence."""
    result = made_result(made_encoding("a", in_time="not measured"))
    assert "cannot be said" in result.headline
    assert "[ingest]" in result.headline
    assert "Only the originals" in made_result(ORIGINAL).headline


def _shown(*encodings: object, shop: object = SHOP) -> dict[str, list[tuple[str, str]]]:
    rows = sizing_summary(made_result(*encodings, shop=shop)).rows
    return {row[0].text: [(cell.point, cell.interval) for cell in row[1:]] for row in rows}


def test_rows_stand_by_deadline_and_then_by_storage() -> None:
    """In time before cannot tell before too late before not measured; within each the smallest
    storage first."""
    names = list(
        _shown(
            made_encoding("late-small", in_time="no", storage_tb=1),
            made_encoding("unknown", in_time="not measured", storage_tb=1),
            made_encoding("timely-big", storage_tb=30),
            made_encoding("doubtful", in_time="cannot tell", storage_tb=1),
            made_encoding("timely-small", storage_tb=20),
            ORIGINAL,
        )
    )
    assert names == [
        "original", "timely-small", "timely-big", "doubtful", "late-small", "unknown",
    ]  # fmt: skip


def test_the_share_in_time_stands_beside_the_answer() -> None:
    """0.2 % late [0, 0.9] is 99.8 % in time [99.1, 100]; who falls behind for ever has no share,
    and who may has an interval alone."""
    shown = _shown(
        made_encoding("a"),
        made_encoding("b", in_time="no"),
        made_encoding("c", in_time="cannot tell"),
        ORIGINAL,
    )
    assert shown["a"][1] == ("yes: 99.8 %", "[99.1, 100.0]")
    assert shown["b"][1] == ("no:", "cannot keep up")
    assert shown["c"][1] == ("cannot tell", "[70, 99] %")
    assert shown["original"][1] == ("yes:", "no ingest")


@pytest.mark.parametrize(
    ("storage_tb", "unit", "number"),
    [(0.5, "GB", "500"), (20, "TB", "20.0"), (3000, "PB", "3.0")],
)
def test_storage_is_in_the_unit_that_reads_best(storage_tb: float, unit: str, number: str) -> None:
    """Decimal units only, one for the whole table, in which the numbers are 1 or more."""
    summary = sizing_summary(made_result(made_encoding("a", storage_tb=storage_tb)))
    assert summary.columns[3].head == f"storage, {unit}"
    assert float(summary.rows[0][3].point) == float(number)


def test_a_note_of_all_is_told_once() -> None:
    """A note that holds for every intermediate is one line; one of two names them."""
    notes = ("encoding alone", "no clip")
    result = made_result(
        ORIGINAL,
        made_encoding("a", notes=notes),
        made_encoding("b", notes=notes),
        made_encoding("c", notes=notes[:1]),
    )
    notes = sizing_notes(result)
    assert "encoding alone (every intermediate)" in notes
    assert "no clip (a and b)" in notes
    assert sum("encoding alone" in sentence for sentence in notes) == 1


def test_a_missing_interval_has_its_reason() -> None:
    """Where too few rounds carry an interval, the answer says so and how many are missing."""
    found = made_encoding("a", in_time="cannot tell")
    bare = found.model_copy(
        update={"figures": {**found.figures, "late_cards": made(0.05, None, None)}}
    )
    notes = sizing_notes(made_result(bare))
    assert "no interval from 1 round: 2 rounds more needed (a)" in notes


def test_no_line_contradicts_an_answer() -> None:
    """`Cannot keep up` is said of those whose whole interval lies beyond a day, `may not` of those
    whose interval holds it; the days stand beside them."""
    notes = sizing_notes(
        made_result(
            made_encoding("surely", in_time="no"),
            made_encoding("perhaps", in_time="cannot tell"),
            made_encoding("timely"),
        )
    )
    (behind,) = [sentence for sentence in notes if sentence.startswith("Cannot keep up")]
    (doubtful,) = [sentence for sentence in notes if sentence.startswith("May not keep up")]
    assert "surely 2.50 [2.30, 2.80]" in behind
    assert "perhaps 0.95 [0.80, 1.20]" in doubtful
    assert not any("timely" in sentence for sentence in (behind, doubtful))


def test_too_few_editors_are_told() -> None:
    """12 editors are more than 11 [9, 14], perhaps; 15 are more for certain; 3 are not."""
    for editors, said in ((12, "may not carry your 12"), (15, "do not carry your 15"), (3, None)):
        shop = SHOP.model_copy(update={"editors": editors})
        notes = sizing_notes(made_result(made_encoding("a"), shop=shop))
        told = [sentence for sentence in notes if "carry your" in sentence]
        assert bool(told) is (said is not None)
        assert all(said in sentence for sentence in told)


def test_editors_without_an_interval_are_never_sure() -> None:
    """11 editors known from one clip alone may be too few for 15; nobody can be sure."""
    found = made_encoding("a")
    bare = found.model_copy(
        update={"figures": {**found.figures, "editors_carried": made(11, None, None, "editors")}}
    )
    shop = SHOP.model_copy(update={"editors": 15})
    notes = sizing_notes(made_result(bare, shop=shop))
    assert any("may not carry your 15" in sentence for sentence in notes)


def test_detail_keeps_what_the_compact_table_leaves_out() -> None:
    """Binary units, the share in time with the share wanted, where the speed comes from, and every
    assumption stand in the detail."""
    result = made_result(made_encoding("a", rate_source="ingest, 2 jobs × 1 thread"))
    figures, assumptions = sizing_details(result)
    heads = [column.head for column in figures.columns]
    rows = dict(zip(heads, (entry.text for entry in figures.rows[0]), strict=True))
    assert rows["ready in time (95 % wanted)"] == "yes: 99.8 % [99.1, 100.0]"
    assert rows["the same, 2⁴⁰ bytes"].startswith("9.1 TiB [")
    assert rows["ingest speed taken from"] == "ingest, 2 jobs × 1 thread"
    assert len(assumptions.rows) == len(result.assumptions)
