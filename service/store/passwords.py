"""Passwords and tokens: what may be one, what is kept of it, and how it is compared.

Of a password an Argon2id hash is kept (RFC 9106, the second recommended option: 64 MiB, three passes), of a token its
SHA-256: a token is 256 random bits, so nobody guesses it from its hash.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from service.errors import NotUnderstood

SHORTEST: Final = 12
"""Characters of a password at least. NIST SP 800-63B asks for length and not for kinds of characters (from memory)."""
LONGEST: Final = 256

_HASHER: Final = PasswordHasher()
_FEW: Final = threading.Semaphore(2)
"""Each comparison takes 64 MiB: a crowd of wrong passwords must not take the machine's memory."""
_NOBODYS: Final = _HASHER.hash(secrets.token_urlsafe(32))


def check_new(password: str, sign_in: str) -> str:
    """The password, if it may be one. Raises NotUnderstood, without repeating it."""
    if len(password) < SHORTEST:
        raise NotUnderstood(f"a password has at least {SHORTEST} characters; a short sentence is easy to remember")
    if len(password) > LONGEST:
        raise NotUnderstood(f"a password has at most {LONGEST} characters")
    if len(set(password)) < 5 or sign_in.casefold() in password.casefold():
        raise NotUnderstood("this password would be guessed: not the sign-in name, and not the same few characters")
    return password


def hash_password(password: str) -> str:
    """What is kept of a password."""
    with _FEW:
        return _HASHER.hash(password)


def is_password(kept: str, password: str) -> bool:
    """Whether this is the password of which `kept` was kept. Takes as long where nothing is kept ("")."""
    with _FEW:
        try:
            return _HASHER.verify(kept or _NOBODYS, password[: LONGEST + 1]) and bool(kept)
        except (Argon2Error, InvalidHashError):
            return False


def make_token() -> str:
    """A token nobody can guess."""
    return secrets.token_urlsafe(32)


def hash_token(token: str) -> bytes:
    """What is kept of a token."""
    return hashlib.sha256(token.encode(errors="replace")).digest()


def mark(kind: str, text: str) -> str:
    """Stands for a name or an address that a sign-in was tried with. Too short to say what it was made from, should
    somebody have typed a password where the name belongs."""
    return f"{kind}:{hashlib.sha256(text.casefold().encode(errors='replace')).hexdigest()[:8]}"
