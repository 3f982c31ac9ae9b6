"""Every message about a settings file that is not valid TOML, word for word, as the pilot sees it."""

# ruff: noqa: E501 (messages stand here as long as the user sees them)

from __future__ import annotations

import pytest

from tests.support.settings_complaints import complaint, placed

TOML_MESSAGES = {
    "quotes forgotten": (
        "[flight]\nmaccready = 1.5 m/s",
        "line 2: maccready = 1.5 m/s: not valid TOML, column 17: a value with a unit is written in quotes: "
        'maccready = "1.5 m/s"',
    ),
    "curly quotes": (
        "[flight]\nmaccready = \u201c1.5 m/s\u201d",
        "line 2: maccready = \u201c1.5 m/s\u201d: not valid TOML, column 13: curly quotes; expected straight quotes, "
        'as a plain text editor writes them: maccready = "1.5 m/s"',
    ),
    "text without quotes": (
        "[flight]\nmode = circling",
        'line 2: mode = circling: not valid TOML, column 8: a text is written in quotes: mode = "circling"',
    ),
    "decimal comma without quotes": (
        "[flight]\nbugs = 0,1",
        "line 2: bugs = 0,1: not valid TOML, column 9: the decimal sign is a point, not a comma: bugs = 0.1",
    ),
    "bracket forgotten": (
        "[flight\nbugs = 0.1",
        "line 1: [flight: not valid TOML, column 8: Expected ']' at the end of a table declaration",
    ),
    "section twice": (
        "[sensors.imu]\n[sensors.imu]",
        "line 2: [sensors.imu]: not valid TOML, column 13: Cannot declare [sensors.imu] twice",
    ),
    "key twice": (
        "[flight]\nbugs = 0.1\nbugs = 0.1\n",
        "line 3: bugs = 0.1: not valid TOML, column 11: this key has a value already",
    ),
    "cut short": (
        "[flight]\nbugs",
        "line 2: bugs: not valid TOML: Expected '=' after a key in a key/value pair",
    ),
    "too many levels": (
        f"[flight]\nbugs = {'[' * 40}{']' * 40}",
        "too long a number or too deeply nested for a settings file",
    ),
    "glider named but not carried along": (
        'glider = "g.toml"',
        'line 1: glider = "g.toml": the glider file itself is missing',
    ),
}


@pytest.mark.parametrize(("settings", "message"), TOML_MESSAGES.values(), ids=TOML_MESSAGES)
def test_toml_message(settings: str, message: str) -> None:
    assert complaint(settings) == [placed(message)]
