"""Quantities with units, against published conversion factors."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from vario.settings.errors import QuantityError
from vario.settings.quantity import (
    AREA,
    DIMENSIONS,
    LENGTH,
    MASS,
    PRESSURE,
    SPEED,
    TIME,
    Dimension,
    dimension_of,
    key_of,
    parse,
    show,
    unit_in_key,
)

# scipy.constants has the definitions of the SI brochure and of NIST SP 811.
EXACT = [
    ("1 kt", SPEED, constants.knot),
    ("1 km/h", SPEED, constants.kmh),
    ("1 ft/min", SPEED, constants.foot / constants.minute),
    ("1 ft", LENGTH, constants.foot),
    ("1 km", LENGTH, constants.kilo),
    ("1 lb", MASS, constants.pound),
    ("1 ft2", AREA, constants.foot**2),
    ("1 min", TIME, constants.minute),
    ("1 hPa", PRESSURE, constants.hecto),
    ("180 deg", next(d for d in DIMENSIONS if d.suffix == "_rad"), math.pi),
    ("180 deg/s", next(d for d in DIMENSIONS if d.suffix == "_radps"), math.pi),
]


@pytest.mark.parametrize(("text", "dimension", "si"), EXACT)
def test_units_have_their_published_size(text: str, dimension: Dimension, si: float) -> None:
    assert parse(text, dimension) == pytest.approx(si, rel=1e-15)


UNITS = [(dimension, unit) for dimension in DIMENSIONS for unit in dimension.units]


@given(st.sampled_from(UNITS), st.floats(-1e6, 1e6))
def test_a_shown_quantity_reads_back_as_the_same(unit: tuple[Dimension, str], number: float) -> None:
    dimension, name = unit
    value = number * dimension.units[name]
    # Six digits are shown.
    assert parse(show(value, dimension, name), dimension) == pytest.approx(value, rel=5.1e-6, abs=1e-300)


@given(st.sampled_from(UNITS), st.integers(-99999, 99999))
def test_what_was_written_is_shown_again(unit: tuple[Dimension, str], hundredths: int) -> None:
    dimension, name = unit
    text = f"{hundredths / 100:.6g} {name}"
    assert show(parse(text, dimension), dimension, name) == text


@pytest.mark.parametrize(
    ("text", "si"),
    [
        ("90 km/h", 25.0),
        ("  90km/h ", 25.0),
        ("+1e1 m/s", 10.0),
        (".5 m/s", 0.5),
        ("2. m/s", 2.0),
        ("-3 m/s", -3.0),
    ],
)
def test_ways_to_write_a_number(text: str, si: float) -> None:
    assert parse(text, SPEED) == pytest.approx(si)


SPEED_WANTED = "expected a speed in quotes with its unit (m/s, km/h, kt or ft/min)"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("4", "the unit is missing"),
        (4, "a number without unit"),
        (True, "no text in quotes"),
        (["4 kt"], "no text in quotes"),
        ("4 kts", 'the unit "kts" is written "kt"'),
        ("90 KM/H", 'the unit "KM/H" is written "km/h"'),
        ("90 kmh", 'the unit "kmh" is written "km/h"'),
        ("4 kg", '"kg" is the unit of a mass, not of a speed'),
        ("4 furlongs", '"furlongs" is no unit of a speed'),
        ("1,5 m/s", "the decimal sign is a point, not a comma"),
        ("fast", "no number followed by a unit"),
        ("", "no number followed by a unit"),
        ("nan m/s", "no number followed by a unit"),
        ("1 2 m/s", "no number followed by a unit"),
        ("1e999 m/s", "a number too large to be true"),
    ],
)
def test_a_value_that_is_not_a_speed_is_refused_with_the_reason(text: object, reason: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, SPEED)
    assert caught.value.reason == reason
    assert str(caught.value) == f"{caught.value.reason}; {SPEED_WANTED}"


@given(st.text(), st.sampled_from(DIMENSIONS))
def test_any_text_is_a_finite_quantity_or_refused(text: str, dimension: Dimension) -> None:
    try:
        value = parse(text, dimension)
    except QuantityError:
        return
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("damping_s", "damping"),
        ("maccready_mps", "maccready"),
        ("turn_rate_radps", "turn_rate"),
        ("wing_area_m2", "wing_area"),
        ("entry_angle_rad", "entry_angle"),
        ("bugs", "bugs"),
    ],
)
def test_the_key_is_the_name_without_its_unit(name: str, key: str) -> None:
    assert key_of(name) == key
    assert (dimension_of(name) is None) == (name == key)


@pytest.mark.parametrize(
    ("key", "without"),
    [
        ("maccready_mps", "maccready"),
        ("maccready_kmh", "maccready"),
        ("ballast_KG", "ballast"),
        ("turn_rate_deg", "turn_rate"),
        ("exit_time_sec", "exit_time"),
        ("climb_merge_time", None),
        ("maccready", None),
        ("_s", ""),
    ],
)
def test_a_unit_in_a_key_is_recognised(key: str, without: str | None) -> None:
    assert unit_in_key(key) == without
