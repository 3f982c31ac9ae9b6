"""Fly the faults of `contradictions` with gliders of a general flight-dynamics library (`estimator_flights`).

Constants of the instrument were chosen on seed 1 of the glider. Seeds 9301 and 9302 were scored before; what
failed there was mended (iced static ports and a pitot that reads half in the circle, a total-energy probe in
dives). Seed 9303 was scored once afterwards, and 9304 once when the attitude was confirmed by velocities over
ground. What failed on 9304 was mended on it and on 9311 to 9315, and 9321 and 9322 were scored once then.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np

from hw_replay.simulate.faults import inject
from tests.campaigns.faults.contradictions import FLIGHTS, SETTLED_S, UNTIL_S, Contradiction
from tests.campaigns.faults.judge import STEP_S, Seen, damped, false_s, told_mps
from tests.support.estimator_flights import Run, described, fly
from tests.support.truth_gliders import GLIDERS
from vario.app.replay.player import Player
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

GLIDER, SEED, END_S = "sgs233", 9321, 240.0
MOST_FALSE_S, NAMED_S = 2.0, 15.0

NOISE: Mapping[str, float] = MappingProxyType(
    {
        "baro": 1.2,
        "pitot": 0.5,
        "imu_accel": 0.02,
        "imu_gyro": math.radians(0.1),
        "gnss_pos": 1.5,
        "gnss_vel": 0.1,
    }
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What happened.

    Attributes:
        false_s: longest time of a false climb.
        named_s: time from the moment at which the fault can be observed to the first expected word; None: not
            said; 0: said before.
        observable: whether it can be observed in this flight.
        words: words of `quality` that are not there without the fault.
        worst_mps: largest error of the vario while it is shown; None: never shown.
        back_s: time from the end of the fault until quality is as without it; None: not before the end.
    """

    false_s: float
    named_s: float | None
    observable: bool
    words: tuple[str, ...]
    worst_mps: float | None
    back_s: float | None


@cache
def _run(flight: str, cache_in: Path) -> Run:
    return fly(FLIGHTS[flight], GLIDER, SEED, cache_in, described)


def seen(flight: str, cache_in: Path, case: Contradiction | None = None) -> Seen:
    """The outputs of a flight with a fault, or without."""
    run, glider = _run(flight, cache_in), GLIDERS[GLIDER]
    mass_kg = glider.reference_mass_kg * (case.mass if case else 1.0)
    settings = Settings.model_validate({"flight": {"mass": f"{mass_kg} kg"}})
    player = Player(Pipeline(settings, glider, Noise(NOISE["baro"], NOISE["pitot"])))
    rows: list[tuple[float, float, float, Quality]] = []
    for sample in inject(run.samples(), case.faults if case else (), NOISE, 3):
        if sample.t_s > END_S:
            break
        for reading in player.push(sample):
            if reading.t_s >= len(rows) * STEP_S:
                needle = reading.needle_mps
                shown = math.nan if needle is None else needle
                rows.append((reading.t_s, shown, told_mps(reading.tone), reading.quality))
    t_s, shown_mps, tone_mps = (np.array([row[i] for row in rows], float) for i in range(3))
    truth = damped(np.interp(t_s, run.truth["t_s"], run.truth["vario_mps"]))
    return Seen(t_s, truth, shown_mps, tone_mps, [row[3] for row in rows], low_battery=False)


def outcome(flight: str, cache_in: Path, case: Contradiction, usual: Seen) -> Outcome:
    """Fly with a fault and compare with the truth and with the flight without it, `usual`."""
    found, truth = seen(flight, cache_in, case), _run(flight, cache_in).truth
    t_s = found.t_s
    extra = [now & ~before for now, before in zip(found.quality, usual.quality, strict=False)]
    since_s = max(case.seen_from_s, case.from_s)
    visible = (np.abs(case.off(truth)) > case.least) & (truth["t_s"] >= since_s)
    seen_s = float(truth["t_s"][np.argmax(visible)]) if visible.any() else math.inf
    said = [float(t) for t, flags in zip(t_s, extra, strict=False) if _says(flags, case.says)]
    said = [t for t in said if t >= case.from_s]
    last = [float(t) for t, flags in zip(t_s, extra, strict=False) if flags and t > UNTIL_S]
    late = t_s >= SETTLED_S
    error = np.abs(found.shown_mps - found.truth_mps)[late]
    words = sorted({str(flag) for flags in extra for flag in flags})
    back_s = 0.0 if not last else None if last[-1] > t_s[-1] - 1.0 else last[-1] - UNTIL_S
    named_s = None
    if said and not math.isinf(seen_s):
        named_s = max(0.0, min(said) - seen_s)
    observable = not math.isinf(seen_s)
    worst_mps = float(np.nanmax(error)) if np.isfinite(error).any() else None
    return Outcome(false_s(found, late), named_s, observable, tuple(words), worst_mps, back_s)


def shortfalls(case: Contradiction, flight: str, found: Outcome) -> list[str]:
    """Describe each violation of the expectation."""
    words = []
    if found.false_s > MOST_FALSE_S:
        words.append(f"false climb for {found.false_s:.1f} s")
    expected = bool(case.says) and found.observable and flight in case.flights
    if expected and (found.named_s is None or found.named_s > NAMED_S):
        words.append("not named" if found.named_s is None else f"named after {found.named_s:.1f} s")
    return words


def _says(flags: Quality, words: tuple[str, ...]) -> bool:
    return any(str(flag) in words for flag in flags)
