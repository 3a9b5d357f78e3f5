"""Private links: made from a nonce and the key file, known to the database only by their hash.

A link is HMAC-SHA-256(key, nonce) in base64url: 256 bits, of A–Z a–z 0–9 _ -. The nonce lies in
the database and the key outside it, so a stolen database or backup opens no page, while a letter
can still be given the link again. Only the hash of the link's text is compared; the text is never
decoded, because several texts decode to the same bytes.
"""

import base64
import hashlib
import hmac
import secrets


def new_nonce() -> str:
    """128 random bits as text."""
    return secrets.token_hex(16)


def status_token(key: bytes, nonce: str) -> str:
    """The text of a status link."""
    mac = hmac.new(key, b"status:" + nonce.encode(), hashlib.sha256).digest()
    return base64.urlsafe_b64encode(mac).rstrip(b"=").decode()


def key_fingerprint(key: bytes) -> str:
    """By what a key is known again. The key cannot be found from it: it is 256 random bits."""
    return hashlib.sha256(b"likewright key\0" + key).hexdigest()[:32]


def token_hash(token: str) -> str:
    """What is kept of a token."""
    return hashlib.sha256(token.encode()).hexdigest()
