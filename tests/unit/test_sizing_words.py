"""The sentences and the compact table of sizing, from answers made by hand."""

from collections.abc import Mapping

import pytest

from fixtures.made_sizing import SHOP, made, made_encoding, made_result
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.size.result import SIZING_FIGURES, CorePrediction, SizingResult
from mezzmark.decide.throughput.grid import RateSource
from mezzmark.model.shop import Shop
from mezzmark.report.prose.size import (
    FIGURE_MEANINGS,
    NOTES,
    camera_notes,
    prediction_note,
    rate_source_text,
    shop_lines,
    sizing_notes,
    sizing_sentences,
)
from mezzmark.report.tables.size import sizing_details, sizing_summary
from mezzmark.report.tables.table import markdown_table

ANSWERS = ("yes", "no", "cannot tell")
ORIGINAL = made_encoding("original", storage_tb=5, pays_off="not measured")


def _predicted(count: int, answer: str = "yes") -> CorePrediction:
    """On a machine of so many cores, by a grid of up to 8."""
    return CorePrediction(
        core_count=count,
        ingest_hours_per_day=made(10, 9, 11, "h"),
        meets_deadline=answer,
        grid_core_count=8,
        is_far=count > 16,
    )


def _paying(*answers: str) -> SizingResult:
    return made_result(*(made_encoding(f"e{i}", pays_off=a) for i, a in enumerate(answers)))


def _few_rounds(name: str) -> SizingResult:
    found = made_encoding(name, in_time="cannot tell")
    bare = {**found.figures, "late_cards": made(0.05, None, None)}
    return made_result(found.model_copy(update={"figures": bare}))


INF = float("inf")
SITUATIONS: Mapping[str, SizingResult] = {
    "two in time, the smaller first; one is not": made_result(
        made_encoding("big", storage_tb=20),
        made_encoding("slow", in_time="no"),
        made_encoding("small", storage_tb=8),
        ORIGINAL,
    ),
    "three machines": made_result(
        made_encoding("a"), shop=SHOP.model_copy(update={"ingest_machines": 3})
    ),
    "every card in time": made_result(
        made_encoding("a"), shop=SHOP.model_copy(update={"late_cards_fraction": 0.0})
    ),
    "more machines": made_result(
        made_encoding("a", in_time="no", machines=3),
        made_encoding("b", in_time="cannot tell", machines=2),
        made_encoding("c", in_time="no", machines=3),
        made_encoding("as many as there are", in_time="cannot tell", machines=1),
        made_encoding("d", in_time="no", machines=INF, has_long_cards=True),
        made_encoding("e", in_time="no", keeps_up="yes", machines=INF),
        made_encoding("f", in_time="no", keeps_up="cannot tell", machines=INF),
    ),
    "more cores": made_result(
        made_encoding("a", in_time="no", on_other_machines=[_predicted(n) for n in (16, 32)]),
        made_encoding("b", in_time="no", on_other_machines=[_predicted(8, "no"), _predicted(16)]),
    ),
    "more cores, far": made_result(
        made_encoding("a", in_time="no", on_other_machines=[_predicted(32)])
    ),
    "no more cores than measured": made_result(
        made_encoding("a", in_time="cannot tell", on_other_machines=[_predicted(n) for n in (1, 2)])
    ),
    "too few rounds": _few_rounds("a"),
    "nothing meets the needs here": made_result(made_encoding("a")).model_copy(
        update={"named_here": "", "named_alone": "a"}
    ),
    "chosen here, and alone": made_result(made_encoding("a")).model_copy(
        update={"named_here": "a", "named_alone": "a"}
    ),
    "one not measured": made_result(made_encoding("a"), made_encoding("b", in_time="not measured")),
    "no ingest measured": made_result(made_encoding("a", in_time="not measured")),
    "originals only": made_result(ORIGINAL),
    "none pays off": _paying("no", "no"),
    "one pays off": _paying("yes", "no"),
    "one pays off, one may": _paying("yes", "cannot tell"),
    "any may pay off": _paying("cannot tell", "cannot tell"),
    "paying off not measured": _paying("not measured", "not measured"),
    "none pays off, one not measured": _paying("no", "not measured"),
}


