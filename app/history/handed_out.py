# ruff: noqa: E501  (a table, a column a row)
"""What is handed out as .csv: each file, its columns, and what is in each of them.

Moments are UTC (2026-03-04T10:22:05Z), days ISO. Passwords, keys and links are in none of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OutColumn:
    """A column: its name, what it is in SQL, and what it says."""

    name: str
    sql: str
    says: str


@dataclass(frozen=True, slots=True)
class OutTable:
    """A file: its rows in SQL, and `whose`, the customer of a row (None where it has none)."""

    name: str
    says: str
    rows: str
    whose: str
    columns: Sequence[OutColumn]

    def query(self, *, one: bool) -> str:
        """All rows, or with `one` those of the customer `:customer`."""
        columns = ", ".join(f"{column.sql} AS {column.name}" for column in self.columns)
        which = f" WHERE {self.whose} = :customer" if one else ""
        return f"SELECT {columns} FROM {self.rows}{which} ORDER BY 1, 2"  # noqa: S608


def _c(name: str, sql: str, says: str) -> OutColumn:
    return OutColumn(name, sql, says)


def _at(name: str, column: str, says: str) -> OutColumn:
    return OutColumn(name, f"strftime('%Y-%m-%dT%H:%M:%SZ', {column}, 'unixepoch')", says)


_ORDER = _c("order_number", "o.number", "The order’s number.")
_BY = _c("by_whom", "(SELECT name FROM accounts WHERE id = {0}.account_id)", "Who of the staff.")
_OF_ORDER = " JOIN orders o ON o.id = {0}.order_id"
_CODE = (
    "coalesce((SELECT o.number || '-' || c.letter || c.number FROM copies c JOIN orders o"
    " ON o.id = c.order_id WHERE c.id = t.copy_id), (SELECT o.number || '-' || m.letter"
    " FROM models m JOIN orders o ON o.id = m.order_id WHERE m.id = t.model_id))"
)
_WHOSE_ENTRY = (
    "coalesce((SELECT o.customer_id FROM copies c JOIN orders o ON o.id = c.order_id"
    " WHERE c.id = t.copy_id), (SELECT o.customer_id FROM models m JOIN orders o"
    " ON o.id = m.order_id WHERE m.id = t.model_id))"
)


def _by(row: str) -> OutColumn:
    return OutColumn(_BY.name, _BY.sql.format(row), _BY.says)


TABLES: Sequence[OutTable] = (
    OutTable("customers", "A row a customer.", "customers c", "c.id", (
        _c("customer", "c.id", "The customer’s number; other files name them by it."),
        _c("name", "c.name", "Name."),
        _c("address_as", "c.address_as", "How emails address them, where it was said."),
        _c("emails", "(SELECT group_concat(mail, '; ') FROM customer_mails WHERE customer_id = c.id)",
           "Email addresses."),
        _c("phone", "c.phone", "Phone."),
        _c("note", "c.note", "The staff’s note."),
        _c("also_known_as", "c.also_known_as", "Names of records that were joined into this one."),
        _c("joined_into", "c.joined_into_id", "The customer into whose record this one was joined."),
        _at("known_since", "c.made_at", "When the record was made."),
    )),
    OutTable("animals", "A row an animal.", "animals a", "a.customer_id", (
        _c("animal", "a.id", "The animal’s number; other files name it by it."),
        _c("customer", "a.customer_id", "Whose it is."),
        _c("name", "a.name", "Name."), _c("kind", "a.kind", "Kind of animal."),
        _c("breed", "a.breed", "Breed."), _c("sex", "a.sex", "female, male or not_said."),
        _c("life", "a.life", "living, remembered (it has died) or not_said."),
        _c("age_shown", "a.age_shown", "At which age it is shown."),
        _c("height", "a.height", "Its own height."), _c("colours", "a.colours", "Colours."),
        _c("note", "a.note", "The staff’s note."),
    )),
    OutTable("markings", "A row a marking of an animal.",
             "marks m JOIN animals a ON a.id = m.animal_id", "a.customer_id", (
        _c("animal", "m.animal_id", "Which animal."), _c("marking", "m.what", "What it is."),
        _c("place", "m.place", "Where on the animal."),
        _c("side", "m.side", "The animal’s own side: left, right, both, none or not_asked."),
        _c("must_match", "m.must", "1 where it has to be matched."),
        _at("gone", "m.gone_at", "When it was struck out."),
    )),
    OutTable("orders", "A row an order.", "orders o", "o.customer_id", (
        _ORDER, _c("customer", "o.customer_id", "Who ordered."),
        _c("shop_reference", "o.shop_reference", "The number it has elsewhere."),
        _c("channel", "o.channel", "How it came: shop, phone, mail, in_person or other."),
        _at("taken", "o.taken_at", "When it was ordered."),
        _at("recorded", "o.recorded_at", "When it was written down here."),
        _c("under_way", "o.imported", "1 where it was under way already when it was written down."),
        _c("open", "o.open", "1 while anything of it is to be done."),
        _c("paid", "o.paid", "none, part or all."), _c("gift", "o.gift", "1 where it is a gift."),
        _c("gift_day", "o.gift_day", "The day on which it is given."),
        _c("needed_by", "o.needed_by", "The day by which it is to be there."),
        _c("needed_reason", "o.needed_reason", "Why by then."),
        _c("approves", "o.approves", "What the customer sees and approves."),
        _c("to_name", "o.ship_name", "Name on the parcel."),
        _c("to_lines", "o.ship_lines", "Address."),
        _c("to_postcode", "o.ship_postcode", "Postcode."),
        _c("to_country", "o.ship_country", "Country."),
        _c("to_phone", "o.ship_phone", "Phone for the carrier."),
        _c("parcel_note", "o.parcel_note", "Note for the parcel."),
        _c("note", "o.note", "Note of the office."),
        _c("bench_note", "o.bench_note", "Note for the bench."),
    )),
    OutTable("waiting_list", "A row an order that is, or was, on the waiting list.",
             "waiting_list w" + _OF_ORDER.format("w"), "o.customer_id", (
        _ORDER, _at("put", "w.put_at", "When it was put on the list."),
        _c("copies", "w.copies", "How many copies."),
        _c("begins", "w.begins_on", "The week (its Monday) in which it begins, as last told."),
        _at("began", "w.began_at", "When it was taken on."),
        _at("struck_off", "w.off_at", "When it was struck off the list."),
        _c("why", "w.why", "Why it was struck off."),
        _c("typed", "w.typed", "The order as it was typed (JSON), until it is taken on."), _by("w"),
    )),
    OutTable("log", "A row an entry of the log, the oldest first: all that happened to each piece.",
             "transitions t", _WHOSE_ENTRY, (
        _c("entry", "t.id", "The entry’s number."),
        _c("piece", _CODE, "The piece’s code: order and letter of a model, with a number a copy."),
        _c("kind", "t.kind", "What the entry is: enter, move, start, aside, hold, lift, ask, answer,"
           " told, finding, undo or correction."),
        _c("move", "t.move", "Which move it was."),
        _c("from_step", "t.from_step", "The step before."),
        _c("to_step", "t.to_step", "The step after."),
        _at("happened", "t.happened_at", "When it happened."),
        _at("recorded", "t.recorded_at", "When it was written down."),
        _c("time_is", "t.time_is", "Whether the moment was pressed, typed, assumed or imported."),
        _by("t"), _c("reason", "t.reason", "Why."), _c("cause", "t.cause", "What caused a finding."),
        _c("about", "t.about_id", "The entry that an undo or a correction speaks of."),
    )),
    OutTable("questions", "A row a question to a customer.",
             "questions q" + _OF_ORDER.format("q"), "o.customer_id", (
        _ORDER, _at("asked_at", "q.asked_at", "When."), _c("topic", "q.topic", "About what."),
        _c("asked", "q.asked", "The question."), _c("answer", "q.answer", "The answer."),
        _at("answered_at", "q.answered_at", "When it was answered."),
    )),
    OutTable("conversations", "A row a conversation with a customer.",
             "contacts k LEFT JOIN orders o ON o.id = k.order_id", "k.customer_id", (
        _c("customer", "k.customer_id", "With whom."), _at("at", "k.at", "When."), _ORDER,
        _c("channel", "k.channel", "By which way."), _c("asked", "k.asked", "What they said."),
        _c("told", "k.told", "What they were told."), _by("k"),
    )),
    OutTable("dates_told", "A row a range that a customer was shown or told.",
             "tellings t" + _OF_ORDER.format("t"), "o.customer_id", (
        _ORDER, _at("at", "t.at", "When."), _c("channel", "t.channel", "How: page, letter, phone …"),
        _c("from_day", "t.from_day", "The first day."), _c("to_day", "t.to_day", "The last day."),
    )),
    OutTable("emails", "A row an email to a customer.",
             "letters l" + _OF_ORDER.format("l"), "o.customer_id", (
        _ORDER, _at("formed", "l.formed_at", "When it was written."),
        _at("sent", "l.sent_at", "When it went."), _c("kind", "l.kind", "What it is about."),
        _c("subject", "l.subject", "Its subject."), _c("recipient", "l.recipient", "Where to."),
        _c("state", "l.state", "waiting, sending, sent, dead, held or dropped."),
    )),
    OutTable("parcels", "A row a copy in a parcel that left.",
             "copies c JOIN parcels p ON p.id = c.parcel_id" + _OF_ORDER.format("c"),
             "o.customer_id", (
        _ORDER, _c("piece", "o.number || '-' || c.letter || c.number", "The copy’s code."),
        _at("sent", "p.sent_at", "When it left."), _c("way", "p.way", "carrier, collected, brought."),
        _c("carrier", "p.carrier", "Which carrier."), _c("number", "p.number", "Its number there."),
        _c("to_whom", "p.ship_to", "Where to."),
    )),
    OutTable("belongings", "A row a thing that a customer lent.",
             "belongings b" + _OF_ORDER.format("b"), "o.customer_id", (
        _ORDER, _c("kind", "b.kind", "What kind of thing."), _c("what", "b.what", "What it is."),
        _at("received", "b.received_at", "When it came."),
        _at("returned", "b.returned_at", "When it went back."),
    )),
    OutTable("after_sending", "A row a case: what went wrong after something had left.",
             "aftercare_cases a" + _OF_ORDER.format("a"), "o.customer_id", (
        _ORDER, _at("opened", "a.opened_at", "When."),
        _c("kind", "a.kind", "lost, damaged, fault or returned."),
        _c("words", "a.words", "What was said."), _c("decided", "a.decided", "What was decided."),
        _at("closed", "a.closed_at", "When it was closed."),
    )),
    OutTable("how_it_turned_out", "A row what a customer said of a piece that had arrived.",
             "customer_words w" + _OF_ORDER.format("w"), "o.customer_id", (
        _ORDER, _c("words", "w.words", "What they said."),
        _c("may_show", "w.may_show", "Whether it may be shown: not_asked, asked, yes or no."),
        _at("struck_out", "w.gone_at", "When it was struck out."),
    )),
    OutTable("changes", "A row a field of an order, animal or customer that somebody changed.",
             "changes h LEFT JOIN orders o ON o.id = h.order_id", "CASE WHEN h.\"of\" = 'customers'"
             " THEN h.of_id WHEN h.\"of\" = 'animals' THEN (SELECT customer_id FROM animals"
             " WHERE id = h.of_id) ELSE o.customer_id END", (
        _at("at", "h.at", "When."), _c("of_what", "h.\"of\"", "Of what kind of row."),
        _c("row", "h.of_id", "Of which row."), _ORDER, _c("field", "h.field", "Which field."),
        _c("before", "h.before", "What it said before."), _c("after", "h.after", "What it says now."),
        _by("h"),
    )),
    OutTable("photos", "A row a photo that a customer sent.",
             "pictures p" + _OF_ORDER.format("p"), "o.customer_id", (
        _ORDER, _c("photo", "p.id", "The photo’s number."),
        _c("name", "p.name", "Its name as it came."),
        _c("file", "o.number || '/' || p.id",
           "Where it lies among the photos that are handed out."),
        _c("sha256", "p.sha256", "SHA-256 of the file as it came."),
        _c("taken", "p.taken", "When it was taken, by the camera’s clock."),
        _at("came", "p.came_at", "When it came."),
        _c("of_animals", "(SELECT group_concat(a.name, '; ') FROM picture_models pm JOIN models m"
           " ON m.id = pm.model_id JOIN animals a ON a.id = m.animal_id WHERE pm.picture_id = p.id)",
           "Which animals it is for."),
    )),
)  # fmt: skip
