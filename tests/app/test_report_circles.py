"""The circles of the climbs in the picture: their selection, and equal information in greyscale and
colour.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from tests.support.luminance import relative_luminance
from vario.app.picture.circles import MOST, SHADES, chosen, draw_circle
from vario.app.picture.sheet import draw_report


def climb(gain_m: float, towards: float | None = 1.0, right: bool = True) -> dict[str, Any]:
    heading = (np.arange(24) + 0.5) * math.tau / 24
    quarter = math.pi / 2 if right else -math.pi / 2
    mean = 2.0 + np.cos(heading - quarter - (towards or 0.0))
    circle = {
        "mean_mps": mean.tolist(),
        "middle_mps": 2.0,
        "asymmetry_mps": 1.0,
        "towards_rad": towards,
        "right": right,
        "from_north": True,
    }
    return {
        "start_s": 0.0,
        "end_s": 60.0,
        "gain_m": gain_m,
        "average_mps": 2.0,
        "turns": 3.0,
        "direction": "right",
        "circle": circle,
    }


def test_the_climbs_that_gained_most_are_drawn_in_order_of_time() -> None:
    climbs = [climb(float(100 - k)) for k in range(12)] + [{**climb(500.0), "circle": None}]
    assert [number for number, _ in chosen(climbs)] == list(range(1, MOST + 1))
    assert chosen([]) == []


def test_the_darkest_sector_lies_towards_the_core_either_way_round() -> None:
    for right in (True, False):
        for towards in (0.3, 2.0, 5.0):
            axes = Figure().add_subplot()
            draw_circle(axes, 1, climb(100.0, towards, right)["circle"])
            sectors = [patch for patch in axes.patches if isinstance(patch, Polygon)]
            assert len(sectors) == 24
            darkest = min(sectors, key=lambda patch: sum(patch.get_facecolor()[:3]))
            east, north = darkest.get_xy().mean(axis=0)
            off = math.remainder(math.atan2(east, north) - towards, math.tau)
            assert abs(off) < math.radians(16.0)


def test_shades_get_darker_all_the_way() -> None:
    """Relative luminance as WCAG 2.1 defines it, so a grey print shows the same order."""
    tones = ["#" + "".join(f"{round(255 * c):02x}" for c in SHADES(x)[:3]) for x in np.linspace(0, 1, 9)]
    luminance = [relative_luminance(tone) for tone in tones]
    assert luminance == sorted(luminance, reverse=True)
    assert luminance[0] > 0.85
    assert luminance[-1] < 0.05


def test_a_page_without_circles_keeps_its_size() -> None:
    plain = draw_report({}, [], "x").get_size_inches()
    pictured = draw_report({}, [climb(100.0)], "x").get_size_inches()
    assert pictured[0] == plain[0]
    assert pictured[1] > plain[1]


def test_a_circle_with_gaps_and_without_a_direction() -> None:
    axes = Figure().add_subplot()
    circle = climb(100.0, None)["circle"]
    circle["mean_mps"][3:9] = [None] * 6
    draw_circle(axes, 4, circle)
    assert len(axes.patches) == 18
    assert "even" in [text.get_text() for text in axes.texts]


def test_a_climb_with_positions_for_less_than_a_second_is_drawn_without_a_band() -> None:
    t_s = np.arange(0.0, 60.0, 0.02)
    place_deg = np.where((t_s > 20.0) & (t_s < 20.5), 50.0, np.nan)
    trace = {"t_s": t_s, "vario_mps": t_s * 0.0 + 2.0, "latitude_deg": place_deg, "longitude_deg": place_deg}
    figure = draw_report(trace, [climb(100.0)], "x")
    assert "no positions" in [text.get_text() for axes in figure.axes for text in axes.texts]
