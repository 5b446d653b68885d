"""The password file: names and hashed passwords, and the limits on attempts.

A line a person: the name, a colon, and the hash by scrypt (RFC 7914) as a string in the PHC format, in base64 without
padding.
"""

import base64
import hashlib
import hmac
import os
import re
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from dumpload.files import read_plain

# Those of the OWASP password storage cheat sheet (N = 2^14, r = 8, p = 5; from memory): 16 MiB and about a second of a
# small board, paid once for each browser, since what was accepted is remembered.
LOG_N, R, P = 14, 8, 5
SALT_BYTES, HASH_BYTES = 16, 32
MOST_MEMORY = 64 * 1024 * 1024

LEAST_CHARACTERS, MOST_BYTES = 12, 512
MOST_FILE_BYTES, MOST_PEOPLE = 16_384, 50

NAME = r"[A-Za-z0-9._-]{1,64}"
_LINE = re.compile(
    rf"({NAME}):\$scrypt\$ln=(\d{{1,2}}),r=(\d{{1,2}}),p=(\d{{1,2}})\$([A-Za-z0-9+/]+)\$([A-Za-z0-9+/]+)"
)


class Hash(NamedTuple):
    """A hashed password, with what it takes to hash another in the same way."""

    log_n: int
    r: int
    p: int
    salt: bytes
    digest: bytes

    def line(self, name: str) -> str:
        """Return the line of the file."""
        return f"{name}:$scrypt$ln={self.log_n},r={self.r},p={self.p}${_text(self.salt)}${_text(self.digest)}"

    def fits(self, password: bytes) -> bool:
        """Return whether this is the password; takes as long whether it is or not."""
        return hmac.compare_digest(_scrypt(password, self.salt, self.log_n, self.r, self.p), self.digest)


class PasswordFileError(Exception):
    """The file cannot be used; the message names it and what was expected."""


def hashed(password: bytes) -> Hash:
    """Return the hash of a password, with a new salt."""
    salt = os.urandom(SALT_BYTES)
    return Hash(LOG_N, R, P, salt, _scrypt(password, salt, LOG_N, R, P))


def read_passwords(path: Path) -> dict[str, Hash]:
    """Return the hash of each name.

    Raises:
        PasswordFileError: it cannot be read, or has a line of another form; no line is shown.
    """
    try:
        lines = read_plain(path, MOST_FILE_BYTES).decode().splitlines()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text"
        message = f"{path}: expected a password file written by `dumpload password`: {reason}"
        raise PasswordFileError(message) from None
    people = {}
    for number, text in enumerate(lines, 1):
        name, person = _parse(text)
        if person is None:
            message = f"{path}, line {number}: expected a line written by `dumpload password`"
            raise PasswordFileError(message)
        people[name] = person
    if not 0 < len(people) <= MOST_PEOPLE:
        message = f"{path}: expected 1 to {MOST_PEOPLE} lines written by `dumpload password`"
        raise PasswordFileError(message)
    return people


def _parse(text: str) -> tuple[str, Hash | None]:
    match = _LINE.fullmatch(text.strip())
    if match is None:
        return "", None
    log_n, r, p = (int(match[place]) for place in (2, 3, 4))
    # RFC 7914, section 2: the memory that it takes.
    costs = 128 * r * 2**log_n
    if not (log_n >= 1 and r >= 1 and 1 <= p <= 16 and costs <= MOST_MEMORY // 2):  # noqa: PLR2004
        return "", None
    try:
        salt, digest = _octets(match[5]), _octets(match[6])
    except ValueError:
        return "", None
    return match[1], Hash(log_n, r, p, salt, digest) if len(digest) == HASH_BYTES else None


def _scrypt(password: bytes, salt: bytes, log_n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(password, salt=salt, n=2**log_n, r=r, p=p, maxmem=MOST_MEMORY, dklen=HASH_BYTES)


def _text(octets: bytes) -> str:
    return base64.b64encode(octets).decode().rstrip("=")


def _octets(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), validate=True)


class Credentials(NamedTuple):
    """What a browser sends: a name and a password."""

    name: str
    password: bytes


def credentials_of(header: str) -> Credentials | None:
    """Return what an Authorization header of the scheme Basic says (RFC 7617); None if it says something else."""
    scheme, _, text = header.partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        name, colon, password = base64.b64decode(text.strip(), validate=True).partition(b":")
    except ValueError:
        return None
    is_usable = colon and len(name) <= 64 and len(password) <= MOST_BYTES  # noqa: PLR2004
    return Credentials(name.decode("utf-8", "replace"), password) if is_usable else None


class Doorkeeper:
    """Authenticates viewers. An accepted password is remembered by a keyed hash, so that only new viewers cost time."""

    def __init__(self, people: Mapping[str, Hash]) -> None:
        self._people = people
        self._nobody = hashed(secrets.token_bytes(16))
        self._key = os.urandom(32)
        self._accepted: set[bytes] = set()

    def knows(self, header: str) -> bool:
        """Return whether this very header was accepted before."""
        mark = self._mark(header)
        return any([hmac.compare_digest(mark, accepted) for accepted in self._accepted])  # noqa: C419  (all are compared)

    def check(self, header: str) -> bool:
        """Return whether a header names one of the people with their password; slow on purpose."""
        credentials = credentials_of(header)
        if credentials is None:
            return False
        person = self._people.get(credentials.name)
        if not (person or self._nobody).fits(credentials.password) or person is None:
            return False
        if len(self._accepted) < MOST_PEOPLE:
            self._accepted.add(self._mark(header))
        return True

    def _mark(self, header: str) -> bytes:
        return hmac.digest(self._key, header.encode("utf-8", "replace"), "sha256")


# Tries in a row from one address and from all, and how soon each gets another one (s); our choice, no source.
TRIES, EACH_S, ALL_TRIES, ALL_EACH_S = 5, 20.0, 20, 2.0
MOST_ADDRESSES = 256


class Tries:
    """How many wrong passwords may still be tried, by address and by all together: token buckets."""

    def __init__(self) -> None:
        self._spent: dict[str, tuple[float, float]] = {}

    def allow(self, address: str, t: float) -> bool:
        """Return whether there may be another try at `t` (monotonic s), and count it."""
        pools = ((address, TRIES, EACH_S), ("", ALL_TRIES, ALL_EACH_S))
        spent = [self._now(pool, each_s, t) for pool, _most, each_s in pools]
        if any(used + 1 > most for used, (_pool, most, _s) in zip(spent, pools, strict=True)):
            return False
        for used, (pool, _most, _s) in zip(spent, pools, strict=True):
            self._spent.pop(pool, None)
            self._spent[pool] = (used + 1, t)
        while len(self._spent) > MOST_ADDRESSES:
            del self._spent[next(iter(self._spent))]
        return True

    def give_back(self, address: str) -> None:
        """Do not count the last try: it was right."""
        for pool in (address, ""):
            used, t = self._spent.get(pool, (0.0, 0.0))
            self._spent[pool] = (max(0.0, used - 1), t)

    def _now(self, pool: str, each_s: float, t: float) -> float:
        used, at = self._spent.get(pool, (0.0, t))
        return max(0.0, used - (t - at) / each_s)
