"""Who may change settings on the live page: passphrase, sessions, rate limit, and the origin of a request."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Mapping
from hashlib import sha256
from pathlib import Path
from urllib.parse import urlsplit

COOKIE = "vario_session"
SESSION_S = 12 * 3600.0
MOST_SESSIONS = 16
SHORTEST_PASSPHRASE = 8
LARGEST_FILE_BYTES = 1024

LOG_INS = 5
LOG_INS_OF_ALL = 30
"""Attempts to log in per minute, from one address and from all."""

CHANGES = 30
"""Changes per `CHANGES_S` seconds, from all browsers together. Each of them writes to the memory card."""
CHANGES_S = 10.0

MOST_ADDRESSES = 256


class RateLimit:
    """At most `most` events per `period_s` of each key.

    Only the latest `MOST_ADDRESSES` keys are kept, so that memory is bounded.
    """

    def __init__(self, most: int, period_s: float, now_s: Callable[[], float] = time.monotonic) -> None:
        self._most = most
        self._period_s = period_s
        self._now_s = now_s
        self._times: OrderedDict[str, deque[float]] = OrderedDict()

    def allows(self, key: str = "") -> bool:
        """Whether one more event is permitted now. If so, it is counted."""
        now_s = self._now_s()
        times = self._times.setdefault(key, deque(maxlen=self._most))
        self._times.move_to_end(key)
        while len(self._times) > MOST_ADDRESSES:
            self._times.popitem(last=False)
        if len(times) == self._most and now_s - times[0] < self._period_s:
            return False
        times.append(now_s)
        return True


class Sessions:
    """The browsers that have logged in.

    Args:
        passphrase: the file with the passphrase; None: nobody can log in.
        now_s: a monotonic clock.
    """

    def __init__(self, passphrase: Path | None, now_s: Callable[[], float] = time.monotonic) -> None:
        self._path = passphrase
        self._now_s = now_s
        self._ends_s: OrderedDict[str, float] = OrderedDict()

    def log_in(self, given: str) -> str | None:
        """A new session token; None if the passphrase is wrong or none is set.

        The file is read again each time, so that a changed passphrase is in force at once.
        """
        kept = self._passphrase()
        # The digests have equal lengths, so the time of the comparison tells nothing about the passphrase.
        right = hmac.compare_digest(_digest(given), _digest(kept or ""))
        if kept is None or not right:
            return None
        token = secrets.token_urlsafe(32)
        self._ends_s[_digest(token).hex()] = self._now_s() + SESSION_S
        while len(self._ends_s) > MOST_SESSIONS:
            self._ends_s.popitem(last=False)
        return token

    def knows(self, token: str | None) -> bool:
        """Whether the token belongs to a session that has not expired."""
        if token is None:
            return False
        # Looked up by digest: the time of the look-up tells nothing about a valid token.
        ends_s = self._ends_s.get(_digest(token).hex())
        return ends_s is not None and self._now_s() < ends_s

    def _passphrase(self) -> str | None:
        try:
            return None if self._path is None else passphrase_in(self._path)
        except (OSError, ValueError):
            return None


def passphrase_in(path: Path) -> str:
    """The passphrase in a file.

    Raises:
        OSError: if the file cannot be read.
        ValueError: if it is not UTF-8 text, or too short.
    """
    with path.open("rb") as stream:
        text = stream.read(LARGEST_FILE_BYTES).decode("utf-8").strip()
    if len(text) < SHORTEST_PASSPHRASE:
        raise ValueError(f"{len(text)} characters; expected at least {SHORTEST_PASSPHRASE} characters")
    return text


def _digest(text: str) -> bytes:
    return sha256(text.encode("utf-8", errors="surrogatepass")).digest()


def is_own_host(host: str, name: str | None = None) -> bool:
    """Whether the `Host` of a request is an address in numbers or the name of this computer.

    Another name may be that of a foreign page whose name server points at this computer (DNS rebinding).

    Args:
        host: the header.
        name: name of this computer; None: ask the system.
    """
    try:
        hostname = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return False
    own = (socket.gethostname() if name is None else name).lower()
    if hostname in ("localhost", own, f"{own}.local"):
        return True
    try:
        ipaddress.ip_address(hostname.partition("%")[0])
    except ValueError:
        return False
    return True


def is_same_origin(headers: Mapping[str, str]) -> bool:
    """Whether a request that changes something was made by the page itself (RFC 6454, Fetch standard)."""
    host = headers.get("Host", "")
    return bool(host) and headers.get("Origin") == f"http://{host}"
