"""Knobs and buttons change settings, mark and ask, at the mock pins of gpiozero."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from drivers.errors import UnavailableError
from drivers.events import REFUSED, SAY, STEP, TAKEN, Event, Mark, PilotAction, SettingsChange
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.level_flight import NOISE, flight, settings_text
from tests.support.waiting import once
from vario.app.live.controls import ControlPanel, open_part
from vario.app.live.file_watch import FileWatch
from vario.app.live.status import Status, status_line
from vario.app.replay.player import play
from vario.flight.pipeline import Pipeline
from vario.flight.tone.cues import Cue
from vario.settings.controls import TURNED, Controls
from vario.settings.errors import SettingsError
from vario.settings.keys import keys
from vario.settings.load import load_settings, parse_settings
from vario.settings.schema import Settings
from vario.settings.short_names import SHORT_NAMES

TEXT = """\
[flight]
maccready = "1 m/s"  # of the day
[controls]
long_press_time = "0.3 s"
[controls.knob_1]
pin_a = 17
pin_b = 27
pin_press = 23
turn = "maccready 0.1 m/s"
press = "say wind"
long_press = "mode circling"
[controls.button_1]
pin = 5
press = "mark"
[controls.button_2]
pin = 6
press = "maccready 0 m/s"
"""


class Cockpit:
    """A panel on mock pins, with its settings file."""

    def __init__(self, config: Path) -> None:
        config.write_text(TEXT, encoding="utf-8")
        self.config = config
        self.pins = MockFactory()
        self.changes = 0
        controls = load_settings(config).settings.controls
        self.panel = ControlPanel(
            controls, config, self._changed, partial(open_part, pins=lambda: self.pins), 0.02
        )

    def _changed(self) -> None:
        self.changes += 1

    def turn(self, steps: int) -> None:
        a, b = self.pins.pin(17), self.pins.pin(27)
        first, second = (a, b) if steps > 0 else (b, a)
        for _ in range(abs(steps)):
            first.drive_low()
            second.drive_low()
            first.drive_high()
            second.drive_high()

    def press(self, pin: int) -> None:
        self.pins.pin(pin).drive_low()
        self.pins.pin(pin).drive_high()

    def events(self, until: Callable[[list[Event]], bool]) -> list[Event]:
        found: list[Event] = []

        def enough() -> bool:
            while not until(found) and (event := self.panel.take()) is not None:
                found.append(event)
            return until(found)

        once(enough)
        return found

    def maccready(self) -> float:
        return load_settings(self.config).settings.flight.maccready_mps

    def close(self) -> None:
        self.panel.close()
        self.pins.reset()


@pytest.fixture
def cockpit(tmp_path: Path) -> Iterator[Cockpit]:
    made = Cockpit(tmp_path / "vario.toml")
    yield made
    made.close()


def test_each_step_is_heard_and_many_make_one_change(cockpit: Cockpit) -> None:
    rng = random.Random(1)  # noqa: S311
    turned = [rng.choice((-1, 1)) for _ in range(1000)] + [1] * 7
    for one in turned:
        cockpit.turn(one)
    steps = cockpit.events(lambda found: len(found) >= 1007)
    cockpit.close()
    assert steps == [PilotAction(0.0, STEP, "maccready 0.1 m/s")] * 1007
    assert cockpit.maccready() == pytest.approx(min(max(1.0 + 0.1 * sum(turned), 0.0), 10.0), abs=1e-6)
    assert "# of the day" in cockpit.config.read_text(encoding="utf-8")


def test_a_step_beyond_the_range_is_refused(cockpit: Cockpit) -> None:
    cockpit.press(6)
    once(lambda: cockpit.changes == 1)
    cockpit.turn(-1)
    found = cockpit.events(lambda found: len(found) == 2)
    assert found == [
        PilotAction(0.0, STEP, "maccready 0.1 m/s"),
        PilotAction(0.0, REFUSED, "maccready 0.1 m/s"),
    ]
    assert cockpit.maccready() == 0.0


def test_presses_mark_say_and_hold_a_mode(cockpit: Cockpit) -> None:
    cockpit.press(5)
    assert cockpit.events(lambda found: len(found) == 2) == [
        Mark(0.0, "button"),
        PilotAction(0.0, TAKEN, "mark"),
    ]
    cockpit.press(23)
    assert cockpit.events(lambda found: len(found) == 1) == [PilotAction(0.0, SAY, "wind")]
    for mode in ("circling", "automatic"):
        cockpit.pins.pin(23).drive_low()  # a long press
        once(lambda mode=mode: load_settings(cockpit.config).settings.flight.mode == mode)  # type: ignore[misc]
        cockpit.pins.pin(23).drive_high()


def test_a_change_by_a_knob_comes_to_the_loop_like_one_by_an_editor(tmp_path: Path) -> None:
    cockpit = Cockpit(tmp_path / "vario.toml")
    side = FileWatch(cockpit.config, None, every_s=60.0)
    cockpit._changed = side.soon  # type: ignore[method-assign]
    cockpit.panel._changed = side.soon
    side.start()
    cockpit.turn(5)
    events: list[Event] = []
    once(lambda: (event := side.take()) is not None and not events.append(event))
    (event,) = events
    assert isinstance(event, SettingsChange)
    assert parse_settings(event.settings_toml, "x").settings.flight.maccready_mps == pytest.approx(1.5)
    side.close()
    cockpit.close()


def test_a_broken_settings_file_refuses_and_the_panel_goes_on(cockpit: Cockpit) -> None:
    cockpit.config.write_text("[flight", encoding="utf-8")
    cockpit.turn(1)
    assert cockpit.events(lambda found: len(found) == 2)[1].kind == REFUSED  # type: ignore[union-attr]
    cockpit.press(5)
    assert cockpit.events(lambda found: len(found) == 2)[0] == Mark(0.0, "button")


def test_missing_pins_cost_only_the_knobs(caplog: pytest.LogCaptureFixture) -> None:
    def missing(*_: object) -> None:
        raise UnavailableError(
            "knobs on pins need the extra controls", "pip install 'glider-vario[controls]'"
        )

    controls = parse_settings(TEXT, "x").settings.controls
    panel = ControlPanel(controls, None, open_one=missing)  # type: ignore[arg-type]
    assert panel.problem is not None
    line = status_line(Status(1.0, None, [], None, None, controls=panel.problem))
    assert "not working: knobs on pins need the extra controls" in line
    assert panel.take() is None
    panel.close()
    assert "pip install 'glider-vario[controls]'" in caplog.text


def test_actions_of_the_pilot_are_recorded_and_replay_bit_for_bit(tmp_path: Path) -> None:
    """Two steps, a change taken, a refusal, and an action of a later version."""
    text = settings_text("0.5 m/s")
    glider = (Path(__file__).parents[2] / "config/gliders/quendel_2.toml").read_text(encoding="utf-8")
    events: list[Event] = [
        PilotAction(20.05, STEP, "maccready 0.1 m/s"),
        PilotAction(21.05, STEP, "maccready 0.1 m/s"),
        SettingsChange(22.05, settings_text("0.7 m/s"), glider),
        PilotAction(25.05, REFUSED, "maccready 0.1 m/s"),
        PilotAction(30.05, "something new", ""),
    ]
    samples = sorted([*flight(40), *events], key=lambda sample: sample.t_s)

    def flown(samples: object) -> list[object]:
        loaded = parse_settings(text, "s", glider)
        return list(play(samples, Pipeline(loaded.settings, loaded.glider, NOISE)))  # type: ignore[arg-type]

    live = flown(samples)
    path = tmp_path / "flight.mcap"
    with RecordingWriter(path, RecordingInfo("x", "live", config_toml=text, glider_toml=glider)) as writer:
        for sample in samples:
            writer.write(sample)
    assert flown(Recording(path)) == live
    calls: dict[int, tuple[float, Cue]] = {}
    for reading in live:
        call = reading.tone.cue  # type: ignore[attr-defined]
        if call is not None:
            calls.setdefault(call.number, (round(reading.t_s, 1), call.cue))  # type: ignore[attr-defined]
    heard = [one for one in calls.values() if one[0] > 15.0]
    assert heard == [
        (pytest.approx(20.1, abs=0.11), Cue.KNOB_STEP),
        (pytest.approx(21.1, abs=0.11), Cue.KNOB_STEP),
        (pytest.approx(22.1, abs=0.11), Cue.TAKEN),
        (pytest.approx(25.1, abs=0.11), Cue.SETTING_REJECTED),
    ]


def test_every_setting_of_a_knob_has_a_short_name_a_range_and_its_dimension() -> None:
    for name, dimension in TURNED.items():
        key = keys(Settings)[SHORT_NAMES[name]]
        assert key.dimension is dimension
        assert key.low is not None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[controls.knob_1]\nturn = "maccready"', "expected a setting and its step"),
        ('[controls.knob_1]\nturn = "maccready 0.1"', "expected a setting and its step"),
        ('[controls.knob_1]\nturn = "volume -0.1"', "expected a setting and its step"),
        ('[controls.knob_1]\npress = "say height"', 'expected "mark"'),
        ('[controls.button_1]\npress = "fly"', 'expected "mark"'),
        ('[controls.button_1]\npress = "maccready 2"', 'expected "mark"'),  # without unit
        ('[controls.button_1]\npress = "qnh none"', 'expected "mark"'),  # no value of it
        ("[controls.knob_1]\npin_a = 4", "an encoder needs both"),
        ("[controls.button_1]\npin = 4\n[controls.button_2]\npin = 4", "both use GPIO 4"),
    ],
)
def test_a_wrong_control_is_told(text: str, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        parse_settings(text, "x")


def test_nothing_is_fitted_by_default_and_no_recording_fits_anything() -> None:
    assert not Settings().controls.is_fitted
    assert not Controls().is_fitted
