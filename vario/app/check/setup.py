"""Checks of the settings that a builder makes last: glider file and calibrations."""

from __future__ import annotations

from vario.app.check.findings import Finding, passed, warned
from vario.settings.hardware import BusSensor
from vario.settings.schema import Settings

CALIBRATIONS = {
    "six-position": ("imu", ("accel_bias_", "accel_scale_")),
    "gyro-scale": ("imu", ("gyro_scale_",)),
    "gyro-bias": ("imu", ("gyro_bias_",)),
    "level": ("imu", ("mount_",)),
    "pitot-offset": ("pitot", ("offset_",)),
    "barometer": ("baro", ("offset_",)),
}
"""Method, and the section and the keys (by their beginnings) that it determines, in the order of the page."""


def check_setup(settings: Settings) -> list[Finding]:
    """Check that a glider is set, and that the calibrations of the fitted sensors have been applied."""
    return [_glider(settings.glider), *_calibrations(settings)]


def _glider(name: str | None) -> Finding:
    if name is None:
        step = "Write a glider file from the flight manual, and set glider = … in the settings"
        return warned("glider", "no glider file is set: no netto and no speed to fly", step)
    return passed("glider", name)


def _calibrations(settings: Settings) -> list[Finding]:
    fitted = {name: getattr(settings.sensors, name) for name, _ in CALIBRATIONS.values()}
    asked = [method for method, (name, _) in CALIBRATIONS.items() if fitted[name].chip is not None]
    missing = [method for method in asked if _is_untouched(fitted[CALIBRATIONS[method][0]], method)]
    if missing:
        found = f"the settings have no result of {', '.join(missing)}"
        step = f"Run vario calibrate {missing[0]} --help; docs/installation.md has the order"
        return [warned("calibration", found, step)]
    return [passed("calibration", f"applied: {', '.join(asked)}")] if asked else []


def _is_untouched(section: BusSensor, method: str) -> bool:
    """Whether every value that the method determines is the default."""
    default, beginnings = type(section)(), CALIBRATIONS[method][1]
    keys = [key for key in type(section).model_fields if key.startswith(beginnings)]
    return all(getattr(section, key) == getattr(default, key) for key in keys)
