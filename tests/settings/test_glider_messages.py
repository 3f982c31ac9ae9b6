"""Every message about a glider file, word for word, as the pilot sees it."""

# ruff: noqa: E501 (messages stand here as long as the user sees them)

from __future__ import annotations

import pytest

from tests.support.settings_complaints import GLIDER, complaint

STEEP = "the sink must increase more and more with speed; check the points"
POINTS = 'expected three pairs of airspeed and sink, such as ["100 km/h", "0.7 m/s"]'

# Each replaces a part of GLIDER.
GLIDER_MESSAGES = {
    "key missing": (
        'stall = "70 km/h"\n',
        "",
        ", line 8: limits.stall: missing; expected a speed in quotes with its unit (m/s, km/h, kt or ft/min), "
        "from 10 m/s to 40 m/s",
    ),
    "section missing": (
        "[polar]\na = 0.00225\nb = -0.1\nc = 1.74\n",
        "",
        ": [polar]: this section is missing",
    ),
    "name empty": ('"Testglider"', '""', ', line 1: name = "": expected a text of 1 to 60 characters'),
    "polar empty": (
        "a = 0.00225\nb = -0.1\nc = 1.74\n",
        "",
        ", line 4: [polar]: expected either points or a, b and c",
    ),
    "coefficient missing": (
        "b = -0.1\n",
        "",
        ", line 5: polar.a = 0.00225, polar.c = 1.74: expected all of a, b and c; b missing",
    ),
    "coefficient out of range": (
        "b = -0.1",
        "b = 0.1",
        ", line 6: polar.b = 0.1: above the highest allowed, 0",
    ),
    "two forms": (
        "b = -0.1\nc = 1.74",
        'points = [["80 km/h", "0.7 m/s"], ["110 km/h", "0.9 m/s"], ["170 km/h", "2 m/s"]]',
        ', line 6: polar.points = [["80 km/h", "0.7 m/s"], ["110 km/h", "0.9 m/s"], ["170 km/…, polar.a = 0.00225: '
        "expected either points or a, b and c, not both",
    ),
    "two points": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        'points = [["80 km/h", "0.7 m/s"], ["90 km/h", "0.8 m/s"]]',
        f', line 5: polar.points = [["80 km/h", "0.7 m/s"], ["90 km/h", "0.8 m/s"]]: not three points; {POINTS}',
    ),
    "bad points": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "points = [90, ['9 km/h', '1 m/s'], ['90 km/h', '-1 m/s']]",
        ', line 5: polar.points = [90, ["9 km/h", "1 m/s"], ["90 km/h", "-1 m/s"]]: point 1: no pair of an airspeed '
        "and a sink; point 2: the airspeed is not between 10 m/s (36 km/h) and 120 m/s (432 km/h); point 3: the sink "
        f"is not between 0.1 m/s and 50 m/s; it is written without a sign; {POINTS}",
    ),
    "points too close": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "points = [['90 km/h', '1 m/s'], ['91 km/h', '1 m/s'], ['120 km/h', '1 m/s']]",
        ', line 5: polar.points = [["90 km/h", "1 m/s"], ["91 km/h", "1 m/s"], ["120 km/h", "…: two points have '
        "nearly the same airspeed; expected them to lie at least 1 m/s apart",
    ),
    "points curved the wrong way": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "points = [['80 km/h', '1 m/s'], ['100 km/h', '2 m/s'], ['120 km/h', '2 m/s']]",
        f', line 5: polar.points = [["80 km/h", "1 m/s"], ["100 km/h", "2 m/s"], ["120 km/h", …: {STEEP}',
    ),
    "polar climbs": (
        "c = 1.74",
        "c = 1.0",
        ", line 5: polar.a = 0.00225, polar.b = -0.1, polar.c = 1.0: at 80 km/h this polar climbs in still air; "
        "check the numbers and their units",
    ),
    "best glide far off": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "a = 0.0001\nb = 0.0\nc = 1.74",
        ", line 5: polar.a = 0.0001, polar.b = 0.0, polar.c = 1.74, limits.stall = "
        '"70 km/h", limits.never_exceed = "250 km/h": the best glide of this polar lies at 475 km/h; '
        "expected between half of stall and never_exceed",
    ),
    "glide ratio too good": (
        "c = 1.74",
        "c = 1.25",
        ", line 5: polar.a = 0.00225, polar.b = -0.1, polar.c = 1.25: the best glide ratio of this polar is 165; "
        "expected 8 to 90, check the units",
    ),
    "stall too high": (
        'stall = "70 km/h"\nmanoeuvring = "180 km/h"',
        'stall = "130 km/h"\nmanoeuvring = "120 km/h"',
        ', line 9: limits.stall = "130 km/h", limits.manoeuvring = "120 km/h": stall must lie below manoeuvring',
    ),
    "rough air above never exceed": (
        'rough_air = "180 km/h"',
        'rough_air = "260 km/h"',
        ', line 11: limits.rough_air = "260 km/h", limits.never_exceed = "250 km/h": '
        "rough_air must not lie above never_exceed",
    ),
}


@pytest.mark.parametrize(("part", "replacement", "message"), GLIDER_MESSAGES.values(), ids=GLIDER_MESSAGES)
def test_glider_message(part: str, replacement: str, message: str) -> None:
    assert part in GLIDER
    assert complaint("", GLIDER.replace(part, replacement)) == [f"my_glider.toml{message}"]


def test_a_key_of_the_settings_in_the_glider_file() -> None:
    message = "my_glider.toml, line 1: maccready: unknown key; it belongs in the settings file"
    assert complaint("", 'maccready = "1 m/s"\n' + GLIDER) == [message]


def test_the_flying_mass_must_fit_the_glider() -> None:
    fits = "half to twice the reference mass of Testglider"
    assert complaint('[flight]\nmass = "150 kg"', GLIDER) == [
        'my.toml, line 2: flight.mass = "150 kg", flight.ballast = "0 kg" (default): '
        f"together 150 kg; expected 200 kg to 800 kg, {fits}"
    ]
    assert complaint('[flight]\nballast = "450 kg"', GLIDER) == [
        f'my.toml, line 2: flight.ballast = "450 kg": together 850 kg; expected 200 kg to 800 kg, {fits}'
    ]
