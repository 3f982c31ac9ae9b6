"""The files of `vario noise static`: settings to copy, and every figure that was measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vario.app.noise.files import as_comment, toml_text, write_fragment
from vario.app.noise.static import StaticResult

SETTINGS, FIGURES, PICTURE = "sensors.toml", "noise_figures.toml", "allan.png"


def write_static(result: StaticResult, out_dir: Path) -> list[Path]:
    """Write the settings fragment and all figures as TOML; returns the new paths of the former files."""
    return write_fragment(out_dir, (SETTINGS, _settings_text(result)), (FIGURES, _figures_text(result)))


def _settings_text(result: StaticResult) -> str:
    """The settings fragment, as TOML text to copy into the settings file."""
    tables: dict[str, dict[str, Any]] = {}
    for m in result.measured:
        if m.sensor.channel in ("baro", "pitot"):
            table = tables.setdefault(f"sensors.{m.sensor.channel}", {})
            table["noise"] = f"{m.for_filter:.3g} Pa"
            if m.sensor.channel == "pitot":
                table["offset"] = f"{m.mean:.2f} Pa"
    comment = ["# Sensor settings measured at rest: copy what you want into your settings file."]
    if not tables:
        comment.append("# Neither barometer nor pitot could be measured: there is nothing to set.")
    return toml_text([*comment, *as_comment(result.origin)], tables)


def _figures_text(result: StaticResult) -> str:
    """All figures in SI units with their origin, as TOML text."""
    tables: dict[str, dict[str, Any]] = {"recording": result.origin}
    for m in result.measured:
        f = m.figures
        tables[f"measured.{m.name}"] = {
            "unit": m.sensor.unit,
            "rate_hz": _short(m.rate_hz),
            "duration_s": _short(m.duration_s),
            "mean": _short(m.mean, 8),
            "resolution": _short(m.step),
            "sample_noise": _short(f.sample),
            "after_1_s": _short(f.second),
            "white_per_sqrt_hz": _short(f.white),
            "quantisation_s": _short(f.quantisation),
            "bias_instability": _short(f.instability),
            "bias_instability_at_s": _short(f.instability_s),
            "bias_instability_is_a_bound": f.instability_at_end,
            "random_walk_per_sqrt_s": _short(f.random_walk),
            "correlation_s": _short(f.correlation_s),
        }
    if result.refused:
        tables["refused"] = dict(result.refused)
    comment = [
        "# Noise of the sensors at rest (overlapping Allan deviation). Figures not visible in it are omitted."
    ]
    return toml_text(comment, tables)


def _short(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else float(f"{value:.{digits}g}")