def test_the_sentences_of_sizing() -> None:
    """What is said in each situation, and of each note, source, camera and shop, is what was read
    and accepted."""
    parts = [
        "\n".join((f"## {name}", *sizing_sentences(result))) for name, result in SITUATIONS.items()
    ]
    source = RateSource(task="ingest", job_count=2, thread_count=1, order="fifo")
    big = made_result(ORIGINAL).model_copy(update={"unmeasured_cameras": ("A",)})
    parts += [
        "\n".join(("## notes", *(f"{kind}: {text}" for kind, text in NOTES.items()))),
        "\n".join(("## figures", *(f"{name}: {text}" for name, text in FIGURE_MEANINGS.items()))),
        "\n".join(("## camera of another size", *camera_notes(big))),
        "\n".join(("## source of the speed", rate_source_text(source))),
        "\n".join(
            (
                "## other machines",
                prediction_note(CorePrediction(core_count=8)),
                prediction_note(_predicted(32)),
            )
        ),
        "\n".join(("## shop", *shop_lines(SHOP))),
    ]
    assert_matches_snapshot("\n\n".join(parts), "size_sentences")


def test_print_shows_the_answer_and_its_table() -> None:
    """As the command does."""
    result = next(iter(SITUATIONS.values()))
    assert str(result).startswith(sizing_sentences(result)[0])
    assert str(result).endswith(markdown_table(sizing_summary(result)))


def test_the_table_of_sizing() -> None:
    """Meanings and notes of the compact table are what was read and accepted."""
    timely = made_encoding("timely", notes=("rate_of_encoding_alone", "waits_not_measured"))
    decoded = made(4, 3, 4, "editors").model_copy(update={"capped_at": 4})
    limits = {"limited_by": "decoding", "played_in": "streams"}
    figures = {**timely.figures, "editors_decoded": decoded}
    result = made_result(
        ORIGINAL,
        timely.model_copy(update={**limits, "figures": figures}),
        made_encoding("surely", in_time="no", notes=("rate_of_encoding_alone",)),
        made_encoding(
            "perhaps",
            in_time="cannot tell",
            notes=("rate_of_encoding_alone", "waits_not_measured"),
        ),
        shop=SHOP.model_copy(update={"editors": 12}),
    )
    summary = sizing_summary(result)
    heads = " | ".join(column.head for column in summary.columns)
    rows = [" | ".join(entry.text for entry in row) for row in summary.rows]
    text = "\n".join((heads, *rows, "", *sizing_notes(result)))
    assert_matches_snapshot(text, "size_table")


def test_a_sound_prediction_has_no_note() -> None:
    """16 cores are twice the 8 measured, and need no note."""
    assert prediction_note(_predicted(16)) == ""


def test_every_figure_has_a_meaning() -> None:
    """Figures of sizing and their meanings stand in one order."""
    assert list(FIGURE_MEANINGS) == list(SIZING_FIGURES)


@pytest.mark.parametrize("in_time", ANSWERS)
def test_sizing_starts_from_whom_choose_names(in_time: str) -> None:
    """The one that needs, wishes and this shop come to is named first; what is named without a shop
    is told with what it lacks, and with the machines that would do."""
    alone = made_encoding("x1", in_time=in_time, machines=6)
    named = {"named_here": "x2", "named_alone": "x1", "is_recommended": True}
    result = made_result(alone, made_encoding("x2")).model_copy(update=named)
    first, second, *_ = sizing_sentences(result)
    assert ("x2" in first, "x1" in second) == (True, True)
    fails = {"yes": "", "no": "fails", "cannot tell": "may fail"}[in_time]
    assert ("ready time" in second, fails in second) == (in_time != "yes", True)
    assert "6 machines" in second


@pytest.mark.parametrize("carried", ANSWERS)
def test_an_original_that_is_named_is_among_those_that_serve(carried: str) -> None:
    """Where the original is ahead the reader is told whether it serves too, or in what it falls
    short; where an intermediate is named only intermediates are listed."""
    original = ORIGINAL.model_copy(update={"carries": carried})
    result = made_result(original, made_encoding("a"))
    told = {
        name: next(
            text
            for text in sizing_sentences(result.model_copy(update={"named_here": name}))
            if "serves your shop" in text.lower()
        )
        for name in ("original", "a")
    }
    assert ("original" in told["original"], "original" in told["a"]) == (True, False)
    before_others = told["original"].partition("Others")[0]
    assert ("original" in before_others) is (carried == "yes")


