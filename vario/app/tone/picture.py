"""Pictures of sound: the spectrogram of a file, and a chart of the tone."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy import signal

from hw_replay.text import name_text
from vario.app.errors import OutputError
from vario.app.files.atomic import result_file
from vario.app.tone.render import SWEEP_MPS, SWEEP_S, cue_command, value_steps
from vario.flight.tone.cues import RULES
from vario.flight.tone.stage import ToneCommand, Voice, beeps_of, pitch_of
from vario.settings.tone import Tone
from vario.sound.errors import SoundFileError
from vario.sound.flac import load_soundfile
from vario.sound.synth import LOWEST_RATE_HZ, Synth

TOP_HZ = 6000.0
"""Above this there are only weak partials of the highest pitches."""

FLOOR_DB = -70.0
COLUMNS = 1600
WINDOW = 1024
RATE_HZ = LOWEST_RATE_HZ


LONGEST_WITH_BEEPS_S = 80.0
"""In a longer picture a column is longer than a beep at 10 Hz, which lasts 50 ms."""


def draw_spectrogram(sound: Path, out: Path, from_s: float = 0.0, to_s: float = math.inf) -> float:
    """Draw the spectrogram of a mono sound file; memory use does not depend on its length.

    Args:
        sound: the file.
        out: the picture to write.
        from_s: begin here, s since the beginning of the file.
        to_s: end here, or at the end of the file.

    Returns:
        The duration drawn, s.

    Raises:
        SoundFileError: if the sound cannot be read.
        OutputError: if the picture cannot be written.
    """
    columns, rate_hz, duration_s = _columns_of(sound, from_s, to_s)
    figure = Figure(figsize=(14, 5), layout="constrained")
    axes = figure.add_subplot()
    _show(axes, columns, rate_hz, duration_s, from_s)
    axes.set_title(name_text(sound.name), loc="left", parse_math=False)
    _save(figure, out)
    return duration_s


def draw_chart(tone: Tone, out: Path) -> None:
    """Draw the chart of these settings: curves, a sweep, the voices and the cues.

    Raises:
        OutputError: if the picture cannot be written.
    """
    figure = Figure(figsize=(14, 11), layout="constrained")
    grid = figure.add_gridspec(3, 2, height_ratios=[1.0, 1.0, 1.0])
    _draw_curves(figure.add_subplot(grid[0, 0]), tone)
    _draw_voices(figure.add_subplot(grid[0, 1]), tone)
    sweep = value_steps([*SWEEP_MPS], tone, 0.0, SWEEP_S)
    synth = Synth(RATE_HZ)
    pcm = np.concatenate([synth.render(command, round(s * RATE_HZ)) for command, s in sweep])
    axes = figure.add_subplot(grid[1, :])
    _show_pcm(axes, pcm)
    axes.set_title(f"sweep from {SWEEP_MPS[0]:+g} to {SWEEP_MPS[1]:+g} m/s", loc="left")
    _draw_cues(figure.add_subplot(grid[2, :]), tone)
    _save(figure, out)


def _draw_curves(axes: Axes, tone: Tone) -> None:
    curve = tone.curve
    vario_mps = np.linspace(-curve.full_scale_mps - 1, curve.full_scale_mps + 1, 400)
    axes.plot(vario_mps, [pitch_of(v, curve) for v in vario_mps], color="black", label="pitch")
    axes.axvspan(curve.dead_band_low_mps, curve.dead_band_high_mps, color="0.88", label="quiet")
    axes.set(xlabel="vario, m/s", ylabel="pitch, Hz", yscale="log")
    axes.set_yticks([250, 500, 1000, 2000], ["250", "500", "1000", "2000"])
    axes.minorticks_off()
    cadence = axes.twinx()
    lift_mps = vario_mps[vario_mps > curve.dead_band_high_mps]
    cadence.plot(lift_mps, [beeps_of(v, curve) for v in lift_mps], "--", color="0.4", label="beeps a second")
    cadence.set(ylabel="beeps a second", ylim=(0, None))
    lines = [*axes.get_legend_handles_labels()[0], *cadence.get_legend_handles_labels()[0]]
    axes.legend(handles=lines, loc="upper left", frameon=False)
    axes.set_title(f"curves: {tone.preset}", loc="left")


def _draw_voices(axes: Axes, tone: Tone) -> None:
    """Draw one second of each voice, with silence between them."""
    synth = Synth(RATE_HZ)
    curve, cruise = tone.curve, tone.cruise
    voices = {
        Voice.LIFT: ToneCommand(pitch_of(2.0, curve), beeps_of(2.0, curve), 0.5),
        Voice.SINK: ToneCommand(pitch_of(-2.0, curve), None, 0.5, Voice.SINK),
        Voice.NETTO: ToneCommand(pitch_of(2.0, curve), beeps_of(2.0, curve), 0.5, Voice.NETTO),
        Voice.FASTER: ToneCommand(cruise.speed_frequency_hz, cruise.pair_rate_full_hz, 0.5, Voice.FASTER),
        Voice.SLOWER: ToneCommand(cruise.speed_frequency_hz, cruise.pair_rate_full_hz, 0.5, Voice.SLOWER),
    }
    parts = []
    for number, (voice, command) in enumerate(voices.items()):
        parts += [synth.render(command, RATE_HZ), synth.render(ToneCommand(500.0, None, 0.0), RATE_HZ // 5)]
        axes.text(1.2 * number, 1.02, voice.value, transform=axes.get_xaxis_transform())
    _show_pcm(axes, np.concatenate(parts))


def _draw_cues(axes: Axes, tone: Tone) -> None:
    synth = Synth(RATE_HZ)
    parts = []
    for number, rule in enumerate(RULES):
        parts.append(synth.render(cue_command(rule.cue, number + 1, tone), round(1.3 * RATE_HZ)))
        height = 0.95 - 0.07 * (number % 2)  # neighbours at two heights: the names are longer than the cues
        axes.text(1.3 * number, height, rule.cue.value, transform=axes.get_xaxis_transform(), color="white")
    _show_pcm(axes, np.concatenate(parts))


def _show_pcm(axes: Axes, pcm: NDArray[np.int16]) -> None:
    hop = max((pcm.size - WINDOW) // COLUMNS, 64)
    _show(axes, _spectra(pcm, RATE_HZ, hop), RATE_HZ, pcm.size / RATE_HZ)


def _show(
    axes: Axes, columns: NDArray[np.float64], rate_hz: int, duration_s: float, from_s: float = 0.0
) -> None:
    top = int(TOP_HZ / rate_hz * WINDOW)
    level_db = np.maximum(10.0 * np.log10(columns[: top + 1] + 1e-12), FLOOR_DB)
    minutes = duration_s > 600.0
    begin, end = ((t_s / 60.0 if minutes else t_s) for t_s in (from_s, from_s + duration_s))
    axes.imshow(
        level_db,
        origin="lower",
        aspect="auto",
        extent=(begin, end, 0.0, top * rate_hz / WINDOW),
        cmap="magma",
        vmin=FLOOR_DB,
        vmax=0.0,
        interpolation="nearest",
    )
    axes.set(xlabel="min" if minutes else "s", ylabel="Hz")


def _spectra(pcm: NDArray[np.int16], rate_hz: int, hop: int) -> NDArray[np.float64]:
    """Power relative to a full-scale sine, shape (frequencies, times)."""
    _, _, power = signal.spectrogram(
        pcm / 32768.0, rate_hz, "hann", WINDOW, WINDOW - min(hop, WINDOW), detrend=False, scaling="spectrum"
    )
    return np.asarray(2.0 * power)


def _columns_of(sound: Path, from_s: float, to_s: float) -> tuple[NDArray[np.float64], int, float]:
    """Spectrogram of a part in about `COLUMNS` columns, the sample rate, Hz, and the duration drawn, s.

    Each column is the maximum over its time, and lasts at least `WINDOW` samples.
    """
    soundfile = load_soundfile()
    try:
        # Opened here because the error of soundfile does not say that a file is missing.
        with sound.open("rb") as opened, soundfile.SoundFile(opened.fileno(), closefd=False) as file:
            if file.channels != 1:
                raise SoundFileError(
                    f"{sound}: {file.channels} channels; expected 1, as in the files of a replay"
                )
            rate_hz = file.samplerate
            begin, end = (min(round(min(t_s, 1e6) * rate_hz), file.frames) for t_s in (from_s, to_s))
            total = left = end - begin
            if total < WINDOW:
                raise SoundFileError(
                    f"{sound}: {max(total, 0)} samples; expected {WINDOW} or more for a picture"
                )
            file.seek(begin)
            span = max(total // COLUMNS, WINDOW)
            columns = []
            while (pcm := file.read(min(span, left), "int16")).size >= WINDOW:
                left -= pcm.size
                columns.append(_spectra(pcm, rate_hz, WINDOW).max(axis=1))
    except (OSError, soundfile.SoundFileError) as error:
        reason = error.strerror if isinstance(error, OSError) else f"not a sound file ({error})"
        raise SoundFileError(f"{sound}: cannot be read: {reason}") from error
    return np.stack(columns, axis=1), rate_hz, total / rate_hz


def _save(figure: Figure, out: Path) -> None:
    with result_file(out) as path:
        try:
            figure.savefig(path, dpi=100, format=out.suffix.removeprefix(".") or "png")
        except ValueError as error:  # a picture format that matplotlib cannot write
            raise OutputError(out, OSError(str(error))) from error
