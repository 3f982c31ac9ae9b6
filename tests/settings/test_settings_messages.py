"""Every message about a settings or glider file, word for word, as the pilot sees it."""

# ruff: noqa: E501 (messages stand here as long as the user sees them)

from __future__ import annotations

from pathlib import Path
from shlex import quote

import pytest

from vario.app.cli import main
from vario.settings.errors import SettingsError
from vario.settings.load import load_settings, parse_settings

GLIDER = """\
name = "Testglider"
reference_mass = "400 kg"
wing_area = "12 m2"
[polar]
a = 0.00225
b = -0.1
c = 1.74
[limits]
stall = "70 km/h"
manoeuvring = "180 km/h"
rough_air = "180 km/h"
never_exceed = "250 km/h"
"""


def complaint(settings: str, glider: str | None = None) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        parse_settings(settings, "my.toml", glider, "my_glider.toml")
    return str(caught.value).split("\n")


SETTINGS_MESSAGES = {
    # The sensors fitted
    "chip of another kind": (
        '[sensors.oat]\nchip = "MS5611"',
        'line 2: sensors.oat.chip = "MS5611": expected TMP117; MS5611 belongs in [sensors.baro]',
    ),
    "address the chip cannot have": (
        '[sensors.baro]\nchip = "MS5611"\naddress = 0x28',
        'line 2: sensors.baro.chip = "MS5611", sensors.baro.address = 0x28: this chip can have 0x77 or 0x76',
    ),
    "rate the chip cannot reach": (
        '[sensors.baro]\nchip = "MS5611"\nrate = "100 Hz"',
        'line 2: sensors.baro.chip = "MS5611", sensors.baro.rate = "100 Hz": this chip can do up to 50 Hz',
    ),
    "two temperatures of the air": (
        '[sensors.baro]\nchip = "MS5611"\nlocation = "outside"\n[sensors.oat]\nchip = "TMP117"',
        'line 3: sensors.baro.location = "outside", sensors.oat.chip = "TMP117": both would measure the air '
        "temperature; expected one of them",
    ),
    "address without chip": (
        "[sensors.supply]\naddress = 0x40",
        "line 2: sensors.supply.address = 0x40: no chip is set in this section; expected INA219",
    ),
    "chip misspelt": (
        '[sensors.baro]\nchip = "MS5661"',
        'line 2: sensors.baro.chip = "MS5661": expected one of BMP280, BME280, BMP388, BMP390, BMP581, DPS310, '
        'LPS22HB, MS5611, MS5607; did you mean "MS5611"?',
    ),
    "chip in small letters": (
        '[sensors.imu]\nchip = "mpu6050"',
        'line 2: sensors.imu.chip = "mpu6050": expected one of ICM-20948, LSM6DSO, LSM6DSOX, MPU-6050, MPU-6500, '
        'MPU-9250; did you mean "MPU-6050"?',
    ),
    "address out of range": (
        "[sensors.baro]\nchip = 'MS5611'\naddress = 0x99 # both pins up",
        "line 3: sensors.baro.address = 0x99: above the highest allowed, 0x77",
    ),
    # What the value is
    "bare number": (
        "[flight]\nmaccready = 1.5",
        "line 2: flight.maccready = 1.5: a number without unit; expected a speed in quotes with its unit "
        '(m/s, km/h, kt or ft/min), such as "1 m/s", from 0 m/s to 10 m/s',
    ),
    "no unit": (
        '[average]\nwindow = "30"',
        'line 2: average.window = "30": the unit is missing; expected a time in quotes with its unit '
        '(s, ms or min), such as "20 s", from 2 s to 120 s',
    ),
    "unit of something else": (
        '[circling]\nbank = "40 m/s"',
        'line 2: circling.bank = "40 m/s": "m/s" is the unit of a speed, not of an angle; expected an angle '
        'in quotes with its unit (deg), such as "40 deg", from 15 deg to 60 deg',
    ),
    "unit misspelt": (
        '[flight]\nballast = "90 lbs"',
        'line 2: flight.ballast = "90 lbs": the unit "lbs" is written "lb"; expected a mass in quotes with its '
        'unit (kg or lb), such as "0 kg", from 0 kg to 500 kg',
    ),
    "decimal comma": (
        '[vario]\ndamping = "1,5 s"',
        'line 2: vario.damping = "1,5 s": the decimal sign is a point, not a comma; expected a time in quotes '
        'with its unit (s, ms or min), such as "0.2 s", from 0 s to 5 s',
    ),
    "too high, in the unit of the schema": (
        '[flight]\nmaccready = "12 m/s"',
        'line 2: flight.maccready = "12 m/s": above the highest allowed, 10 m/s',
    ),
    "too high, in the unit written": (
        '[flight]\nballast = "2000 lb"',
        'line 2: flight.ballast = "2000 lb": above the highest allowed, 500 kg (1102 lb)',
    ),
    "too low, in the unit written": (
        '[tone]\ndead_band_low = "-40 kt"',
        'line 2: tone.dead_band_low = "-40 kt": below the lowest allowed, -10 m/s (-19.43 kt)',
    ),
    "too low at zero": (
        '[flight]\nmaccready = "-1 kt"',
        'line 2: flight.maccready = "-1 kt": below the lowest allowed, 0 m/s (0 kt); did you mean "1 kt"?',
    ),
    "plain number too high": (
        "[flight]\nbugs = 10",
        "line 2: flight.bugs = 10: above the highest allowed, 0.5; a fraction is wanted: 10 % is written 0.1",
    ),
    "percent in quotes": (
        '[flight]\nbugs = "10 %"',
        'line 2: flight.bugs = "10 %": expected a plain number without quotes and unit, from 0 to 0.5; '
        "a fraction is wanted: 10 % is written 0.1",
    ),
    "number in quotes": (
        '[tone]\nvolume = "0.8"',
        'line 2: tone.volume = "0.8": expected a plain number without quotes and unit, from 0 to 1; '
        "did you mean 0.8?",
    ),
    "ballast in litres": (
        '[flight]\nballast = "80 l"',
        'line 2: flight.ballast = "80 l": "l" is a volume: 1 litre of water weighs 1 kg; expected a mass in quotes '
        'with its unit (kg or lb), such as "0 kg", from 0 kg to 500 kg',
    ),
    "minus sign of a word processor": (
        '[tone]\ndead_band_low = "\u22122 m/s"',
        'line 2: tone.dead_band_low = "\u22122 m/s": the minus sign is the hyphen "-", not "\u2212"; expected a speed in '
        'quotes with its unit (m/s, km/h, kt or ft/min), such as "-0.5 m/s", from -10 m/s to 0 m/s',
    ),
    "sink without its sign": (
        '[tone.cruise]\ndead_band_low = "2 m/s"',
        'line 2: tone.cruise.dead_band_low = "2 m/s": above the highest allowed, 0 m/s; did you mean "-2 m/s"?',
    ),
    "choice in capitals": (
        '[flight]\nmode = "CRUISE"',
        'line 2: flight.mode = "CRUISE": expected "automatic" or "cruise" or "circling" or "approach"; '
        'did you mean "cruise"?',
    ),
    "no number": (
        "[flight]\nbugs = nan",
        "line 2: flight.bugs = nan: expected a plain number without quotes and unit, from 0 to 0.5",
    ),
    "half a number": (
        "[sensors.baro]\nbus = 1.5\n",
        "line 2: sensors.baro.bus = 1.5: expected a whole number without quotes and unit, from 0 to 9",
    ),
    "text for a number": (
        '[tone]\nvolume = "half"',
        'line 2: tone.volume = "half": expected a plain number without quotes and unit, from 0 to 1',
    ),
    "truth for a number": (
        "[tone]\nvolume = true",
        "line 2: tone.volume = true: expected a plain number without quotes and unit, from 0 to 1",
    ),
    "choice misspelt": (
        '[speed_to_fly]\nmode = "blok"',
        'line 2: speed_to_fly.mode = "blok": expected "dolphin" or "block"; did you mean "block"?',
    ),
    "no such choice": (
        "[speed_to_fly]\nmode = 3",
        'line 2: speed_to_fly.mode = 3: expected "dolphin" or "block"',
    ),
    "value for a section": ("flight = 3", "line 1: flight = 3: expected a section, [flight]"),
    "section for a value": (
        '[glider]\nname = "x"',
        'line 1: glider = { name = "x" }: expected a text in quotes',
    ),
    "long value": (
        f'[speed_to_fly]\nmode = "{"x" * 99}"',
        f'line 2: speed_to_fly.mode = "{"x" * 58}…: expected "dolphin" or "block"',
    ),
    # What the key is
    "key misspelt": (
        '[flight]\nmacready = "1 m/s"',
        "line 2: flight.macready: unknown key; did you mean maccready?",
    ),
    "key in capitals": (
        '[flight]\nMacCready = "1 m/s"',
        "line 2: flight.MacCready: unknown key; did you mean maccready?",
    ),
    "key a pilot says": (
        '[flight]\nmc = "2 kt"',
        "line 2: flight.mc: unknown key; did you mean maccready?",
    ),
    "water": (
        '[flight]\nwater = "80 l"',
        "line 2: flight.water: unknown key; did you mean ballast? "
        '(1 litre of water weighs 1 kg: ballast = "80 kg")',
    ),
    "unit in the key": (
        "[flight]\nmaccready_mps = 1.5",
        "line 2: flight.maccready_mps: unknown key; did you mean maccready? "
        '(write the unit in the value: maccready = "1 m/s")',
    ),
    "key in the wrong section": (
        '[vario]\nmaccready = "1 m/s"',
        "line 2: vario.maccready: unknown key; it belongs in [flight]",
    ),
    "unit in the key and wrong section": (
        "[vario]\nmaccready_kt = 3",
        "line 2: vario.maccready_kt: unknown key; maccready belongs in [flight] "
        '(write the unit in the value: maccready = "1 m/s")',
    ),
    "key of two sections": (
        'damping = "1 s"',
        "line 1: damping: unknown key; it belongs in [vario] or [speed_to_fly]",
    ),
    "misspelt in the wrong section": (
        '[vario]\nmaccredy = "1 m/s"',
        "line 2: vario.maccredy: unknown key; maccready belongs in [flight]",
    ),
    "glider after a section": (
        '[flight]\nglider = "x.toml"',
        "line 2: flight.glider: unknown key; it belongs at the top of the file, before the first [section]",
    ),
    "key of the glider file": (
        'reference_mass = "400 kg"',
        "line 1: reference_mass: unknown key; it belongs in the glider file",
    ),
    "nothing like it": ("[average]\nxyzzy = 1", "line 2: average.xyzzy: unknown key; [average] has window"),
    "nothing like it at the top": (
        "xyzzy = 1",
        "line 1: xyzzy: unknown key; the file has flight, vario, average, circling, centring, expected_climb, speed_to_fly, goal, tone, voice, display, controls, trace, "
        "sensors, gnss, recorder, audio, nmea, page, declaration, glider",
    ),
    "section misspelt": (
        "[speed-to-fly]",
        "line 1: [speed-to-fly]: unknown section; did you mean [speed_to_fly]?",
    ),
    "inner section": ("[pitot]", "line 1: [pitot]: unknown section; did you mean [sensors.pitot]?"),
    "key that needs quotes": (
        '[flight]\n"a\\nb" = 1',
        r'line 2: flight."a\nb": unknown key; [flight] has maccready, ballast, mass, bugs, mode',
    ),
    # What does not go together
    "pitch falls": (
        '[tone]\nfrequency_sink = "400 Hz"\nfrequency_zero = "350 Hz"',
        'line 2: tone.frequency_sink = "400 Hz", tone.frequency_zero = "350 Hz": '
        "the frequency must rise from frequency_sink to frequency_zero, here 400 Hz to 350 Hz",
    ),
    "pitch falls below the preset": (
        '[tone]\nfrequency_zero = "900 Hz"',
        'line 2: tone.frequency_zero = "900 Hz": the frequency must rise from frequency_zero to frequency_weak, '
        "here 900 Hz to 700 Hz",
    ),
    "beeps slow down": (
        '[tone]\nbeep_rate_full = "2 Hz"\nbeep_rate_weak = "4 Hz"',
        'line 3: tone.beep_rate_weak = "4 Hz", tone.beep_rate_full = "2 Hz": '
        "the beep rate must rise from beep_rate_weak to beep_rate_full, here 4 Hz to 2 Hz",
    ),
    "lift never sounds": (
        '[tone]\ndead_band_high = "3 m/s"\nfull_scale = "2 m/s"',
        'line 2: tone.dead_band_high = "3 m/s", tone.full_scale = "2 m/s": '
        "the lift must rise from dead_band_high to full_scale, here 3 m/s to 2 m/s",
    ),
    "all sink sounds the same": (
        '[tone]\ndead_band_low = "-6 m/s"',
        'line 2: tone.dead_band_low = "-6 m/s": '
        "dead_band_low must lie within full_scale (here 5 m/s), otherwise all sink sounds the same",
    ),
    # What is no TOML
    "quotes forgotten": (
        "[flight]\nmaccready = 1.5 m/s",
        "line 2: maccready = 1.5 m/s: not valid TOML, column 17: a value with a unit is written in quotes: "
        'maccready = "1.5 m/s"',
    ),
    "curly quotes": (
        "[flight]\nmaccready = \u201c1.5 m/s\u201d",
        "line 2: maccready = \u201c1.5 m/s\u201d: not valid TOML, column 13: curly quotes; expected straight quotes, "
        'as a plain text editor writes them: maccready = "1.5 m/s"',
    ),
    "text without quotes": (
        "[flight]\nmode = circling",
        'line 2: mode = circling: not valid TOML, column 8: a text is written in quotes: mode = "circling"',
    ),
    "decimal comma without quotes": (
        "[flight]\nbugs = 0,1",
        "line 2: bugs = 0,1: not valid TOML, column 9: the decimal sign is a point, not a comma: bugs = 0.1",
    ),
    "bracket forgotten": (
        "[flight\nbugs = 0.1",
        "line 1: [flight: not valid TOML, column 8: Expected ']' at the end of a table declaration",
    ),
    "section twice": (
        "[sensors.imu]\n[sensors.imu]",
        "line 2: [sensors.imu]: not valid TOML, column 13: Cannot declare [sensors.imu] twice",
    ),
    "key twice": (
        "[flight]\nbugs = 0.1\nbugs = 0.1\n",
        "line 3: bugs = 0.1: not valid TOML, column 11: this key has a value already",
    ),
    "cut short": (
        "[flight]\nbugs",
        "line 2: bugs: not valid TOML: Expected '=' after a key in a key/value pair",
    ),
    "too many levels": (
        f"[flight]\nbugs = {'[' * 40}{']' * 40}",
        "too long a number or too deeply nested for a settings file",
    ),
    "glider named but not carried along": (
        'glider = "g.toml"',
        'line 1: glider = "g.toml": the glider file itself is missing',
    ),
}