def _shown(*encodings: object, shop: Shop = SHOP) -> dict[str, list[tuple[str, str]]]:
    rows = sizing_summary(made_result(*encodings, shop=shop)).rows
    return {row[0].text: [(entry.point, entry.interval) for entry in row[1:]] for row in rows}


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


@pytest.mark.parametrize(
    ("editors", "carried", "said"),
    [
        (12, (11, 9, 14), "may not carry"),
        (15, (11, 9, 14), "do not carry"),
        (3, (11, 9, 14), ""),
        (15, (11, None, None), "may not carry"),
    ],
)
def test_too_few_editors_are_told(
    editors: int, carried: tuple[float, float | None, float | None], said: str
) -> None:
    """12 editors are more than 11 [9, 14], perhaps; 15 are more for certain; 3 are not; and without
    an interval nothing is certain."""
    found = made_encoding("a")
    figures = {**found.figures, "editors_carried": made(*carried, "editors")}
    shop = SHOP.model_copy(update={"editors": editors})
    result = made_result(found.model_copy(update={"figures": figures}), shop=shop)
    told = [note for note in sizing_notes(result) if "carry your" in note]
    assert [said in note for note in told] == ([True] if said else [])


@pytest.mark.parametrize(
    ("decoded", "verb", "shown"),
    [
        ((0, 0, 0), "is", ("0", "")),
        ((0, 0, 1), "may be", ("0", "[0, 1]")),
        ((0, None, None), "may be", ("0", "")),
        ((1, 1, 2), "", ("1", "[1, 2]")),
    ],
)
def test_who_serves_but_decodes_for_no_editor_is_named(
    decoded: tuple[float, float | None, float | None], verb: str, shown: tuple[str, str]
) -> None:
    """Link and array carry 11 editors of the 3: the original serves; that one machine decodes for
    none of them is a sentence of its own, and stands beside the 11 in a column of its own. Of one
    that does not serve it is not said."""
    figures = {**ORIGINAL.figures, "editors_decoded": made(*decoded, "editors")}
    original = ORIGINAL.model_copy(update={"figures": figures, "limited_by": "decoding"})
    late = made_encoding("late", in_time="no").model_copy(update={"figures": figures})
    result = made_result(original, late, made_encoding("a")).model_copy(
        update={"named_here": "original"}
    )
    _, serves, *others = sizing_sentences(result)
    assert serves.partition("): ")[2].startswith("original and a.")
    said = [text for text in others if "Decoding" in text]
    assert said == [
        f"Decoding is not part of that: on one machine like this it {verb} slower than one editor "
        "plays (1 stream) with original."
    ] * bool(verb)
    other = {**ORIGINAL.figures, "editors_decoded": made(0, 0, 1, "editors")}
    both = result.model_copy(
        update={"encodings": (original, result.encodings[2].model_copy(update={"figures": other}))}
    )
    joined = [
        text for text in sizing_sentences(both) if "with original, and may be with a." in text
    ]
    assert len(joined) == (verb == "is")
    summary = sizing_summary(result)
    heads = [column.head for column in summary.columns]
    row = dict(zip(heads, summary.rows[0], strict=True))
    assert row["editors carried"].text == "11 [9, 14]"
    entry = row["one machine decodes for"]
    assert (entry.point, entry.interval) == shown


def test_detail_keeps_what_the_compact_table_leaves_out() -> None:
    """Binary units, the share in time with the share wanted, where the speed comes from, and every
    assumption stand in the detail."""
    source = RateSource(task="ingest", job_count=2, thread_count=1)
    result = made_result(made_encoding("a", rate_source=source))
    figures, assumptions = sizing_details(result)
    heads = [column.head for column in figures.columns]
    rows = dict(zip(heads, (entry.text for entry in figures.rows[0]), strict=True))
    assert rows["ready in time (95 % wanted)"] == "yes: 99.8 % [99.1, 100.0]"
    assert rows[FIGURE_MEANINGS["storage_tib"]].startswith("9.1 TiB [")
    assert rows["ingest speed taken from"] == rate_source_text(source)
    assert len(assumptions.rows) == len(result.assumptions)
