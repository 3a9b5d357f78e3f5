"""What a sign-in asks for: names, passwords, pauses between guesses, lives of links. Pure."""

import unicodedata
from collections.abc import Iterable
from itertools import pairwise
from urllib.parse import urlsplit

from app.shared.calendar import DAY
from app.shared.people import Role
from app.shared.text import fold, problem

MINUTE = 60

# A browser is forgotten after a week without an act, and after thirty days in any case.
IDLE = 7 * DAY
ABSOLUTE = 30 * DAY
# How often an act is noted as "last seen": a write for every tap would be one too many.
SEEN_EVERY = 5 * MINUTE

LINK_LIVES = {
    "first": 7 * DAY,
    "invitation": 7 * DAY,
    "way_back": 60 * MINUTE,
    # It ends with the demo: the next start makes another and withdraws this one.
    "demo": 3650 * DAY,
}

LONGEST_NAME = 80
# OWASP ASVS 5.0, 6.2.1, 6.2.5 and 6.2.9: length counts, not a mix of signs; long ones are allowed.
SHORTEST_PASSWORD, LONGEST_PASSWORD = 10, 256
PASSWORD_HINT = (
    f"At least {SHORTEST_PASSWORD} characters. Length is what makes a password hard to guess. "
    "Three or four unrelated words work well."
)

# Taking one's name at a bench that is signed in already. Guesses are slowed as those at passwords
# are: a hundred a day of ten thousand.
PIN_LENGTH = 4
MY_BENCH = "/my-bench"
# Where the first owner goes on to: what there is to set up.
SET_UP = "/set-up"
_LANDS = {Role.BENCH: MY_BENCH, Role.OWNER: "/owner"}

# Wrong guesses at one name: five are free, then the pause doubles. They are remembered for a day
# or until the right password comes, so that at most about a hundred a day can be tried.
FREE_TRIES = 5
# Of all names together: a guess costs some 35 ms of a processor, whoever makes it. The rows of
# so many are kept that a name's own cannot be pushed out sooner than its pause ends.
MOST_AT_ONCE = 8
MOST_A_MINUTE = 120
MOST_TRIES_KEPT = 10_000
# Whoever is refused hears so after a while, which holds no thread: a flood asks less often then.
REFUSED_AFTER = 1.0
FIRST_PAUSE, LONGEST_PAUSE = 30, 15 * MINUTE
TRIES_KEPT = DAY

# The core of a password that is only dressed up with digits and signs; from memory of the lists
# that are published after break-ins.
_CORES = """
password passwort passwords mypassword passphrase letmein letmeinnow welcome welcomeback changeme
changemenow administrator admin adminadmin qwerty qwertyuiop qwertzuiop azertyuiop qwertyqwerty
asdfghjkl asdfasdfasdf zxcvbnm iloveyou iloveyouso sunshine princess football baseball basketball
dragon monkey trustno abc abcabcabc abcdef likewright workshop ourworkshop studio secret topsecret
computer internet whatever summer winter spring autumn holiday testtest testing
"""
_DIGITS = """
1234567890 0123456789 0987654321 9876543210 1234512345 1231231231 123123123123 1212121212
12345678910 123456789012 1q2w3e4r5t 1q2w3e4r5t6y q1w2e3r4t5 1qaz2wsx3edc zaq12wsxcde3
1234qwerasdf 123qweasdzxc a1b2c3d4e5 aa12345678 qwer1234qwer
"""
_COMMON_CORES, _COMMON = frozenset(_CORES.split()), frozenset(_DIGITS.split())
_DRESS = "0123456789 !?.,;:-_#*+&/()=%€£'\""
_LEET = str.maketrans("@40$53", "aaosse")


def name_problem(name: str) -> str | None:
    """Say in words why somebody cannot be called that here, or None."""
    if not name or not any(sign.isalpha() for sign in name):
        return "A name, please."
    if (wrong := problem(name, LONGEST_NAME)) is not None:
        return wrong
    scripts = {unicodedata.name(sign, "?").split(" ")[0] for sign in name if sign.isalpha()}
    # Look-alike letters of another script would let two accounts wear one name (UTS #39).
    if len(scripts & {"LATIN", "CYRILLIC", "GREEK", "ARMENIAN", "CHEROKEE"}) > 1:
        return "It mixes letters from two alphabets. Use one."
    return None


def password_problem(password: str, *own_words: str) -> str | None:
    """Say in words why a password will not do, or None.

    `own_words` are the person's and the studio's names. The password is taken exactly as typed.
    """
    if len(password) < SHORTEST_PASSWORD:
        return f"That is too short. {PASSWORD_HINT}"
    if len(password) > LONGEST_PASSWORD:
        return f"At most {LONGEST_PASSWORD} characters, please."
    if any(0xD800 <= ord(sign) <= 0xDFFF for sign in password):
        return "There is a broken character in it. Type it again, please."
    if password.casefold() in _COMMON or _is_a_run(password) or _core(password) in _COMMON_CORES:
        return "That is one of the first a stranger would try. Choose another."
    if _core(password).replace(" ", "") in {fold(w).replace(" ", "") for w in own_words if w}:
        return "That is little more than a name. Choose another."
    return None


def pin_problem(pin: str) -> str | None:
    """Say in words why four digits will not do as a PIN, or None. Empty takes the PIN away."""
    if not pin:
        return None
    if len(pin) != PIN_LENGTH or not (pin.isascii() and pin.isdecimal()):
        return f"Exactly {PIN_LENGTH} digits, please."
    return "That is one of the first anybody would try. Choose another." if _is_a_run(pin) else None


def landing(role: Role, address: str) -> str:
    """Where somebody goes on to after signing in: who makes the pieces lands on My bench, the owner
    on Today, the front desk on the benches; whoever asked for a page gets that."""
    return _LANDS.get(role, address) if address == "/" else address


def _core(password: str) -> str:
    return fold(password).strip(_DRESS).translate(_LEET)


def _is_a_run(password: str) -> bool:
    """One sign again and again, or an alphabet or keyboard of digits walked along."""
    steps = {ord(b) - ord(a) for a, b in pairwise(password)}
    return len(steps) == 1 and steps <= {-1, 0, 1}


def pause(tries: Iterable[int], now: int) -> int:
    """Seconds until the next guess at a name is looked at; 0 where it may be made now.

    `tries` are the moments of the wrong guesses since the last right one.
    """
    known = sorted(at for at in tries if now - TRIES_KEPT < at <= now)
    extra = len(known) - FREE_TRIES
    if extra < 0:
        return 0
    # Doubling is capped before it is computed: the count has no bound.
    long: int = min(LONGEST_PAUSE, FIRST_PAUSE << min(extra, 10))
    return max(0, known[-1] + long - now)


def same_site(address: str) -> str:
    """The address to go on to after signing in: a path of this site, else the benches."""
    plain = address.isprintable() and len(address) <= 500 and "\\" not in address
    if not plain or not address.startswith("/") or address.startswith("//"):
        return "/"
    try:
        parts = urlsplit(address)
    except ValueError:
        return "/"
    return "/" if parts.scheme or parts.netloc or parts.path == "/sign-in" else address