@pytest.mark.parametrize(("settings", "message"), SETTINGS_MESSAGES.values(), ids=SETTINGS_MESSAGES)
def test_settings_message(settings: str, message: str) -> None:
    separator = ", " if message.startswith("line") else ": "
    assert complaint(settings) == [f"my.toml{separator}{message}"]


STEEP = "the sink must increase more and more with speed; check the points"
POINTS = 'expected three pairs of airspeed and sink, such as ["100 km/h", "0.7 m/s"]'

# Each replaces a part of GLIDER.
GLIDER_MESSAGES = {
    "key missing": (
        'stall = "70 km/h"\n',
        "",
        ", line 8: limits.stall: missing; expected a speed in quotes with its unit (m/s, km/h, kt or ft/min), "
        "from 10 m/s to 40 m/s",
    ),
    "section missing": (
        "[polar]\na = 0.00225\nb = -0.1\nc = 1.74\n",
        "",
        ": [polar]: this section is missing",
    ),
    "name empty": ('"Testglider"', '""', ', line 1: name = "": expected a text of 1 to 60 characters'),
    "polar empty": (
        "a = 0.00225\nb = -0.1\nc = 1.74\n",
        "",
        ", line 4: [polar]: expected either points or a, b and c",
    ),
    "coefficient missing": (
        "b = -0.1\n",
        "",
        ", line 5: polar.a = 0.00225, polar.c = 1.74: expected all of a, b and c; b missing",
    ),
    "coefficient out of range": (
        "b = -0.1",
        "b = 0.1",
        ", line 6: polar.b = 0.1: above the highest allowed, 0",
    ),
    "two forms": (
        "b = -0.1\nc = 1.74",
        'points = [["80 km/h", "0.7 m/s"], ["110 km/h", "0.9 m/s"], ["170 km/h", "2 m/s"]]',
        ', line 6: polar.points = [["80 km/h", "0.7 m/s"], ["110 km/h", "0.9 m/s"], ["170 km/…, polar.a = 0.00225: '
        "expected either points or a, b and c, not both",
    ),
    "two points": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        'points = [["80 km/h", "0.7 m/s"], ["90 km/h", "0.8 m/s"]]',
        f', line 5: polar.points = [["80 km/h", "0.7 m/s"], ["90 km/h", "0.8 m/s"]]: not three points; {POINTS}',
    ),
    "bad points": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "points = [90, ['9 km/h', '1 m/s'], ['90 km/h', '-1 m/s']]",
        ', line 5: polar.points = [90, ["9 km/h", "1 m/s"], ["90 km/h", "-1 m/s"]]: point 1: no pair of an airspeed '
        "and a sink; point 2: the airspeed is not between 10 m/s (36 km/h) and 120 m/s (432 km/h); point 3: the sink "
        f"is not between 0.1 m/s and 50 m/s; it is written without a sign; {POINTS}",
    ),
    "points too close": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "points = [['90 km/h', '1 m/s'], ['91 km/h', '1 m/s'], ['120 km/h', '1 m/s']]",
        ', line 5: polar.points = [["90 km/h", "1 m/s"], ["91 km/h", "1 m/s"], ["120 km/h", "…: two points have '
        "nearly the same airspeed; expected them to lie at least 1 m/s apart",
    ),
    "points curved the wrong way": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "points = [['80 km/h', '1 m/s'], ['100 km/h', '2 m/s'], ['120 km/h', '2 m/s']]",
        f', line 5: polar.points = [["80 km/h", "1 m/s"], ["100 km/h", "2 m/s"], ["120 km/h", …: {STEEP}',
    ),
    "polar climbs": (
        "c = 1.74",
        "c = 1.0",
        ", line 5: polar.a = 0.00225, polar.b = -0.1, polar.c = 1.0: at 80 km/h this polar climbs in still air; "
        "check the numbers and their units",
    ),
    "best glide far off": (
        "a = 0.00225\nb = -0.1\nc = 1.74",
        "a = 0.0001\nb = 0.0\nc = 1.74",
        ", line 5: polar.a = 0.0001, polar.b = 0.0, polar.c = 1.74, limits.stall = "
        '"70 km/h", limits.never_exceed = "250 km/h": the best glide of this polar lies at 475 km/h; '
        "expected between half of stall and never_exceed",
    ),
    "glide ratio too good": (
        "c = 1.74",
        "c = 1.25",
        ", line 5: polar.a = 0.00225, polar.b = -0.1, polar.c = 1.25: the best glide ratio of this polar is 165; "
        "expected 8 to 90, check the units",
    ),
    "stall too high": (
        'stall = "70 km/h"\nmanoeuvring = "180 km/h"',
        'stall = "130 km/h"\nmanoeuvring = "120 km/h"',
        ', line 9: limits.stall = "130 km/h", limits.manoeuvring = "120 km/h": stall must lie below manoeuvring',
    ),
    "rough air above never exceed": (
        'rough_air = "180 km/h"',
        'rough_air = "260 km/h"',
        ', line 11: limits.rough_air = "260 km/h", limits.never_exceed = "250 km/h": '
        "rough_air must not lie above never_exceed",
    ),
}


