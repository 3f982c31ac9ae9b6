"""The standard atmosphere and the airspeed relations, in SI.

Source: US Standard Atmosphere 1976, identical below 20 km to ICAO Doc 7488 (constants and layer
equations); airspeed by the isentropic pitot relation for air (ratio of specific heats 1.4).
Heights are geopotential metres, which is what a pressure altimeter shows.
"""

from __future__ import annotations

import math

SEA_LEVEL_K = 288.15
SEA_LEVEL_PA = 101_325.0
SEA_LEVEL_KGPM3 = 1.225
LAPSE_KPM = 0.0065
G0_MPS2 = 9.80665
GAS_CONSTANT = 287.05287
SEA_LEVEL_SOUND_MPS = 340.29399
TROPOPAUSE_M = 11_000.0
TROPOPAUSE_K = SEA_LEVEL_K - LAPSE_KPM * TROPOPAUSE_M
CELSIUS_ZERO_K = 273.15

EXPONENT = G0_MPS2 / (LAPSE_KPM * GAS_CONSTANT)
"""Of the pressure over the temperature, in the troposphere."""

_TROPOPAUSE_PA = SEA_LEVEL_PA * math.pow(TROPOPAUSE_K / SEA_LEVEL_K, EXPONENT)
_SCALE_HEIGHT_M = GAS_CONSTANT * TROPOPAUSE_K / G0_MPS2


def temperature_k(altitude_m: float) -> float:
    """Standard temperature at a pressure altitude, to 20 km."""
    return SEA_LEVEL_K - LAPSE_KPM * min(altitude_m, TROPOPAUSE_M)


def pressure_pa(altitude_m: float) -> float:
    """Standard pressure at a pressure altitude, to 20 km."""
    if altitude_m <= TROPOPAUSE_M:
        return SEA_LEVEL_PA * math.pow(1.0 - LAPSE_KPM * altitude_m / SEA_LEVEL_K, EXPONENT)
    return _TROPOPAUSE_PA * math.exp((TROPOPAUSE_M - altitude_m) / _SCALE_HEIGHT_M)


def altitude_m(static_pa: float) -> float:
    """Pressure altitude of a static pressure (the inverse of `pressure_pa`)."""
    if static_pa >= _TROPOPAUSE_PA:
        return SEA_LEVEL_K / LAPSE_KPM * (1.0 - math.pow(static_pa / SEA_LEVEL_PA, 1.0 / EXPONENT))
    return TROPOPAUSE_M + _SCALE_HEIGHT_M * math.log(_TROPOPAUSE_PA / static_pa)


def density_kgpm3(static_pa: float, air_k: float) -> float:
    """Density of dry air."""
    return static_pa / (GAS_CONSTANT * air_k)


def metres_per_pascal(static_pa: float) -> float:
    """-dH/dp in the standard atmosphere: the height difference of one pascal."""
    return GAS_CONSTANT * temperature_k(altitude_m(static_pa)) / (G0_MPS2 * static_pa)


def impact_pa(cas_mps: float) -> float:
    """Impact pressure (pitot minus static) at a calibrated airspeed."""
    mach_sl = cas_mps / SEA_LEVEL_SOUND_MPS
    return SEA_LEVEL_PA * (math.pow(1.0 + 0.2 * mach_sl * mach_sl, 3.5) - 1.0)


def cas_mps(impact_pa: float) -> float:
    """Calibrated airspeed of an impact pressure; 0 if it is zero or negative."""
    if impact_pa <= 0.0:
        return 0.0
    return SEA_LEVEL_SOUND_MPS * math.sqrt(5.0 * (math.pow(impact_pa / SEA_LEVEL_PA + 1.0, 2.0 / 7.0) - 1.0))


def tas_mps(impact_pa: float, static_pa: float, air_k: float) -> float:
    """True airspeed of an impact pressure at a static pressure and air temperature."""
    if impact_pa <= 0.0:
        return 0.0
    mach_squared = 5.0 * (math.pow(impact_pa / static_pa + 1.0, 2.0 / 7.0) - 1.0)
    return math.sqrt(mach_squared * 1.4 * GAS_CONSTANT * air_k)


def impact_of_tas_pa(tas_mps: float, static_pa: float, air_k: float) -> float:
    """Impact pressure at a true airspeed (the inverse of `tas_mps`)."""
    mach_squared = tas_mps * tas_mps / (1.4 * GAS_CONSTANT * air_k)
    return static_pa * (math.pow(1.0 + 0.2 * mach_squared, 3.5) - 1.0)
