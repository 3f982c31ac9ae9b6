"""Every message about a single fault in a settings file, word for word, as the pilot sees it."""

# ruff: noqa: E501 (messages stand here as long as the user sees them)

from __future__ import annotations

import pytest

from drivers.registry import CHIPS
from tests.support.settings_complaints import complaint, placed
from vario.settings.keys import keys
from vario.settings.schema import Settings


def keys_of(*section: str) -> str:
    """The keys and sections inside a section, in the order of the schema."""
    depth = len(section)
    inside = [path[depth] for path in keys(Settings) if path[:depth] == section]
    sections = [name for name in dict.fromkeys(inside) if (*section, name) not in keys(Settings)]
    return ", ".join([*sections, *(name for name in dict.fromkeys(inside) if name not in sections)])


def chips(kind: str) -> str:
    """The supported chips of a kind, as a message lists them."""
    names = [name for name, chip in CHIPS.items() if chip.kind == kind]
    return f"one of {', '.join(names)}" if len(names) > 1 else names[0]


SETTINGS_MESSAGES = {
    # The sensors fitted
    "chip of another kind": (
        '[sensors.oat]\nchip = "MS5611"',
        'line 2: sensors.oat.chip = "MS5611": expected '
        + chips("outside air temperature")
        + "; MS5611 belongs in [sensors.baro]",
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
        f"line 2: sensors.supply.address = 0x40: no chip is set in this section; expected {chips('supply voltage')}",
    ),
    "chip misspelt": (
        '[sensors.baro]\nchip = "MS5661"',
        f'line 2: sensors.baro.chip = "MS5661": expected {chips("barometer")}; did you mean "MS5611"?',
    ),
    "chip in small letters": (
        '[sensors.imu]\nchip = "mpu6050"',
        f'line 2: sensors.imu.chip = "mpu6050": expected {chips("motion")}; did you mean "MPU-6050"?',
    ),
    "address out of range": (
        "[sensors.baro]\nchip = 'MS5611'\naddress = 0x99 # both pins up",
        "line 3: sensors.baro.address = 0x99: above the highest allowed, 0x77",
    ),
    # Wrong values
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
        "line 2: flight.bugs = 10: above the highest allowed, 0.5; a fraction is expected: 10 % is written 0.1",
    ),
    "percent in quotes": (
        '[flight]\nbugs = "10 %"',
        'line 2: flight.bugs = "10 %": expected a plain number without quotes and unit, from 0 to 0.5; '
        "a fraction is expected: 10 % is written 0.1",
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
    # Wrong keys
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
    "nothing like it": (
        "[average]\nxyzzy = 1",
        f"line 2: average.xyzzy: unknown key; [average] has {keys_of('average')}",
    ),
    "nothing like it at the top": (
        "xyzzy = 1",
        f"line 1: xyzzy: unknown key; the file has {keys_of()}",
    ),
    "section misspelt": (
        "[speed-to-fly]",
        "line 1: [speed-to-fly]: unknown section; did you mean [speed_to_fly]?",
    ),
    "inner section": ("[pitot]", "line 1: [pitot]: unknown section; did you mean [sensors.pitot]?"),
    "key that needs quotes": (
        '[flight]\n"a\\nb" = 1',
        r'line 2: flight."a\nb": unknown key; [flight] has ' + keys_of("flight"),
    ),
    # Settings that do not fit together
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
}


@pytest.mark.parametrize(("settings", "message"), SETTINGS_MESSAGES.values(), ids=SETTINGS_MESSAGES)
def test_settings_message(settings: str, message: str) -> None:
    assert complaint(settings) == [placed(message)]
