"""Glider files: the polar against a general library, and the physics a polar must obey."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from vario.settings.errors import SettingsError
from vario.settings.glider import Glider, Polar
from vario.settings.load import parse_settings

GLIDERS = sorted((Path(__file__).parents[2] / "config" / "gliders").glob("*.toml"))


def load(path: Path) -> Glider:
    glider = parse_settings("", "no settings", path.read_text(encoding="utf-8"), path.name).glider
    assert glider is not None
    return glider


def test_there_are_bundled_gliders_of_both_forms() -> None:
    forms = {load(path).polar.keys for path in GLIDERS}
    assert forms == {("points",), ("a", "b", "c")}


@pytest.mark.parametrize("path", GLIDERS, ids=lambda path: path.stem)
def test_bundled_gliders_load_and_warn(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert "INVENTED" in text
    assert "flight manual of YOUR glider" in text.replace("\n# ", " ")
    assert load(path).name in text


@pytest.mark.parametrize("path", GLIDERS, ids=lambda path: path.stem)
def test_every_key_of_a_bundled_glider_is_commented(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    assignments = [place for place, line in enumerate(lines) if " = " in line and not line.startswith("#")]
    assert len(assignments) >= 8
    assert [lines[place] for place in assignments if not lines[place - 1].startswith("# ")] == []


def polar(*points: tuple[float, float]) -> Polar:
    return Polar.model_validate({"points": [[f"{speed!r} m/s", f"{sink!r} m/s"] for speed, sink in points]})


@given(
    st.floats(0.001, 0.01), st.floats(-0.3, -0.02), st.floats(0.3, 0.9), st.permutations([21.0, 31.0, 52.0])
)
def test_the_polar_goes_through_its_points(a: float, b: float, least: float, speeds: list[float]) -> None:
    c = least + b * b / (4 * a)
    points = [(speed, a * speed**2 + b * speed + c) for speed in speeds]
    # numpy's least squares through three points is the parabola itself.
    oracle = np.polyfit(*zip(*points, strict=True), deg=2)
    assert polar(*points).coefficients == pytest.approx(tuple(oracle), rel=1e-6)
    assert polar(*points).coefficients == pytest.approx((a, b, c), rel=1e-6)


def test_coefficients_are_taken_as_they_are() -> None:
    given_form = Polar.model_validate({"a": 0.002, "b": -0.1, "c": 1.9})
    assert given_form.coefficients == (0.002, -0.1, 1.9)


@given(
    stall=st.integers(60, 100),
    manoeuvring=st.integers(100, 200),
    never_exceed=st.integers(180, 300),
    sinks=st.tuples(*[st.integers(30, 400)] * 3),
)
@example(stall=60, manoeuvring=100, never_exceed=180, sinks=(59, 93, 210))  # least sink at -0.5 km/h
def test_an_accepted_polar_always_sinks_and_glides_best_within_the_limits(
    stall: int, manoeuvring: int, never_exceed: int, sinks: tuple[int, int, int]
) -> None:
    low, middle, high = sinks
    text = f"""
        name = "Testglider"
        reference_mass = "400 kg"
        wing_area = "12 m2"
        [polar]
        points = [["85 km/h", "{low / 100} m/s"], ["110 km/h", "{middle / 100} m/s"],
            ["170 km/h", "{high / 100} m/s"]]
        [limits]
        stall = "{stall} km/h"
        manoeuvring = "{manoeuvring} km/h"
        rough_air = "{manoeuvring} km/h"
        never_exceed = "{never_exceed} km/h"
    """
    # An oracle by brute force: the sink at every km/h, from numpy's parabola.
    parabola = np.polyfit(np.array([85, 110, 170]) / 3.6, np.array(sinks) / 100, deg=2)
    speeds = np.arange(1.0, 500.0) / 3.6
    sink = np.polyval(parabola, speeds)
    flown = (speeds * 3.6 >= stall) & (speeds * 3.6 <= never_exceed)
    ratio = np.where(sink > 0, speeds / np.maximum(sink, 1e-9), np.inf)
    best_kmh = speeds[np.argmax(ratio)] * 3.6
    # Every real polar sinks more when flown too slowly: at a standstill the parabola must still fall.
    fall_at_standstill = -float(np.polyval(np.polyder(parabola), 0.0))
    sensible = (
        parabola[0] > 0
        and fall_at_standstill > 0
        and stall < manoeuvring <= never_exceed
        and bool(np.all(sink[flown] > 0))
        and stall / 2 < best_kmh < never_exceed
        and 8 <= ratio.max() <= 90
    )
    # The brute force sees whole km/h only, and both have rounding errors; leave the very edge to either.
    edge = (
        abs(best_kmh - stall / 2) < 2
        or abs(best_kmh - never_exceed) < 2
        or abs(sink[flown].min()) < 0.01
        or abs(fall_at_standstill) < 1e-9
        or abs(parabola[0]) < 1e-9
        or 7.9 < ratio.max() < 8.1
        or 89 < ratio.max() < 91
    )
    try:
        parse_settings("", "no settings", text)
    except SettingsError:
        assert not sensible or edge
    else:
        assert sensible or edge


def test_a_polar_that_sinks_least_at_a_standstill_is_refused() -> None:
    text = (
        'name = "Testglider"\nreference_mass = "400 kg"\nwing_area = "12 m2"\n[polar]\n'
        'points = [["25 m/s", "0.75 m/s"], ["35 m/s", "0.92 m/s"], ["50 m/s", "1.25 m/s"]]\n'
        '[limits]\nstall = "70 km/h"\nmanoeuvring = "160 km/h"\nrough_air = "160 km/h"\n'
        'never_exceed = "250 km/h"\n'
    )
    with pytest.raises(SettingsError, match="least at zero speed"):
        parse_settings("", "no settings", text)
