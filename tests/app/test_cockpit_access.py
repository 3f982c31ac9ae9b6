"""Who may change settings on the live page: sessions, rate limits, names and origins."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.cockpit_server import PASSPHRASE
from vario.app.cockpit.access import RateLimit, Sessions, is_own_host, is_same_origin


@pytest.mark.parametrize("kept", [None, "", "short", "seven 7", b"\xff" * 20])
def test_without_a_proper_passphrase_nobody_logs_in(tmp_path: Path, kept: str | bytes | None) -> None:
    path = tmp_path / "passphrase"
    if kept is not None:
        path.write_bytes(kept.encode() if isinstance(kept, str) else kept)
    sessions = Sessions(path)
    for word in ("", "None", "short", "seven 7", "correct horse"):
        assert sessions.log_in(word) is None


def test_a_session_ends_and_old_ones_make_room(tmp_path: Path) -> None:
    now = [0.0]
    (tmp_path / "passphrase").write_text(PASSPHRASE, encoding="utf-8")
    sessions = Sessions(tmp_path / "passphrase", lambda: now[0])
    tokens = [sessions.log_in(PASSPHRASE) for _ in range(40)]
    assert len(set(tokens)) == 40
    assert not sessions.knows(tokens[0])
    assert sessions.knows(tokens[-1])
    now[0] += 24 * 3600.0
    assert not sessions.knows(tokens[-1])
    assert not sessions.knows(None)


@given(st.lists(st.tuples(st.floats(0.0, 5.0), st.integers(0, 600)), max_size=300))
def test_a_rate_limit_holds_in_any_window_and_in_little_memory(events: list[tuple[float, int]]) -> None:
    now, granted = [0.0], []
    limit = RateLimit(3, 10.0, lambda: now[0])
    for wait_s, key in events:
        now[0] += wait_s
        if limit.allows(str(key % 3)):
            granted.append((now[0], key % 3))
        limit.allows(f"other {key}")
    for t_s, key in granted:
        assert sum(1 for then_s, other in granted if other == key and t_s - 10.0 < then_s <= t_s) <= 3
    assert len(limit._times) <= 256


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("192.168.4.1:8080", True),
        ("127.0.0.1", True),
        ("[fe80::1]:8080", True),
        ("localhost:8080", True),
        ("glider", True),
        ("Glider.local:8080", True),
        ("evil.example", False),
        ("192.168.4.1.evil.example", False),
        ("glider.local.evil.example", False),
        ("[::1", False),
        ("", False),
    ],
)
def test_only_own_names_and_numbers_are_served(host: str, own: bool) -> None:
    assert is_own_host(host, "glider") is own


def test_an_origin_must_be_the_page_itself() -> None:
    host = {"Host": "192.168.4.1:8080"}
    assert is_same_origin({**host, "Origin": "http://192.168.4.1:8080"})
    for other in (
        "http://192.168.4.1",
        "https://192.168.4.1:8080",
        "null",
        "",
        "http://192.168.4.1:8080.evil",
    ):
        assert not is_same_origin({**host, "Origin": other})
    assert not is_same_origin(host)
    assert not is_same_origin({"Origin": "http://"})
