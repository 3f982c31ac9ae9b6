"""`vario tone`: play and draw the tone without a flight."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterable, Iterator
from pathlib import Path

from hw_replay.text import shown
from vario.app.errors import AppError
from vario.app.excerpt import time_s
from vario.app.files.atomic import result_file
from vario.app.files.paths import refuse_overwrite
from vario.app.tone.command import SINGLE_BEEPS
from vario.flight.inputs.frames import FRAME_S
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.tone.cues import RULES, Cue, CueCall, CueInputs
from vario.flight.tone.stage import ToneCommand, ToneInputs, ToneStage
from vario.settings.quantity import SPEED
from vario.settings.schema import Settings
from vario.settings.tone import Tone
from vario.sound.flac import FlacSink
from vario.sound.live import LIVE_HZ

LIMIT_MPS = 30.0

SWEEP_MPS = (-5.0, 5.0)
SWEEP_S = 20.0


def cue_keys() -> str:
    """The key of each cue, in their order: digits, then letters without another meaning."""
    return "123456789abcdef"[: len(RULES)]


KEYS = f"""up, down       vario by 0.1 m/s        page up, page down   by 1 m/s
1 to {cue_keys()[-1]}         a cue                   0                    back to zero
m              circling or cruise      s                    stop the commands, as if the flight logic failed
q              quit"""

Step = tuple[ToneCommand, float]


def run(arguments: argparse.Namespace) -> int:
    """Run the command line; returns the exit code."""
    from vario.app.config.in_force import overrides_of
    from vario.settings.load import load_settings, parse_settings

    overrides, config = overrides_of(arguments.overrides), arguments.config
    loaded = (
        load_settings(config, overrides) if config else parse_settings("", "defaults", overrides=overrides)
    )
    settings = loaded.settings
    picture = arguments.picture is not None or arguments.chart
    asked = [arguments.values is not None, arguments.sweep, arguments.cues, picture]
    if sum(asked) != 1:
        raise AppError(
            'tone: give either values such as "-2 0 1 3", or play, --sweep, --cues, --picture or --chart'
        )
    if picture:
        return _draw(arguments, settings.tone)
    if arguments.values == "play":
        from vario.app.tone.keyboard import play_keyboard

        play_keyboard(settings.tone, arguments.device or settings.audio.device)
        return 0
    out = arguments.out or Path("tone.flac")
    if out.suffix.lower() != ".flac":
        raise AppError(f"{out}: the sound is written as FLAC; expected a name that ends in .flac")
    refuse_overwrite([config] if config else [], out)
    duration_s = write_sound(out, steps(arguments, settings.tone))
    print(shown(f"written to {out}, {duration_s:.1f} s"))
    return 0


def steps(arguments: argparse.Namespace, tone: Tone) -> Iterable[Step]:
    """The tone commands for the arguments, each with its duration, s."""
    if arguments.cues:
        return cue_steps(tone)
    if arguments.sweep:
        print(f"sweep: {SWEEP_MPS[0]:+g} to {SWEEP_MPS[1]:+g} m/s in {SWEEP_S:g} s")
        return value_steps([*SWEEP_MPS], tone, 0.0, SWEEP_S)
    for name in ("seconds", "glide"):
        if not 0.0 <= getattr(arguments, name) <= 600.0:
            raise AppError(f"--{name} {getattr(arguments, name):g}: expected 0 to 600 s")
    values_mps = parse_values(arguments.values, arguments.unit)
    for value_mps in values_mps:
        print(describe(value_mps, tone, arguments.unit))
    return value_steps(values_mps, tone, arguments.seconds, arguments.glide)


def parse_values(text: str, unit: str) -> list[float]:
    """Vario values in m/s from a text such as "-2 0 1 3".

    Raises:
        AppError: for a text that is not a number, or a value out of range.
    """
    values_mps = []
    for word in text.replace(";", " ").split():
        try:
            value_mps = float(word) * SPEED.units[unit]
        except ValueError:
            hint = " (the decimal sign is a point)" if "," in word else ""
            raise AppError(
                f'tone: "{word}" is not a number{hint}; expected values such as "-2 0 1.5"'
            ) from None
        if not abs(value_mps) <= LIMIT_MPS:
            limit = LIMIT_MPS / SPEED.units[unit]
            raise AppError(
                f"tone: {word} {unit} is out of range; expected {-limit:.0f} to {limit:.0f} {unit}"
            )
        values_mps.append(value_mps)
    if not values_mps:
        raise AppError('tone: no values; expected some such as "-2 0 1 3"')
    return values_mps


def describe(value_mps: float, tone: Tone, unit: str) -> str:
    """Describe the sound of a value in one line."""
    command = ToneStage(Setup(Settings(tone=tone))).update(_heard(value_mps, 0.0))
    value = f"{value_mps / SPEED.units[unit]:+.1f} {unit}"
    if command.level == 0.0:
        return f"{value}: silent"
    rhythm = "steady" if command.beep_hz is None else f"{command.beep_hz:.1f} beeps per second"
    return f"{value}: {command.pitch_hz:.0f} Hz, {rhythm}"


def value_steps(values_mps: list[float], tone: Tone, hold_s: float, glide_s: float) -> Iterator[Step]:
    """Hold each value for `hold_s` and change to the next in `glide_s`, in frames as in flight."""
    stage = ToneStage(Setup(Settings(tone=tone)))
    now_s = 0.0
    frames = max(round(glide_s / FRAME_S), 1)
    for index, value_mps in enumerate(values_mps):
        if index:
            last_mps = values_mps[index - 1]
            for k in range(1, frames if glide_s else 1):
                between_mps = last_mps + (value_mps - last_mps) * k / frames
                yield stage.update(_heard(between_mps, now_s)), FRAME_S
                now_s += FRAME_S
        for _ in range(max(round(hold_s / FRAME_S), 1)):
            yield stage.update(_heard(value_mps, now_s)), FRAME_S
            now_s += FRAME_S


def cue_steps(tone: Tone) -> Iterator[Step]:
    """All cues in order of priority, with a pause after each."""
    for number, (key, rule) in enumerate(zip(cue_keys(), RULES, strict=True), start=1):
        print(f"{key}  {rule.cue}")
        yield cue_command(rule.cue, number, tone), 1.5


def cue_command(cue: Cue, number: int, tone: Tone) -> ToneCommand:
    """A command with one cue and no tone."""
    warning = next(rule.is_warning for rule in RULES if rule.cue is cue)
    return ToneCommand(
        tone.curve.frequency_zero_hz,
        None,
        0.0,
        cue=CueCall(cue, number, warning),
        cue_level=tone.volume_cues,
        warning_level=tone.volume_warnings,
    )


def write_sound(out: Path, sounding: Iterable[Step]) -> float:
    """Write the steps to a FLAC file; returns its length in seconds.

    Raises:
        SoundFileError, OutputError: if the file cannot be written.
    """
    with result_file(out) as path, FlacSink(path, LIVE_HZ) as sink:
        for command, duration_s in sounding:
            sink.play(command, duration_s)
        return sink.duration_s


def _draw(arguments: argparse.Namespace, tone: Tone) -> int:
    # Imported here because matplotlib takes longer to load than the rest of the command.
    from vario.app.tone.picture import LONGEST_WITH_BEEPS_S, draw_chart, draw_spectrogram

    if arguments.chart:
        out = arguments.out or Path("tone.png")
        refuse_overwrite([arguments.config] if arguments.config else [], out)
        draw_chart(tone, out)
    else:
        out = arguments.out or arguments.picture.with_suffix(".png")
        refuse_overwrite([arguments.picture], out)
        from_s = 0.0 if arguments.from_time is None else time_s("--from", arguments.from_time)
        to_s = math.inf if arguments.to_time is None else time_s("--to", arguments.to_time)
        if draw_spectrogram(arguments.picture, out, from_s, to_s) > LONGEST_WITH_BEEPS_S:
            print(f"{SINGLE_BEEPS}: choose one with --from and --to")
    print(shown(f"written to {out}"))
    return 0


def _heard(vario_mps: float, t_s: float) -> ToneInputs:
    return ToneInputs(CueInputs(t_s, Mode.CIRCLING, Quality.OK, vario_known=True), vario_mps)
