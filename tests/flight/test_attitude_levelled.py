"""Attitude in the axes of the glider after levelling on the ground: pitch 0.5°, bank 1.5° RMS.

The instrument is mounted with an error of 2°, its gyros have a bias of 0.5 °/s, its accelerometers one of
0.05 m/s². In flight its tilt relative to the fuselage cannot be distinguished from the angle of attack; on
the ground it is measured. The gliders are those of a general flight-dynamics library, on seeds on which no
constant was chosen.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.support.levelled import attitude_errors_deg, levelled
from tests.support.truth_flight import fly
from vario.settings.schema import Settings


@pytest.mark.long
@pytest.mark.parametrize(
    ("scene", "glider", "seed"),
    [
        ("streets", "sgs126", 501),
        ("speed_changes", "sgs233", 502),
        ("turbulence", "sgs233", 503),
    ],
)
def test_levelled_on_the_ground_it_knows_pitch_and_bank(
    scene: str, glider: str, seed: int, truth_folder: Path
) -> None:
    flight = fly(scene, glider, seed, truth_folder)
    pitch_deg, bank_deg = attitude_errors_deg(flight, glider, levelled(flight))
    assert pitch_deg <= 0.5
    assert bank_deg <= 1.5


@pytest.mark.long
def test_not_levelled_pitch_is_off_by_the_mounting(truth_folder: Path) -> None:
    """Without levelling the error of pitch equals the tilt of the instrument; otherwise the test above would
    prove nothing.
    """
    flight = fly("streets", "sgs126", 501, truth_folder)
    tilt_deg = float(np.degrees(np.arcsin(flight.instrument_from_body[0, 2])))
    pitch_deg, bank_deg = attitude_errors_deg(flight, "sgs126", Settings())
    assert pitch_deg == pytest.approx(abs(tilt_deg), abs=0.4)
    assert pitch_deg > 0.5
    assert bank_deg <= 1.5
