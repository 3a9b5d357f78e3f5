"""Names and passwords."""

import pytest

from app.staff import passwords, rules


@pytest.mark.parametrize(
    "password",
    ["password12", "Password123!", "p@ssw0rd2026", "1234567890", "0987654321", "aaaaaaaaaaaa",
     "qwertyuiop", "QWERTYUIOP1", "abcdefghijkl", "1q2w3e4r5t", "likewright1", "iloveyou123",
     "Workshop2026", "letmein!!!!", "changeme123"],
)  # fmt: skip
def test_the_first_that_a_stranger_would_try_is_refused(password: str) -> None:
    assert "stranger" in (rules.password_problem(password) or "")


@pytest.mark.parametrize(
    "password", ["Dara Quill1", "daraquill!!", "DARA QUILL 2026", "saltmarsh1"]
)
def test_a_name_with_little_added_is_refused(password: str) -> None:
    assert "name" in (rules.password_problem(password, "Dara Quill", "Saltmarsh") or "")


@pytest.mark.parametrize(
    "password",
    ["seven quiet", "x7$Lm2!pQz", "  spaces count  ", "дом у моря, зима", "🐢🐎🐐🦜🐕🐢🐎🐐🦜🐕",
     "correct but long " * 15, "a\tb\nc d e f g"],
)  # fmt: skip
def test_anything_else_of_ten_signs_or_more_will_do(password: str) -> None:
    assert rules.password_problem(password) is None


def test_the_limits_are_10_and_256_characters() -> None:
    long = "wxkq zrtm " * 26
    assert "too short" in (rules.password_problem(long[:9]) or "")
    assert rules.password_problem(long[:10]) is None
    assert rules.password_problem(long[:256]) is None
    assert "At most 256" in (rules.password_problem(long[:257]) or "")


def test_a_password_is_compared_exactly_as_typed() -> None:
    long = "wxkq zrtm " * 10
    kept = passwords.make(long)
    assert kept.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert passwords.fits(kept, long)
    for other in (long[:72], long.strip(), long.upper(), long + " ", ""):
        assert not passwords.fits(kept, other)
    composed, taken_apart = "caf\u00e9 am meer", "cafe\u0301 am meer"
    assert not passwords.fits(passwords.make(composed), taken_apart)


@pytest.mark.parametrize("kept", [None, "", "not a hash", "$argon2id$broken"])
def test_an_account_without_a_password_lets_nobody_in(kept: str | None) -> None:
    assert not passwords.fits(kept, "")
    assert not passwords.fits(kept, "nobody's password")


def test_each_hash_has_its_own_salt_and_today_s_costs() -> None:
    first, second = passwords.make("seven quiet"), passwords.make("seven quiet")
    assert first != second
    assert not passwords.is_outdated(first)
    assert passwords.is_outdated(first.replace("m=19456", "m=8192"))


@pytest.mark.parametrize(
    "name", ["Odile", "Éva Nagy", "Jo-Ann O’Hara", "李 小龍", "Дара Квилл", "Ana 2"]
)
def test_names_of_one_alphabet_will_do(name: str) -> None:
    assert rules.name_problem(name) is None


@pytest.mark.parametrize("name", ["", "42", "Dаra", "Odile\n", "x" * 81, "a" + "\u0301" * 20])
def test_other_names_are_refused_in_words(name: str) -> None:
    assert rules.name_problem(name)
