"""The find box: two letters, parts of numbers, keys, and pasted messages."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.desk.finding import Index, IndexedOrder, key_of, keys_of, one_letter_apart, sure
from app.shared.text import fold


def entry(
    number: int, customer: str, *beasts: str, mail: str = "", ref: str = "", open_: bool = True
) -> IndexedOrder:
    codes = [f"{number}-{letter}" for letter in "ab"[: len(beasts)]]
    line = fold(" ".join([str(number), customer, *beasts, mail, ref, *codes]))
    exact = {f"#{number}", *codes} | ({mail} if mail else set()) | ({key_of(ref)} if ref else set())
    return IndexedOrder(
        number, number, open_, line, frozenset(exact),
        frozenset(fold(customer).split()), frozenset(fold(" ".join(beasts)).split()),
    )  # fmt: skip


def index() -> Index:
    found = Index()
    found.put(
        [
            entry(
                1147, "Maren Oduya", "Juniper", "Otis", mail="maren@oduya.example", ref="S-20931"
            ),
            entry(1148, "Zoë Lindqvist", "Otis", ref="S-20940"),
            entry(1090, "Maren Oduya", "Biscuit", open_=False),
        ]
    )
    return found


def numbers(typed: str) -> list[int]:
    return [hit.entry.number for hit in index().find(typed)]


def test_two_letters_and_the_middle_of_a_number_are_found() -> None:
    assert numbers("ju") == [1147]
    assert set(numbers("209")) == {1147, 1148}


def test_accents_and_case_do_not_matter() -> None:
    assert numbers("ZOE") == [1148]


@pytest.mark.parametrize("typed", ["junper", "junipper", "jumiper", "jnuiper", "maren junper"])
def test_one_wrong_letter_in_a_name_is_borne(typed: str) -> None:
    assert numbers(typed) == [1147]


@pytest.mark.parametrize("typed", ["jumpier", "jupper", "ots", "1146", "s-20932", "junper biscuit"])
def test_two_wrong_letters_short_words_and_numbers_are_not(typed: str) -> None:
    assert numbers(typed) == []


def test_what_nearly_fits_comes_after_what_fits() -> None:
    found = index()
    found.put(
        [entry(1150, "Imre Castellan", "Otys"), entry(1151, "Sela Brook", "Otis", open_=False)]
    )
    assert [hit.entry.number for hit in found.find("otis")] == [1148, 1147, 1151, 1150]


@given(st.text("abcdé", min_size=4, max_size=8), st.integers(0, 7), st.sampled_from("abcx"))
def test_a_name_is_found_by_any_one_letter_changed_added_or_left_out(
    name: str, at: int, letter: str
) -> None:
    found = Index()
    found.put([entry(1, "Imre Castellan", name)])
    at %= len(name)
    for typed in (name[:at] + letter + name[at + 1 :], name[:at] + letter + name[at:]):
        assert [hit.entry.number for hit in found.find(typed)] == [1]
    assert one_letter_apart(name, name) is False


def test_all_words_have_to_fit_in_any_order() -> None:
    assert numbers("otis maren") == [1147]
    assert numbers("otis biscuit") == []


def test_an_exact_key_comes_first_and_is_sure() -> None:
    hits = index().find("S-20931")
    assert sure(hits) is hits[0]
    assert hits[0].entry.number == 1147


def test_of_one_persons_orders_the_open_one_is_meant() -> None:
    hit = sure(index().find("oduya"))
    assert hit is not None
    assert hit.entry.number == 1147


def test_two_open_orders_are_shown_rather_than_guessed() -> None:
    assert sure(index().find("otis")) is None


def test_a_pasted_message_is_found_by_its_sender_number_and_names() -> None:
    message = (
        "Dear workshop,\n\ndid my pictures of Juniper arrive? I sent them on Tuesday.\n"
        "Warm greetings\nMaren Oduya\nmaren@oduya.example"
    )
    hit = sure(index().find(message))
    assert hit is not None
    assert hit.entry.number == 1147


def test_a_reply_that_quotes_the_order_number_is_found_by_it() -> None:
    hit = sure(
        index().find("Re: Order 1148\n\nMay I add one more? It is for my brother, you know.")
    )
    assert hit is not None
    assert hit.entry.number == 1148


def test_a_changed_order_is_found_by_its_new_words_and_not_by_its_old() -> None:
    found = index()
    found.put([entry(1148, "Zoë Lindqvist", "Fern")])
    assert [h.entry.number for h in found.find("fern")] == [1148]
    assert 1148 not in [h.entry.number for h in found.find("otis")]


def test_numbers_with_gaps_are_keys() -> None:
    assert "rr473124829gb" in keys_of("tracking RR 473 124 829 GB says it is lost")
    assert "tel5550144" in keys_of("call me: 0000 555 0144")


@given(st.text(max_size=400))
def test_no_text_breaks_the_search(typed: str) -> None:
    assert all(hit.weight >= 0 for hit in index().find(typed))


@given(st.sampled_from(["Maren", "Oduya", "juniper", "20931", "1147-a", "oduya.example"]))
def test_any_part_of_a_line_finds_it(word: str) -> None:
    for start in range(len(word) - 1):
        assert 1147 in numbers(word[start : start + 2])