@pytest.mark.parametrize(("part", "replacement", "message"), GLIDER_MESSAGES.values(), ids=GLIDER_MESSAGES)
def test_glider_message(part: str, replacement: str, message: str) -> None:
    assert part in GLIDER
    assert complaint("", GLIDER.replace(part, replacement)) == [f"my_glider.toml{message}"]


def test_a_key_of_the_settings_in_the_glider_file() -> None:
    message = "my_glider.toml, line 1: maccready: unknown key; it belongs in the settings file"
    assert complaint("", 'maccready = "1 m/s"\n' + GLIDER) == [message]


def test_the_flying_mass_must_fit_the_glider() -> None:
    fits = "half to twice the reference mass of Testglider"
    assert complaint('[flight]\nmass = "150 kg"', GLIDER) == [
        'my.toml, line 2: flight.mass = "150 kg", flight.ballast = "0 kg" (default): '
        f"together 150 kg; expected 200 kg to 800 kg, {fits}"
    ]
    assert complaint('[flight]\nballast = "450 kg"', GLIDER) == [
        f'my.toml, line 2: flight.ballast = "450 kg": together 850 kg; expected 200 kg to 800 kg, {fits}'
    ]


def test_everything_wrong_in_both_files_comes_at_once_in_the_order_of_the_lines() -> None:
    settings = (
        '[tone]\nvolume = 2\n[flight]\nballast = "900 kg"\nbuggs = 0.1\nmass = "1 t"\n[vario]\nvolume = 1\n'
    )
    glider = GLIDER.replace("12 m2", "120 m2").replace("[polar]", "[pola]")
    assert complaint(settings, glider) == [
        "my.toml, line 2: tone.volume = 2: above the highest allowed, 1",
        'my.toml, line 4: flight.ballast = "900 kg": above the highest allowed, 500 kg',
        "my.toml, line 5: flight.buggs: unknown key; did you mean bugs?",
        'my.toml, line 6: flight.mass = "1 t": "t" is no unit of a mass; expected a mass in quotes with its unit '
        '(kg or lb), such as "450 kg", from 80 kg to 1200 kg',
        "my.toml, line 8: vario.volume: unknown key; it belongs in [tone]",
        'my_glider.toml, line 3: wing_area = "120 m2": above the highest allowed, 40 m2',
        "my_glider.toml, line 4: [pola]: unknown section; did you mean [polar]?",
        "my_glider.toml: [polar]: this section is missing",
    ]


