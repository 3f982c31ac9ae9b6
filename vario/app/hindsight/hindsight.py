"""Collect a flight during replay; compute its vario in hindsight and the difference from the live one.

With an inertial unit, the errors of the inertial filter are smoothed: sensors, model and noise are those of
the live estimate. Without one, the energy heights are smoothed. The smoother works on windows, so that memory
is bounded. Each window looks ahead for far longer than the time constants of the filter.

The difference shows the errors of live estimation (lag and noise). A constant error of sensors or model is in
both, and does not show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from drivers.isa import G0_MPS2
from vario.app.hindsight.smoothing import Floats, energy_noise, smoothed_errors, smoothed_rate
from vario.flight.estimate.inertial_model import Regime
from vario.flight.estimate.inertial_sigmas import vario_row
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading

WINDOW_S, AHEAD_S = 120.0, 60.0
BREAK_S = 0.5
"""Corrections further apart than this belong to different runs of the filter, because aligning takes a
second.
"""

LEAST_STEP_S = 0.5
"""Energy heights closer together than this are averaged: at this spacing they contain motion and not only
noise.
"""

LONGEST_STEP_S = 12.5
STEP_S = 0.2
MEAN_S = 1.0
"""Width of the window that removes the noise of the accelerometers, which is not an error of the state."""

LAGS_S = np.arange(-10, 61) / 10.0
LEAST_S = 30.0
_FLYING = frozenset({Regime.GLIDING, Regime.TOWED, Regime.STALLED})


@dataclass(frozen=True, slots=True)
class Series:
    """A vario over time: two arrays of shape (n,)."""

    t_s: Floats
    vario_mps: Floats

    def between(self, from_s: float, to_s: float) -> Series:
        """The part between two times."""
        inside = (self.t_s >= from_s) & (self.t_s <= to_s)
        return Series(self.t_s[inside], self.vario_mps[inside])

    def at(self, t_s: Floats, longest_gap_s: float = LONGEST_STEP_S) -> Floats:
        """Interpolated; NaN outside and in gaps."""
        if self.t_s.size < 2:
            return np.full(t_s.shape, np.nan)
        after = np.clip(np.searchsorted(self.t_s, t_s), 1, self.t_s.size - 1)
        known = (self.t_s[after] - self.t_s[after - 1] <= longest_gap_s) & (t_s >= self.t_s[0])
        values = np.interp(t_s, self.t_s, self.vario_mps)
        return np.where(known & (t_s <= self.t_s[-1]), values, np.nan)


@dataclass(frozen=True, slots=True)
class _Correction:
    t_s: float
    vario_mps: float
    row: Floats
    step: Floats
    cov: Floats
    move: Floats
    noise: Floats


class Hindsight:
    """Takes every reading of a flight and the corrections of the filter; `series` then gives the result."""

    def __init__(self) -> None:
        self._run: list[_Correction] = []
        self._last_cov: Floats | None = None
        self._inertial: list[tuple[float, float]] = []
        self._ends: list[int] = []
        self._energies: list[tuple[float, float, bool]] = []
        self._live: list[tuple[float, float]] = []
        self._next_s = -np.inf
        self._uncompensated = False
        self._found: Series | None = None

    def corrected(self, t_s: float, state: InertialState, regime: Regime) -> None:
        """Process a correction of the inertial filter."""
        if state.cov is self._last_cov:
            return  # nothing new since the last call
        self._last_cov = state.cov
        if self._run and (t_s - self._run[-1].t_s > BREAK_S or regime not in _FLYING):
            self._end_run()
        if regime not in _FLYING:
            return
        self._run.append(
            _Correction(
                t_s,
                state.vario_mps,
                vario_row(state),
                state.step.copy(),
                state.cov.copy(),
                state.prediction.transition.copy(),
                state.prediction.process_noise.copy(),
            )
        )
        if state.gust_mps == 0.0:
            self._end_run()  # a lasting gust was moved into the wind: no correction contains this
        elif t_s - self._run[0].t_s > WINDOW_S + AHEAD_S:
            self._smooth(self._run[0].t_s + WINDOW_S)

    def take(self, reading: Reading) -> None:
        """Process the next reading."""
        diagnostics, energy = reading.diagnostics, reading.energy
        if reading.attitude is None and "height" in diagnostics.innovations:
            height_m, tas_mps = diagnostics.measured_height_m, diagnostics.measured_tas_mps
            if height_m is not None:
                kinetic_m = tas_mps**2 / (2.0 * G0_MPS2) if tas_mps and energy.compensated else 0.0
                self._energies.append((reading.t_s, height_m + kinetic_m, energy.compensated))
        if reading.t_s < self._next_s or reading.mode is Mode.GROUND or energy.vario_mps is None:
            return
        self._next_s = reading.t_s + STEP_S - 0.001
        self._live.append((reading.t_s, energy.vario_mps))
        self._uncompensated |= not energy.compensated

    def live(self) -> Series:
        """The vario as it was shown in flight."""
        return _series(self._live)

    def summary(self, from_s: float = -np.inf, to_s: float = np.inf) -> dict[str, Any] | None:
        """The difference between the live vario and hindsight between two times; see `distance`."""
        live = self.live().between(from_s, to_s)
        return distance(live, self.series(), compensated=not self._uncompensated)

    def series(self) -> Series:
        """The vario in hindsight, after the last reading, from the inertial filter or from energy heights."""
        if self._found is None:
            self._end_run()
            self._found = self._joined()
        return self._found

    def _joined(self) -> Series:
        inertial = self._averaged()
        pressures = [row for run in self._energy_runs() for row in run]
        if inertial.t_s.size:
            near = inertial.at(np.array([t_s for t_s, _ in pressures]), BREAK_S)
            pressures = [row for row, value in zip(pressures, near, strict=True) if np.isnan(value)]
        rows = [*zip(inertial.t_s.tolist(), inertial.vario_mps.tolist(), strict=True), *pressures]
        return _series(sorted(rows))

    # --- inertial -----------------------------------------------------------------------------------

    def _end_run(self) -> None:
        if len(self._run) > 1:
            self._smooth(np.inf)
            self._ends.append(len(self._inertial))
        self._run = []

    def _smooth(self, until_s: float) -> None:
        run = self._run
        errors = smoothed_errors(
            [c.step for c in run], [c.cov for c in run], [c.move for c in run], [c.noise for c in run]
        )
        found = [(c.t_s, c.vario_mps + float(c.row @ e)) for c, e in zip(run, errors, strict=True)]
        self._inertial += [row for row in found if row[0] < until_s]
        self._run = [c for c in run if c.t_s >= until_s]

    def _averaged(self) -> Series:
        """The inertial values averaged over `MEAN_S`, in steps of `STEP_S`, run by run."""
        rows: list[tuple[float, float]] = []
        begin = 0
        for end in self._ends:
            run, begin = _series(self._inertial[begin:end]), end
            fine_s = np.arange(run.t_s[0], run.t_s[-1], 0.02)
            window = np.hanning(round(MEAN_S / 0.02) + 1)
            if fine_s.size <= window.size:
                continue
            values = np.convolve(np.interp(fine_s, run.t_s, run.vario_mps), window / window.sum(), "same")
            edge, every = window.size // 2, round(STEP_S / 0.02)
            inside = slice(edge, -edge, every)
            rows += zip(fine_s[inside].tolist(), values[inside].tolist(), strict=True)
        return _series(rows)

    # --- energy heights -----------------------------------------------------------------------------

    def _energy_runs(self) -> list[list[tuple[float, float]]]:
        """Smoothed rates of each stretch without gap or change of compensation."""
        found: list[list[tuple[float, float]]] = []
        run: list[tuple[float, float, bool]] = []
        for row in [*self._energies, (np.inf, 0.0, False)]:
            if run and (row[0] - run[-1][0] > LONGEST_STEP_S or row[2] != run[-1][2]):
                found.append(_rates(run))
                run = []
            run.append(row)
        return found


def _rates(run: list[tuple[float, float, bool]]) -> list[tuple[float, float]]:
    t_s, energy_m = _binned(np.array([row[:2] for row in run]))
    if t_s.size < 5:
        return []
    psd, sigma_m = energy_noise(t_s, energy_m)
    return list(zip(t_s.tolist(), smoothed_rate(t_s, energy_m, psd, sigma_m).tolist(), strict=True))


def _binned(rows: Floats) -> tuple[Floats, Floats]:
    """Means of at least `LEAST_STEP_S`."""
    bins = np.floor((rows[:, 0] - rows[0, 0]) / LEAST_STEP_S + 1e-6).astype(int)
    starts = np.flatnonzero(np.diff(bins, prepend=-1))
    counts = np.diff([*starts, len(rows)])
    t_s, energy_m = (np.add.reduceat(rows[:, k], starts) / counts for k in (0, 1))
    return t_s, energy_m


def _series(rows: list[tuple[float, float]]) -> Series:
    table = np.array(rows, np.float64).reshape(-1, 2)
    return Series(table[:, 0], table[:, 1])


def distance(live: Series, hindsight: Series, *, compensated: bool = True) -> dict[str, Any] | None:
    """The difference between the live vario and hindsight; None with less than `LEAST_S` in common.

    The lag is the shift with which the live one fits best; None if it is at an end of the shifts tried, as in
    a flight in which nothing changes.
    """
    wanted = hindsight.at(live.t_s)
    both = np.isfinite(wanted)
    if both.sum() * STEP_S < LEAST_S:
        return None
    differences = (live.vario_mps - wanted)[both]
    fits = [_rms(live.vario_mps - hindsight.at(live.t_s - lag_s)) for lag_s in LAGS_S]
    best = int(np.argmin(fits))
    found = 0 < best < LAGS_S.size - 1
    return {
        "compared_s": round(float(both.sum()) * STEP_S, 1),
        "rms_mps": round(_rms(differences), 3),
        "mean_mps": round(float(np.mean(differences)), 3),
        "lag_s": round(float(LAGS_S[best]), 1) if found else None,
        "rms_without_lag_mps": round(fits[best], 3) if found else None,
        "compensated": compensated,
    }


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))
