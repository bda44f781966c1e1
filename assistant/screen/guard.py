"""Who may watch and who may enter: codes, grants, and what a request must look like.

No I/O; time is an argument (seconds since the epoch, so that a grant outlives a restart).

A device is paired with one of two codes of eight digits: one to watch, which serves any
number of screens for ten minutes, and one to enter as well, which serves once and is then
replaced. A link with a one-time secret (typed by nobody: it is a QR code too) pairs one
device to enter; it leaves the codes alone. Whoever may enter can ask for them at any time.
A paired device holds two secrets: a cookie that no script can read, and a key that only
pages of this very address and port can read (browsers send cookies to every port of a
host). Both are needed. Only their hashes are kept here.

Guessing: five wrong codes lock an address out for a minute, doubling; twenty wrong ones
from anywhere replace the codes and lock everyone out for a minute. So at most 20 guesses
a minute at two of 10^8 codes: under 0.06 % in 24 hours of trying.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum
from itertools import count

from pydantic import BaseModel, ConfigDict

CODE_DIGITS = 8
CODE_LIFE_S = 600.0
GRANT_LIFE_S = 12 * 3600.0
"""A working day."""

WRONG_BEFORE_LOCK = 5
WRONG_BEFORE_RENEWAL = 20
LOCK_S = 60.0
LONGEST_LOCK_S = 900.0
ADDRESSES_KEPT = 256
GRANTS_KEPT = 512

NAME_CHARACTERS = 12
LINE_CHARACTERS = 120
"""Longest line taken from the page; no phrase of the grammar is near it."""


class Right(Enum):
    """What a paired device may do."""

    WATCH = "watch"
    ENTER = "enter"


class Grant(BaseModel):
    """A paired device: hashes of its secrets, its right, and when it ends; for the list of
    devices its number, where it was paired from, and when."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    cookie: str
    key: str
    right: Right
    ends_s: float
    number: int = 0
    address: str = ""
    since_s: float = 0.0

    @property
    def name(self) -> str:
        """What the device is called: the beginning of a hash, which opens nothing."""
        return self.cookie[:NAME_CHARACTERS]


@dataclass(frozen=True, slots=True)
class Codes:
    """The codes that pair now; ``link`` is the secret of the one-time link, empty once it
    has served."""

    watch: str
    enter: str
    link: str
    ends_s: float