def test_a_mass_out_of_reason_is_told_beside_what_is_wrong_elsewhere() -> None:
    problems = complaint('[flight]\nmass = "150 kg"\n[tone]\nvolume = 2', GLIDER)
    assert [line.split(":")[0] for line in problems] == ["my.toml, line 2", "my.toml, line 4"]


def test_a_glider_that_is_no_toml_does_not_hide_the_settings() -> None:
    problems = complaint("[tone]\nvolume = 2", "name = ")
    assert problems[0] == "my.toml, line 2: tone.volume = 2: above the highest allowed, 1"
    assert problems[1].startswith("my_glider.toml, line 1: name =: not valid TOML")


def test_no_line_is_claimed_where_a_text_of_several_lines_could_mislead() -> None:
    settings = 'glider = """\nvolume = 2\n"""\n[tone]\nvolume = 2'
    assert "my.toml: tone.volume = 2: above the highest allowed, 1" in complaint(settings)


def test_rows_of_an_array_are_no_sections() -> None:
    glider = GLIDER.replace(
        "a = 0.00225\nb = -0.1\nc = 1.74",
        'points = [\n["80 km/h", "0.7 m/s"],\n["110 km/h", "0.9 m/s"],\n["170 km/h", "2 m/s"]\n]\nd = 3',
    )
    assert complaint("", glider) == [
        "my_glider.toml, line 10: polar.d: unknown key; [polar] has points, a, b, c"
    ]


