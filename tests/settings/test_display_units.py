"""The units in which people read values, and the altitude with QNH."""

from __future__ import annotations

import math

import pytest
from ambiance import Atmosphere
from hypothesis import given
from hypothesis import strategies as st

from drivers.isa import altitude_m
from vario.flight.motion.energy import Noise
from vario.flight.setup import Setup
from vario.settings.display import DISPLAY_UNITS, METRIC, Display, DisplayUnits, Measure, Unit
from vario.settings.errors import SettingsError
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

EARTH_M = 6_356_766.0
"""Nominal radius of the earth (ICAO Doc 7488)."""

NOISE = Noise(1.0, 1.0)

# NIST SP 811 (2008), appendix B.8: the value of one unit in SI.
NIST = {
    "m/s": 1.0,
    "km/h": 2.777778e-1,
    "kt": 5.144444e-1,
    "ft/min": 5.08e-3,
    "m": 1.0,
    "ft": 3.048e-1,
    "km": 1e3,
    "NM": 1.852e3,
    "hPa": 1e2,
    "inHg": 3.386389e3,
    "kg": 1.0,
    "lb": 4.5359237e-1,
}


def of(text: str) -> DisplayUnits:
    return DisplayUnits(parse_settings(text, "test").settings.display)


def test_the_factors_are_those_of_the_tables() -> None:
    for units in DISPLAY_UNITS.values():
        for name, unit in units.items():
            assert unit.factor == pytest.approx(1.0 / NIST[name], rel=1e-6)
            assert unit.symbol == name


def test_every_measure_has_a_key_with_exactly_its_units() -> None:
    for measure, units in DISPLAY_UNITS.items():
        for name in units:
            assert of(f'[display]\n{measure.value} = "{name}"').of(measure) is units[name]
        with pytest.raises(SettingsError, match=f"display.{measure.value}"):
            of(f'[display]\n{measure.value} = "furlong"')


def test_one_set_of_units_with_one_exception() -> None:
    units = of('[display]\nunits = "knots_and_feet"\nvertical_speed = "ft/min"')
    assert units.shown(Measure.VERTICAL_SPEED, 1.016, sign=True) == "+200 ft/min"
    assert units.shown(Measure.SPEED, 50.0) == "97 kt"
    assert units.shown(Measure.HEIGHT, 304.8) == "1000 ft"
    assert units.shown(Measure.DISTANCE, 18520.0) == "10.0 NM"
    assert METRIC == of("") == DisplayUnits(Display())
    assert METRIC.shown(Measure.SPEED, 25.0) == "90 km/h"
    assert METRIC.shown(Measure.HEIGHT, None) == "--"


@given(st.floats(-0.04, 0.04))
def test_zero_has_no_sign(value: float) -> None:
    assert Unit(" m/s").figure(value) == "0.0"


@given(st.sampled_from([(m, n) for m, units in DISPLAY_UNITS.items() for n in units]), st.floats(-5000, 5000))
def test_a_text_gives_the_value_back(choice: tuple[Measure, str], value: float) -> None:
    unit = DISPLAY_UNITS[choice[0]][choice[1]]
    read = float(unit.figure(value).replace("−", "-")) / unit.factor
    assert math.isclose(read, value, abs_tol=0.5001 * 10.0**-unit.decimals / unit.factor)


@pytest.mark.parametrize("qnh_hpa", [980.0, 1013.25, 1040.0])
@pytest.mark.parametrize("elevation_m", [0.0, 500.0, 2500.0])
def test_the_altitude_with_qnh_is_that_of_an_altimeter(qnh_hpa: float, elevation_m: float) -> None:
    """On a place whose pressure gives this QNH, the altimeter shows the elevation of the place.

    QNH is defined so (ICAO Doc 8896, 2.2: the altimeter setting that makes the altimeter show the elevation
    on the ground). The pressure is that of the standard atmosphere moved to the QNH; oracle: ambiance.
    """
    level_m = float(Atmosphere.from_pressure(100.0 * qnh_hpa).H[0])
    geopotential_m = elevation_m + level_m
    geometric_m = EARTH_M * geopotential_m / (EARTH_M - geopotential_m)
    pressure_pa = float(Atmosphere(geometric_m).pressure[0])
    setup = Setup.of(Settings(display=Display(qnh=f"{qnh_hpa} hPa")), None, NOISE)
    assert setup.qnh_altitude_m(altitude_m(pressure_pa)) == pytest.approx(elevation_m, abs=0.1)


def test_an_inch_of_mercury_is_a_thousand_feet() -> None:
    """FAA-H-8083-25C, chapter 8: 1 inHg is about 1,000 ft of altitude, near the ground."""
    low = Setup.of(Settings(display=Display(qnh="29.92 inHg")), None, NOISE).qnh_altitude_m(500.0)
    high = Setup.of(Settings(display=Display(qnh="30.92 inHg")), None, NOISE).qnh_altitude_m(500.0)
    assert low is not None
    assert high is not None
    assert (high - low) / 0.3048 == pytest.approx(1000.0, rel=0.1)


def test_without_qnh_there_is_no_altitude() -> None:
    assert Setup.of(Settings(), None, NOISE).qnh_altitude_m(500.0) is None
    assert Setup.of(Settings(display=Display(qnh="1013 hPa")), None, NOISE).qnh_altitude_m(None) is None