@dataclass(frozen=True, slots=True)
class Paired:
    """The secrets for a device that has just been paired."""

    cookie: str
    key: str
    right: Right


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a code was not taken; ``wait_s`` until the next try counts."""

    reason: str
    wait_s: float = 0.0


@dataclass(slots=True)
class _Wrong:
    count: int = 0
    locks: int = 0
    until_s: float = 0.0


def new_code() -> str:
    """Eight random digits."""
    return f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"


@dataclass
class Pairing:
    """The codes in force, the wrong tries and the paired devices.

    Args:
        grants: devices paired by an earlier run of the program.
    """

    grants: Iterable[Grant] = ()
    _codes: Codes | None = None
    _wrong: dict[str, _Wrong] = field(default_factory=dict)
    _anywhere: _Wrong = field(default_factory=_Wrong)
    _known: dict[str, Grant] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._known = {grant.cookie: grant for grant in self.grants}

    def fresh_codes(self, now_s: float) -> Codes | None:
        """New codes to announce, or None while the old ones hold."""
        if self._codes is not None and now_s < self._codes.ends_s:
            return None
        self._codes = Codes(new_code(), new_code(), _secret(), now_s + CODE_LIFE_S)
        return self._codes

    def asked_codes(self, now_s: float) -> Codes:
        """Codes and a link for whoever asks for them: those in force, for ten minutes more,
        since somebody may be typing one of them."""
        codes = self.fresh_codes(now_s) or self._codes
        assert codes is not None
        self._codes = replace(codes, link=codes.link or _secret(), ends_s=now_s + CODE_LIFE_S)
        return self._codes

    def attempt(self, given: str, address: str, now_s: float) -> Paired | Refusal:
        """Pair a device that gives a code or the secret of the link."""
        mine = self._wrong.get(address, _Wrong())
        locked_s = max(mine.until_s, self._anywhere.until_s) - now_s
        if locked_s > 0:
            return Refusal("locked", locked_s)
        right = self._right_of(given, now_s)
        if right is None:
            return self._count_wrong(address, now_s)
        self._wrong.pop(address, None)
        if right is Right.ENTER and self._codes is not None:
            # The code to enter and the link serve once, each for itself.
            codes, by_link = self._codes, given == self._codes.link
            self._codes = replace(
                codes,
                link="" if by_link else codes.link,
                enter=codes.enter if by_link else new_code(),
            )
        paired = Paired(secrets.token_urlsafe(32), secrets.token_urlsafe(32), right)
        taken = {grant.number for grant in self.kept(now_s)}
        self._keep(
            Grant(
                cookie=hashed(paired.cookie),
                key=hashed(paired.key),
                right=right,
                ends_s=now_s + GRANT_LIFE_S,
                number=next(n for n in count(1) if n not in taken),
                address=address,
                since_s=now_s,
            ),
            now_s,
        )
        return paired

    def right_of(self, cookie: str, key: str, now_s: float) -> Right | None:
        """What the holder of both secrets may do, or None."""
        grant = self.grant_of(cookie, key, now_s)
        return grant.right if grant else None

    def grant_of(self, cookie: str, key: str, now_s: float) -> Grant | None:
        """The paired device that holds both secrets, or None."""
        grant = self._known.get(hashed(cookie))
        if grant is None or now_s >= grant.ends_s:
            return None
        return grant if hmac.compare_digest(grant.key, hashed(key)) else None

    def remove(self, name: str) -> bool:
        """Forget a device; whether there was one of that name."""
        found = [cookie for cookie, grant in self._known.items() if grant.name == name]
        for cookie in found:
            del self._known[cookie]
        return bool(found)

    def kept(self, now_s: float) -> tuple[Grant, ...]:
        """The grants that still hold, to be found again after a restart."""
        return tuple(grant for grant in self._known.values() if now_s < grant.ends_s)

    def _right_of(self, given: str, now_s: float) -> Right | None:
        codes = self._codes
        if codes is None or now_s >= codes.ends_s:
            return None
        digits = "".join(c for c in given if c not in " -")
        # All three are always compared: how long it takes tells nothing.
        enter = same(digits, codes.enter)
        watch = same(digits, codes.watch)
        link = same(given, codes.link) and codes.link != ""
        if enter or link:
            return Right.ENTER
        return Right.WATCH if watch else None

    def _count_wrong(self, address: str, now_s: float) -> Refusal:
        while len(self._wrong) >= ADDRESSES_KEPT:
            self._wrong.pop(next(iter(self._wrong)))
        mine = self._wrong.setdefault(address, _Wrong())
        mine.count += 1
        self._anywhere.count += 1
        if self._anywhere.count >= WRONG_BEFORE_RENEWAL:
            self._anywhere = _Wrong(until_s=now_s + LOCK_S)
            self._codes = None
        if mine.count >= WRONG_BEFORE_LOCK:
            mine.count = 0
            mine.until_s = now_s + min(LOCK_S * 2**mine.locks, LONGEST_LOCK_S)
            mine.locks += 1
        locked_s = max(mine.until_s, self._anywhere.until_s) - now_s
        return Refusal("locked", locked_s) if locked_s > 0 else Refusal("wrong")

    def _keep(self, grant: Grant, now_s: float) -> None:
        self._known = {held.cookie: held for held in self.kept(now_s)}
        while len(self._known) >= GRANTS_KEPT:
            self._known.pop(next(iter(self._known)))
        self._known[grant.cookie] = grant


def _secret() -> str:
    return secrets.token_urlsafe(16)


def hashed(secret: str) -> str:
    """SHA-256 of a secret of 256 random bits, in hex."""
    return hashlib.sha256(secret.encode()).hexdigest()


def same(given: str, secret: str) -> bool:
    """Whether they are equal, in a time that does not tell where they differ."""
    return hmac.compare_digest(hashed(given), hashed(secret))


# -- what a request must look like -------------------------------------------


def is_loopback(host: str) -> bool:
    """Whether an address is this machine's own to itself."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def host_allowed(header: str, names: frozenset[str], port: int) -> bool:
    """Whether a Host header names this server.

    A page of another site that has its name point here (DNS rebinding) sends that name.
    ``names`` are those of this machine; ``"*"`` among them (the server listens on every
    address) lets any IP address pass, since an address is no name that can be rebound.
    """
    name, given_port = split_host(header)
    if given_port != port:
        return False
    if name in names:
        return True
    if "*" not in names:
        return False
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def split_host(header: str) -> tuple[str, int]:
    """Name and port of a Host header, lower case, without brackets; port 80 if none is
    given, 0 if it is malformed."""
    host = header.lower()
    if host.startswith("["):
        name, _, rest = host[1:].partition("]")
    else:
        name, colon, rest = host.partition(":")
        rest = colon + rest
    if not rest:
        return name, 80
    port = rest[1:] if rest[0] == ":" else ""
    return name, int(port) if port.isascii() and port.isdigit() and len(port) <= 5 else 0


def own_names(host: str, machine: str) -> frozenset[str]:
    """The names this server answers to when it listens on ``host``; see
    :func:`host_allowed`. ``machine`` is the name of this machine."""
    if is_loopback(host):
        return frozenset({"127.0.0.1", "localhost", "::1", host})
    names = {host.lower(), machine.lower(), f"{machine.lower()}.local"}
    try:
        everywhere = ipaddress.ip_address(host).is_unspecified
    except ValueError:
        everywhere = False
    return frozenset(names | {"*", "localhost"} if everywhere else names)


def same_origin(origin: str | None, host: str, scheme: str = "http") -> bool:
    """Whether a request comes from a page of this very server (scheme, host and port)."""
    return origin is not None and origin.lower() == f"{scheme}://{host.lower()}"


# -- what comes from the page --------------------------------------------------


def clean_line(text: str) -> str:
    """A typed line as the case takes it: one line, no control or invisible characters,
    :data:`LINE_CHARACTERS` at most; empty if nothing is left."""
    kept = (c for c in text if c.isspace() or not unicodedata.category(c).startswith("C"))
    return " ".join("".join(kept).split())[:LINE_CHARACTERS].strip()


@dataclass
class Bucket:
    """Lets ``burst`` messages through at once and ``per_s`` in the long run."""

    per_s: float
    burst: float
    _level: float = 0.0
    _at_s: float | None = None

    def takes(self, now_s: float) -> bool:
        """Whether one more message may pass."""
        if self._at_s is not None:
            self._level = max(0.0, self._level - (now_s - self._at_s) * self.per_s)
        self._at_s = now_s
        if self._level + 1 > self.burst:
            return False
        self._level += 1
        return True