def file_complaint(path: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    return str(caught.value)


def test_the_advice_where_there_is_no_file_gives_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "my own.toml"
    assert main(["set", "bugs", "0.1", "--config", str(path)]) == 2
    words = capsys.readouterr().err
    assert words.endswith(f"vario config show > {quote(str(path))}\n")
    assert main(["config", "show"]) == 0
    path.write_text(capsys.readouterr().out, encoding="utf-8")  # what > does
    assert main(["set", "bugs", "0.1", "--config", str(path)]) == 0
    assert load_settings(path).settings.flight.bugs == 0.1


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    advice = f"to create one with all defaults: vario config show > {quote(str(path))}"
    assert file_complaint(path) == f"{path}: there is no such file; {advice}"
    assert file_complaint(tmp_path) == f"{tmp_path}: this is a directory; expected a TOML file"
    path.write_bytes(b"# ok\nx = '\xfc'\n")
    assert file_complaint(path) == f"{path}, line 2: not UTF-8 text; save the file as UTF-8"
    path.write_bytes(b"#" * 300_000)
    assert file_complaint(path) == f"{path}: larger than 256 kB; expected a TOML file of a few kB"


def test_a_glider_file_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text('glider = "gliders/testglidr.toml"\n[tone]\nvolume = 2\n')
    tried = tmp_path / "gliders" / "testglidr.toml"
    missing = (
        f'{path}, line 1: glider = "gliders/testglidr.toml": there is no file {tried}; '
        "expected the path of a glider file, relative to this file"
    )
    volume = f"{path}, line 3: tone.volume = 2: above the highest allowed, 1"
    assert file_complaint(path) == f"{missing}\n{volume}"

    tried.parent.mkdir()
    (tried.parent / "testglider.toml").write_text(GLIDER)
    assert file_complaint(path) == f'{missing}; did you mean "gliders/testglider.toml"?\n{volume}'


def test_a_glider_that_is_a_directory_or_nothing(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text('glider = "."\n')
    assert file_complaint(path) == f"{tmp_path}: this is a directory; expected a TOML file"
    path.write_text('glider = ""\n')
    assert file_complaint(path).startswith(f'{path}, line 1: glider = "": there is no file ')
    path.write_text('glider = "a\\u0000b"\n')
    assert file_complaint(path).startswith(f'{path}, line 1: glider = "a\\U00000000b": there is no file ')


# Several things wrong, none of which may hide another. The lines are the beginnings of the messages.
ALL_AT_ONCE = {
    "chip and address": (
        '[sensors.baro]\nchip = "MS5661"\naddress = 0x99\nrate = "-1 Hz"\n',
        ['line 2: sensors.baro.chip = "MS5661": ', "line 3: sensors.baro.address = 0x99: ", "line 4: "],
    ),
    "chip, and an address that fits no chip of such a name": (
        '[sensors.baro]\nchip = "MS5661"\naddress = 0x28\n',
        [
            'line 2: sensors.baro.chip = "MS5661": ',
            'line 2: sensors.baro.chip = "MS5661", sensors.baro.address = 0x28: MS5611 can have 0x77 or 0x76',
        ],
    ),
    "a home": (
        'glider = "~/g.toml"\n[recorder]\nfolder = "~/flights"\n',
        ["line 1: glider", 'line 3: recorder.folder = "~/flights": expected a path without "~"'],
    ),
    "two sections, and a rule between them": (
        '[sensors.baro]\nchip = "MS5611"\naddress = 0x10\nlocation = "outside"\n[sensors.oat]\nchip = "TMP117"\nbus = 10\n',
        [
            'line 2: sensors.baro.chip = "MS5611", sensors.baro.address = 0x10: ',
            'line 4: sensors.baro.location = "outside", sensors.oat.chip = "TMP117": ',
            "line 7: sensors.oat.bus = 10: ",
        ],
    ),
    "half a goal in a wrong place": (
        "[goal]\nlatitude = 95\n",
        [
            "line 2: goal.latitude = 95: a goal needs longitude and elevation too",
            "line 2: goal.latitude = 95: above",
        ],
    ),
    "a curve that falls, and a volume": (
        '[tone]\nvolume = 3\nfrequency_sink = "400 Hz"\nfrequency_zero = "350 Hz"\nbeep_rate_full = "99 Hz"\n',
        ["line 2: tone.volume = 3: ", "line 3: tone.frequency_sink = ", "line 5: tone.beep_rate_full = "],
    ),
    "lines that are no TOML": (
        '[flight]\nmaccready = \u201c20 m/s\u201d\nballast = 80 kg\nballast = "70 kg"\nbugs = ?\nmode: cruise\n[tone]\nvolume = 30\n',
        [
            "line 2: maccready = \u201c20 m/s\u201d: not valid TOML",
            'line 2: flight.maccready = "20 m/s": above the highest allowed',
            "line 3: ballast = 80 kg: not valid TOML",
            'line 4: ballast = "70 kg": not valid TOML, column 18: this key has a value already',
            "line 5: bugs = ?: not valid TOML",
            "line 6: mode: cruise: not valid TOML",
            "line 8: tone.volume = 30: above the highest allowed, 1; a fraction is wanted",
        ],
    ),
    "a glider that is not there, and the rest": (
        'glider = "x.toml"\nnonsense = 1\n[flight]\nmaccready = 3\n',
        ["line 1: glider = ", "line 2: nonsense: unknown key", "line 4: flight.maccready = 3: "],
    ),
}


@pytest.mark.parametrize(("text", "lines"), ALL_AT_ONCE.values(), ids=ALL_AT_ONCE)
def test_no_error_hides_another(text: str, lines: list[str]) -> None:
    found = complaint(text)
    assert len(found) == len(lines), found
    for message, beginning in zip(sorted(found), sorted(lines), strict=True):
        assert message.startswith(f"my.toml, {beginning}")


def test_no_rule_is_called_broken_for_a_value_that_is_wrong_by_itself() -> None:
    # Which address is right depends on the chip, and the chip cannot be read.
    assert len(complaint("[sensors.pitot]\nchip = 5\naddress = 0x28\n")) == 1
    # With the right number these points may well rise.
    assert len(complaint('[tone]\nfrequency_zero = "650"\nfrequency_weak = "600 Hz"\n')) == 1
    assert len(complaint("", GLIDER.replace("c = 1.74", "c = -1.74"))) == 1


def test_a_wrong_polar_does_not_hide_wrong_limits() -> None:
    text = GLIDER.replace("b = -0.1\n", "").replace("180 km/h", "60 km/h").replace('"12 m2"', '"12"')
    found = complaint("", text)
    assert [line.partition(": ")[0] for line in found] == [f"my_glider.toml, line {n}" for n in (3, 5, 9, 10)]


def test_a_mass_too_high_is_told_beside_other_mistakes() -> None:
    found = complaint('[flight]\nmass = "1000 kg"\nbugs = 10\n', GLIDER)
    assert [line.partition(": ")[2].partition(" =")[0] for line in found] == ["flight.mass", "flight.bugs"]


def test_a_glider_file_is_checked_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "my_glider.toml"
    path.write_text(GLIDER)
    assert main(["config", "check", str(path)]) == 0
    assert capsys.readouterr().out == f"{path}: a glider file; no problem found\n"
    path.write_text(GLIDER.replace('"12 m2"', '"12"').replace("b = -0.1", "b = -0,1"))
    assert main(["config", "check", str(path)]) == 2
    said = capsys.readouterr().err
    assert "line 3: wing_area = " in said
    assert "line 6: b = -0,1: " in said
    assert len(said.splitlines()) == 2


def test_a_scenario_is_checked_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text('[air]\nsink = "9 m/s"\n[[phase]]\n')
    assert main(["config", "check", str(path)]) == 2
    assert "air.sink" in capsys.readouterr().err
