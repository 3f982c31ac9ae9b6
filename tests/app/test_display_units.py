"""Everything printed is in the units of the settings; files stay in SI units."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from hw_replay.simulate.demo import BUNDLED
from tests.support.page_flights import demo
from vario.app.cli import main
from vario.app.live.status import Status, status_line
from vario.app.outputs.catalogue import OUTPUTS
from vario.app.page.panels import panels
from vario.flight.inputs.battery import Battery
from vario.settings.display import DISPLAY_UNITS, METRIC, Display, DisplayUnits

FEET = DisplayUnits(Display(units="knots_and_feet"))

# The last part of the name of a value that has a selectable unit, and the units it may have.
SELECTABLE = {"mps": {"m/s", "km/h", "kt", "ft/min"}, "m": {"m", "ft", "km", "NM"}}


def test_every_speed_and_length_of_the_catalogue_has_a_selectable_unit() -> None:
    for output in OUTPUTS.values():
        allowed = SELECTABLE.get(output.name.rpartition("_")[2])
        assert (output.measure is not None) == (allowed is not None), output.name
        if output.measure is not None and allowed is not None:
            assert set(DISPLAY_UNITS[output.measure]) <= allowed, output.name


def test_the_status_line_is_in_the_units_of_the_settings() -> None:
    status = Status(1.0, demo().readings[300], [], None, None)
    assert "m/s |" in status_line(status)
    feet = Status(1.0, demo().readings[300], [], None, None, units=FEET)
    assert "kt |" in status_line(feet)
    assert "m/s" not in status_line(feet)


def test_the_status_line_warns_of_a_low_battery() -> None:
    reading = demo().readings[300]
    low = replace(reading, battery=Battery(low=True, volt_v=10.9))
    assert "BATTERY LOW" not in status_line(Status(1.0, reading, [], None, None))
    assert "| BATTERY LOW |" in status_line(Status(1.0, low, [], None, None))


def test_headings_and_values_of_the_page_have_the_same_unit() -> None:
    found = {panel["title"]: panel["unit"] for panel in panels(FEET)["flight"]}
    assert found["Altitude"] == "ft"
    assert found["Vario"] == found["Wind"] == found["Airspeed"] == "kt"
    assert {panel["title"]: panel["unit"] for panel in panels(METRIC)["flight"]}["Airspeed"] == "km/h"


@pytest.mark.long
def test_replay_and_comparison_print_the_units_of_the_settings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The gain of the first climb in feet is 3.28084 times that in metres (NIST SP 811, foot)."""
    options = ["--no-sound", "--no-picture", "--from", "300", "--to", "560"]
    feet = ["--set", "display.units=knots_and_feet", "--set", "display.qnh=1003 hPa"]
    assert main(["replay", str(BUNDLED), *options, "--out", str(tmp_path / "m")]) == 0
    metric_text = capsys.readouterr().out
    assert main(["replay", str(BUNDLED), *options, *feet, "--out", str(tmp_path / "ft")]) == 0
    feet_text = capsys.readouterr().out
    assert "gain m" in metric_text
    assert "gain ft" in feet_text
    assert " m/s" not in feet_text
    assert "km/h" not in feet_text
    summaries = [json.loads((tmp_path / side / "summary.json").read_text()) for side in ("m", "ft")]
    assert summaries[0]["climbs"] == summaries[1]["climbs"], "files stay in SI units"
    gain_m = summaries[0]["climbs"][0]["gain_m"]
    assert f"+{gain_m * 3.28084:.0f}" in feet_text
    lines = [(tmp_path / side / "trace.csv").read_text().splitlines() for side in ("m", "ft")]
    row = dict(zip(lines[1][0].split(","), lines[1][500].split(","), strict=True))
    # 10.25 hPa near sea level: 8.3 m per hPa (ICAO Doc 7488: 12.01 Pa per metre at 0 m).
    assert float(row["altitude_m"]) - float(row["qnh_altitude_m"]) == pytest.approx(1025 / 12.01, abs=1.0)
    main(["compare", str(tmp_path / "m"), str(tmp_path / "ft"), "--out", str(tmp_path / "c")])
    assert "they differ: qnh_altitude_m" in capsys.readouterr().out
