"""The words of spoken values.

The examples are those of ICAO Annex 10, Volume II, 5.2.1.4.1 (transmission of numbers), without the words
around them. They agree with a published copy of that text.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vario.flight.cruise.glide import FinalGlide
from vario.flight.inputs.quality import Quality
from vario.flight.thermal.averages import Averages
from vario.flight.tone.phrases import (
    WORDS,
    average,
    decimal,
    goal,
    height,
    lost,
    maccready,
    whole,
    wind_words,
)
from vario.flight.wind.stage import Wind
from vario.settings.display import METRIC, Display, DisplayUnits

FEET = DisplayUnits(Display(units="knots_and_feet"))


def wind(from_deg: float, speed_mps: float) -> Wind:
    towards = math.radians(from_deg + 180.0)
    return Wind(speed_mps * math.cos(towards), speed_mps * math.sin(towards), 0.5, 10.0, 1.0)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (800, "8 hundred"),
        (3400, "3 thousand 4 hundred"),
        (12000, "1 2 thousand"),
        (583, "5 8 3"),
        (600, "6 hundred"),
        (5000, "5 thousand"),
        (7600, "7 thousand 6 hundred"),
        (11000, "1 1 thousand"),
        (18900, "1 8 thousand 9 hundred"),
        (38143, "3 8 1 4 3"),
        (75, "7 5"),
        (100, "1 hundred"),
        (0, "0"),
    ],
)
def test_whole_numbers_as_in_radiotelephony(number: int, words: str) -> None:
    assert whole(number) == tuple(words.split())


def test_decimals_as_in_radiotelephony() -> None:
    assert decimal(118.1, 1) == ("1", "1", "8", "decimal", "1")
    assert decimal(-0.04, 1) == ("0", "decimal", "0")
    assert decimal(-1.25, 1)[0] == "minus"


@given(st.integers(-99_999, 99_999))
def test_a_listener_finds_the_number_again(number: int) -> None:
    value, pending = 0, ""
    words = list(whole(number))
    sign = -1 if words[0] == "minus" else 1
    for word in words[sign < 0 :]:
        if word.isdigit():
            pending += word
        else:
            value += int(pending) * {"hundred": 100, "thousand": 1000}[word]
            pending = ""
    assert sign * (value + int(pending or "0")) == number


def test_wind_direction_and_speed() -> None:
    # The example of the Annex: "wind 200 degrees 70 km/h", spoken "two zero zero", "seven zero".
    assert wind_words(wind(201.0, 70 / 3.6), METRIC) == ("wind", "2", "0", "0", "7", "0")
    assert wind_words(wind(1.0, 10 * 1852 / 3600), FEET) == ("wind", "3", "6", "0", "1", "0")
    assert wind_words(None, METRIC) == ("wind", "unknown")


def test_averages_in_the_units_of_the_pilot() -> None:
    # 1 kt is 1852/3600 m/s (BIPM, SI brochure); 100 ft/min is 0.508 m/s (NIST SP 811).
    assert average(Averages(None, 2.3, None), METRIC) == ("average", "2", "decimal", "3")
    assert average(Averages(None, 2.058, None), FEET) == ("average", "4", "decimal", "0")
    per_minute = DisplayUnits(Display(vertical_speed="ft/min"))
    assert average(Averages(1.524, None, None), per_minute) == ("average", "3", "hundred")
    assert average(Averages(None, None, None), METRIC) == ("average", "unknown")
    assert maccready(1.5, METRIC) == ("maccready", "1", "decimal", "5")


def test_the_goal_says_the_side_and_never_a_value_that_is_not_known() -> None:
    def glide(above_m: float | None) -> FinalGlide:
        return FinalGlide(0.0, 10_000.0, 20.0, 30.0, above_m)

    assert goal(glide(246.0), METRIC) == ("goal", "2", "5", "0", "above_reserve")
    assert goal(glide(-1260.0), METRIC) == ("goal", "1", "thousand", "3", "hundred", "below_reserve")
    assert height(-304.8, FEET) == ("1", "thousand")
    assert goal(glide(None), METRIC) == goal(None, METRIC) == ("goal", "unknown")


def test_what_is_lost() -> None:
    assert lost(Quality.OK) == ("nothing_lost",)
    assert lost(Quality.NO_IMU | Quality.IMU_OFF | Quality.NO_GNSS) == ("no_inertial_sensor", "no_satellites")
    assert lost(Quality.NO_GLIDER) == ("nothing_lost",)


@given(st.floats(-50, 50), st.floats(-5000, 5000), st.sampled_from([METRIC, FEET]))
def test_every_word_that_can_be_said_is_in_the_list(speed: float, size: float, units: DisplayUnits) -> None:
    said = (
        *maccready(speed, units),
        *wind_words(wind(size, abs(speed)), units),
        *goal(FinalGlide(0.0, 1.0, None, None, size), units),
    )
    assert set(said) <= set(WORDS)
