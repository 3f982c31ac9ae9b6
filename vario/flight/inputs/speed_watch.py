"""Detect a wrong airspeed by the total pressure, by a step, and by the velocity over ground."""

from __future__ import annotations

import math

from drivers import isa
from vario.flight.core.doubt import Doubt
from vario.flight.core.low_pass import LowPass
from vario.flight.inputs.airspeed import BOUNDS
from vario.flight.inputs.frames import Frame
from vario.flight.wind.stage import Wind

SMOOTH_S = 0.3
STEADY_PA, HEIGHT_PA, TOTAL_S = 6.0, 60.0, 2.0
"""Pitot and drain are iced if the total pressure stays within `STEADY_PA` for at least `TOTAL_S` while the
static pressure changes by `HEIGHT_PA`. In an open pitot, drag and the motion of the air change the total
pressure: a sink of 0.7 m/s changes it by 8 Pa each second.
"""

STEP_MPS, STEP_S, CONFIRM_S = 5.0, 0.5, 1.5
"""No gust changes the airspeed by so much between two readings: gusts of the shape of MIL-F-8785C last a
second.
"""

WIND_S = 60.0
OFF_MPS = 2.5
"""An iced pitot also contradicts the velocity over ground and the wind of the last minute by this much."""

AGREE_MPS = 3.0
"""An airspeed within this of velocity over ground and wind agrees with them. A gust is smaller."""

WIND_SIGMA_MPS = 2.0
"""A wind with a larger standard deviation is not used."""


class SpeedWatch:
    """Judges the airspeed in each frame.

    Attributes:
        wrong: whether it is doubted.
        undecided: it has changed in a step that may be a glitch: it is not used for the moment.
        wrong_scale: true airspeed over measured airspeed, if it is found in this frame to have been wrong.
        iced_at_tas_mps: the true airspeed, if the pitot is found iced in this frame.
    """

    def __init__(self) -> None:
        self.wrong = self.undecided = False
        self.wrong_scale: float | None = None
        self.iced_at_tas_mps: float | None = None
        self._doubt = Doubt()
        self._north, self._east = LowPass(WIND_S), LowPass(WIND_S)
        self._ground: tuple[float, float] | None = None
        self._static_pa: float | None = None
        self._twice_per_density: float | None = None  # 2/ρ, computed anew with each velocity
        self._wind_s = 0.0
        self._total = LowPass(SMOOTH_S)
        self._anchor_pa = self._anchor_static_pa = 0.0
        self._anchor_s = 0.0
        self._tas_mps: float | None = None
        self._tas_s = 0.0
        self._before_mps: float | None = None
        self._stepped_s = 0.0

    def update(self, frame: Frame, wind: Wind | None, corrected: float) -> None:
        """One frame with its readings, which are `corrected` by this factor, and the wind."""
        self.wrong_scale = self.iced_at_tas_mps = None
        for velocity in frame.gnss_vel:
            self._ground = velocity.north_mps, velocity.east_mps
            self._twice_per_density = None
            if wind is not None and wind.sigma_mps < WIND_SIGMA_MPS and not self.wrong:
                self._north.follow(wind.north_mps, frame.t_s - self._wind_s)
                self._east.follow(wind.east_mps, frame.t_s - self._wind_s)
                self._wind_s = frame.t_s
        if frame.baro:
            self._static_pa = frame.baro[-1].static_pa
        if not frame.pitot or self._static_pa is None:
            return
        if self._twice_per_density is None:
            air_k = isa.temperature_k(isa.altitude_m(self._static_pa))
            self._twice_per_density = 2.0 / isa.density_kgpm3(self._static_pa, air_k)
        impact_pa = frame.pitot[-1].impact_pa
        tas_mps = math.sqrt(max(impact_pa, 0.0) * self._twice_per_density)  # incompressible: 0.5 % at 68 m/s
        dt_s = frame.t_s - self._tas_s
        off_mps = self._off_mps(tas_mps)
        iced = self._iced(self._static_pa + impact_pa, self._static_pa, dt_s) and (
            off_mps is not None and abs(off_mps) > OFF_MPS
        )
        stepped = self._stepped(tas_mps, frame.t_s, dt_s)
        scale = None if wind is None else wind.airspeed_scale
        scaled = scale is not None and not BOUNDS[0] < scale < BOUNDS[1]
        self._tas_mps, self._tas_s = tas_mps, frame.t_s
        if scale is not None and scaled and not self.wrong:
            self.wrong_scale = scale / corrected
        elif iced and off_mps is not None and not self.wrong:
            self.iced_at_tas_mps = tas_mps - off_mps
        if iced or stepped or self.wrong_scale is not None:
            self._doubt.begin()
        if self.wrong_scale is not None:  # and so is the wind, which was computed with it
            self._north.reset()
            self._east.reset()
            off_mps = None
        agrees = off_mps is not None and abs(off_mps) < AGREE_MPS and not iced
        self.wrong = self._doubt.follow(min(dt_s, 1.0), agrees=agrees)

    def _off_mps(self, tas_mps: float) -> float | None:
        """Airspeed minus the length of velocity over ground minus wind; None: not known."""
        north, east = self._north.value, self._east.value
        if north is None or east is None or self._ground is None:
            return None
        return tas_mps - math.hypot(self._ground[0] - north, self._ground[1] - east)

    def _iced(self, total_pa: float, static_pa: float, dt_s: float) -> bool:
        total_pa = self._total.follow(total_pa, min(dt_s, 1.0))
        self._anchor_s += dt_s
        if abs(total_pa - self._anchor_pa) > STEADY_PA:
            self._anchor_pa, self._anchor_static_pa, self._anchor_s = total_pa, static_pa, 0.0
        return self._anchor_s > TOTAL_S and abs(static_pa - self._anchor_static_pa) > HEIGHT_PA

    def _stepped(self, tas_mps: float, t_s: float, dt_s: float) -> bool:
        """Whether the airspeed has changed in a step and has not come back."""
        before = self._tas_mps
        if before is not None and dt_s < STEP_S and abs(tas_mps - before) > STEP_MPS and not self.undecided:
            self._before_mps, self._stepped_s = before, t_s
        if self._before_mps is not None and abs(tas_mps - self._before_mps) < STEP_MPS - 1.0:
            self._before_mps = None  # it has come back: a glitch
        confirmed = self._before_mps is not None and t_s - self._stepped_s > CONFIRM_S
        if confirmed:
            self._before_mps = None
        self.undecided = self._before_mps is not None
        return confirmed
