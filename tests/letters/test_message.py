"""The head of a letter says what was meant and nothing else, whatever names and subjects hold."""

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.letters.message import Envelope, Unsendable, build, mailbox, sender_for
from tests.letters.studio import read
from tests.making import NOW

HEADERS = [
    "From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "MIME-Version", "Content-Type",
]  # fmt: skip


def envelope(
    to_name: str = "Imre Castellan", subject: str = "Juniper has left us",
    to_mail: str = "imre@castellan.example", from_name: str = "Fernlight",
) -> Envelope:  # fmt: skip
    return Envelope(
        from_name, "desk@fernlight.example", to_name, to_mail, subject,
        "<0123abcd@fernlight.example>", "l0a1b2c", NOW,
    )  # fmt: skip


def test_each_header_is_there_once() -> None:
    mail = build(envelope(), "Dear Imre,\n", "<p>Dear Imre,</p>\n")
    head = mail.data.partition(b"\r\n\r\n")[0].decode()
    names = [line.split(":")[0] for line in head.split("\r\n") if line[0] not in " \t"]
    assert sorted(names, key=str.lower) == sorted(HEADERS, key=str.lower)
    found = read(mail.data)
    assert found["Auto-Submitted"] == "auto-generated"
    assert found["Date"] == "Wed, 04 Mar 2026 10:00:00 +0000"
    assert found["Message-ID"] == "<0123abcd@fernlight.example>"
    assert [part.get_content_type() for part in found.iter_parts()] == ["text/plain", "text/html"]


@pytest.mark.parametrize("domain", ["fernlight.example", ".".join(["b" * 60] * 3) + ".example"])
def test_a_later_letter_answers_the_first_in_ids_that_every_reader_takes(domain: str) -> None:
    first = f"<{'4567cdef' * 4}@{domain}>"
    mail = build(replace(envelope(), first_id=first), "Dear Imre,\n", "<p>x</p>\n")
    found = read(mail.data)
    assert sorted(found) == sorted([*HEADERS, "In-Reply-To", "References"])
    assert (found["In-Reply-To"], found["References"]) == (first, first)
    unfolded = mail.data.partition(b"\r\n\r\n")[0].replace(b"\r\n ", b" ").decode()
    assert f"In-Reply-To: {first}" in unfolded
    assert f"References: {first}" in unfolded


def test_the_first_letter_answers_none() -> None:
    own = envelope()
    mail = build(replace(own, first_id=own.message_id), "Dear Imre,\n", "<p>x</p>\n")
    assert sorted(read(mail.data)) == sorted(HEADERS)


ODD = st.one_of(
    st.text(max_size=60),
    st.text(st.sampled_from("\r\n\t\0\x0b\x85\u2028\u2029 :<>@=?_QBqbUTF-8\",;Bcc"), max_size=60),
    st.sampled_from([
        "=?UTF-8?Q?=0ABcc:_x=40y?=", "=?utf-8?b?CkJjYzogeEB5?=", "a\r\nBcc: x@y.example",
        "Imre\nTo: x@y.example", "=?UTF-8?Q?x?= =?UTF-8?Q?=0D=0ASubject:_y?=",
        '"Imre" <x@y.example>, ', "Imre\x85Bcc: x", "Zoë “Fern” O'Brien; & Co", "x" * 240,
    ]),
)  # fmt: skip


@given(name=ODD, subject=ODD, sender=ODD)
def test_nothing_is_smuggled_into_a_head(name: str, subject: str, sender: str) -> None:
    try:
        mail = build(envelope(name, subject, from_name=sender), "Dear Imre,\n", "<p>x</p>\n")
    except Unsendable:
        return
    found = read(mail.data)
    assert sorted(found.keys(), key=str.lower) == sorted(HEADERS, key=str.lower)
    assert [a.addr_spec for a in found["To"].addresses] == ["imre@castellan.example"]
    assert [a.addr_spec for a in found["From"].addresses] == ["desk@fernlight.example"]
    assert found["To"].addresses[0].display_name == name
    assert str(found["Subject"]) == subject
    assert not re.search(rb"(?im)^(bcc|cc|x-)", mail.data.partition(b"\r\n\r\n")[0])
    assert max(map(len, mail.data.split(b"\r\n"))) <= 998


@given(text=st.text(max_size=3_000))
def test_words_arrive_as_they_were(text: str) -> None:
    plain = "".join(sign for sign in text if sign.isprintable()) + " O'Brien & <b> é\n.\n"
    mail = build(envelope(), plain, "<p>x</p>\n")
    part = read(mail.data).get_body(("plain",))
    assert part is not None
    assert part.get_content().replace("\r\n", "\n") == plain


@pytest.mark.parametrize(
    "address",
    ["", "imre", "@x.example", "imre@", "im re@x.example", "imre@x.example\r\nBcc: y",
     "<imre@x.example>", "a,b@x.example", ".imre@x.example", "im..re@x.example",
     f"{'a' * 65}@x.example", f"a@{'b' * 250}.example", "a@stra\u00dfe.example", "a@x\u200b.example",
     "=?utf-8?q?x?=@x.example"],
)  # fmt: skip
def test_an_address_that_mail_cannot_carry_is_refused_in_words(address: str) -> None:
    with pytest.raises(Unsendable, match=r"[A-Z].*\."):
        build(envelope(to_mail=address), "x\n", "<p>x</p>\n")


def test_lengths_at_the_border_are_taken() -> None:
    assert mailbox(f"{'a' * 64}@x.example").local == "a" * 64
    domain = ".".join(["b" * 60] * 3)
    assert str(mailbox(f"{'a' * 64}@{domain}.ex")).endswith(".ex")


def test_the_sender_carries_the_tag_where_there_is_room() -> None:
    assert str(sender_for("desk@fernlight.example", "l12")) == "desk+l12@fernlight.example"
    assert str(sender_for("desk@fernlight.example", "")) == "desk@fernlight.example"
    long = f"{'d' * 63}@fernlight.example"
    assert str(sender_for(long, "l12")) == long


def test_the_same_letter_is_the_same_to_the_byte() -> None:
    one, two = (build(envelope(), "Dear Imre,\n", "<p>x</p>\n") for _ in range(2))
    assert one.data == two.data
