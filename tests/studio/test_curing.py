"""The table of what cures, and what lies to dry."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.flow.offers import offers
from app.flow.rules import DRIES, Entry, Kind, Policy, after, fold, refusal
from app.flow.steps import Of, Step
from app.shared.people import Role
from app.studio.curing import DAY, HOUR, NOTHING, USUAL, Cure, later, read_table, written
from tests.flow.lines import Line

AT = 1_000_000


def moved(at: int, to_step: Step, **more: object) -> Entry:
    return Entry(0, 0, Kind.MOVE, at, at, to_step, **more)


def test_the_table_that_the_program_comes_with_reads_as_it_stands():
    rows = read_table(USUAL)
    assert written(rows) == USUAL
    by_name = {row.material: row.seconds for row in rows}
    # Common practice, no source: a varnish film, and epoxy at the short end of one to two weeks.
    assert by_name["varnish over acrylics"] == 3 * DAY
    assert by_name["epoxy, filler or putty"] == 7 * DAY
    assert by_name["printed resin, washed and cured"] == 12 * HOUR
    assert rows[0].material == "varnish over acrylics"


@given(
    st.dictionaries(
        st.from_regex(r"[a-z][a-z ,]{0,20}[a-z]", fullmatch=True).filter(lambda t: t != NOTHING),
        st.one_of(
            st.integers(0, 400).map(lambda n: n * DAY),
            st.integers(0, 9_599).map(lambda n: n * HOUR),
        ),
        min_size=1,
    )
)
def test_any_table_is_read_as_it_is_written(table):
    rows = tuple(Cure(material, seconds) for material, seconds in table.items())
    assert read_table(written(rows)) == rows


@pytest.mark.parametrize(
    ("typed", "says"),
    [("", "at least one"), ("varnish", "not a row"), ("varnish: soon", "not a row"),
     ("varnish: -1 days", "not a row"), ("varnish: 401 days", "400 days at most"),
     ("varnish: 9999 h\nVarnish: 2 h", "400 days"), ("oil: 1 day\nOil: 2 days", "twice"),
     (f"{NOTHING}: 1 day", "twice"), ("a" * 61 + ": 1 day", "too long"), ("oil: ² days", "not a row"),
     ("oil: ١ days", "not a row")],
)  # fmt: skip
def test_a_row_that_will_not_do_is_named(typed, says):
    with pytest.raises(ValueError, match=says):
        read_table(typed)


def test_the_last_of_what_cures_counts():
    assert later(None, None) is None
    assert later(None, 5, 3) == 5


def at_bench(step: Step, reason: str, until: int | None):
    line = Line(Of.COPY)
    line.enter(step, AT)
    line.add(Kind.START, AT + 10, by=1)
    return line, line.add(Kind.ASIDE, AT + 20, by=1, reason=reason, until=until)


@pytest.mark.parametrize("until", [AT + 500, None])
def test_nothing_is_done_while_a_coat_dries_and_done_comes_back_with_the_hand(until):
    line, _ = at_bench(Step.PAINTING, "drying", until)
    done = moved(AT + 100, to_step=Step.INSPECTION, move="painted")
    assert refusal(fold(Of.COPY, line.log), done, Policy()) == DRIES
    keys = {offer.key for offer in offers(fold(Of.COPY, line.log), Role.BENCH, Policy())}
    assert "painted" not in keys
    assert {"start", "back_to_shaping", "remake"} <= keys
    line.add(Kind.START, AT + 90, by=1)
    assert refusal(fold(Of.COPY, line.log), done, Policy()) is None
    assert "painted" in {
        offer.key for offer in offers(fold(Of.COPY, line.log), Role.BENCH, Policy())
    }


def test_what_is_dry_by_then_or_lies_for_another_reason_may_be_done():
    line, _ = at_bench(Step.PAINTING, "drying", AT + 500)
    dry = moved(AT + 500, to_step=Step.INSPECTION, move="painted")
    assert refusal(fold(Of.COPY, line.log), dry, Policy()) is None
    line, _ = at_bench(Step.PAINTING, "other work first", AT + 500)
    soon = moved(AT + 100, to_step=Step.INSPECTION, move="painted")
    assert refusal(fold(Of.COPY, line.log), soon, Policy()) is None


def test_no_way_back_shortens_what_cures():
    line = Line(Of.COPY)
    line.enter(Step.PAINTING, AT)
    state = fold(Of.COPY, line.log)
    for key, step, until in (
        ("painted", Step.INSPECTION, AT + 9_000), ("passed", Step.PACKING, None),
        ("back_to_inspection", Step.INSPECTION, None), ("passed", Step.PACKING, None),
        ("back_to_painting", Step.PAINTING, None),
    ):  # fmt: skip
        entry = moved(AT + 1, to_step=step, move=key, until=until, reason="so")
        state = after(Of.COPY, state, entry)
        assert state.rests_until == AT + 9_000, key
