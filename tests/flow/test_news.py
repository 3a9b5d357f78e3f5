"""Which entries are news for the customer."""

import pytest

from app.flow.news import NewsItem, news_of
from app.flow.rules import Entry, Kind, State, TimeIs
from app.flow.steps import Of, Step

STATE = State(Of.MODEL, Step.ASSESSING, 0, 0, attempts=2)


def move(key: str, **more: object) -> Entry:
    return Entry(1, 1, Kind.MOVE, 0, 0, Step.FINISHING, key, **more)


@pytest.mark.parametrize(
    ("key", "item"),
    [
        ("photos_counted", NewsItem("photos_counted", 2)),
        ("more_views", NewsItem("more_views", 2)),
        ("new_set", NewsItem("more_views", 2)),
        ("good", NewsItem("photos_passed", 0)),
        ("limits", NewsItem("photos_passed", 0)),
        ("by_eye", NewsItem("photos_passed", 0)),
        ("begun", NewsItem("making_begun", 0)),
        ("handed_over", NewsItem("handed_over", 7, per_animal=False)),
        ("received", NewsItem("received", 7, per_animal=False)),
    ],
)
def test_news_of_a_move(key, item):
    assert news_of(move(key, amount=7), STATE) == item


@pytest.mark.parametrize(
    "key", ["painted", "back_to_painting", "remake", "build_failed", "build_stopped", "cancel"]
)
def test_rework_remakes_machines_and_ends_tell_the_customer_nothing(key):
    assert news_of(move(key), STATE) is None


def test_imported_history_is_no_news():
    assert news_of(move("good", time_is=TimeIs.IMPORTED), STATE) is None


@pytest.mark.parametrize("kind", [kind for kind in Kind if kind is not Kind.MOVE])
def test_only_moves_are_news(kind):
    assert news_of(Entry(1, 1, kind, 0, 0, Step.FINISHING, "good"), STATE) is None
