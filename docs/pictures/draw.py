"""Draw the pictures of README and docs/concepts.md: `python docs/pictures/draw.py`."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path

G_MPS2 = 9.80665

_STYLE = """
  <style>
    .paper { fill: #fffefb } .box { fill: #f2f4f5 }
    .ink { stroke: #1b2733 } .soft { stroke: #9aa3ab } .teal { stroke: #1f7a78 }
    .amber { stroke: #b3600a } .violet { stroke: #5a4a9c } .fill-amber { fill: #e0a458 }
    .line { fill: none; stroke-width: 2.5; stroke-linejoin: round; stroke-linecap: round }
    .thin { stroke-width: 1.2 } .dash { stroke-dasharray: 6 5 }
    text { font: 14px "DejaVu Sans", "Segoe UI", sans-serif; fill: #1b2733 } .quiet { fill: #5d6873 }
    @media (prefers-color-scheme: dark) {
      .paper { fill: #182027 } .box { fill: #232d36 }
      .ink { stroke: #e6ebee } .soft { stroke: #66737e } .teal { stroke: #4fc0b8 }
      .amber { stroke: #f0a63c } .violet { stroke: #a99bf0 } .fill-amber { fill: #c98a3a }
      text { fill: #e6ebee } .quiet { fill: #93a1ac }
    }
  </style>"""

Point = tuple[float, float]


def _line(points: Iterable[Point], kinds: str) -> str:
    text = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline class="line {kinds}" points="{text}"/>'


def _text(x: float, y: float, words: str, kinds: str = "", anchor: str = "start") -> str:
    return f'<text x="{x:.0f}" y="{y:.0f}" class="{kinds}" text-anchor="{anchor}">{words}</text>'


def _arrow(start: Point, end: Point, kinds: str) -> str:
    angle = math.atan2(end[1] - start[1], end[0] - start[0])
    wings = [(end[0] - 11 * math.cos(angle + s), end[1] - 11 * math.sin(angle + s)) for s in (0.4, -0.4)]
    return _line([start, end], kinds) + _line([wings[0], end, wings[1]], kinds)


def _picture(title: str, width: int, height: int, *parts: str) -> str:
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img">'
    paper = f'<rect class="paper" width="{width}" height="{height}" rx="12"/>'
    return "\n  ".join([head, f"<title>{title}</title>{_STYLE}", paper, *parts]) + "\n</svg>\n"


def total_energy() -> str:
    """A pull-up without loss: speed is exchanged for height, and the total energy is constant."""
    times = [k / 20 for k in range(161)]

    def speed(t: float) -> float:  # from 40 to 25 m/s, smoothly
        share = min(max((t - 1.0) / 6.0, 0.0), 1.0)
        return 40.0 - 15.0 * (share - math.sin(2 * math.pi * share) / (2 * math.pi))

    def height(t: float) -> float:
        return (speed(0.0) ** 2 - speed(t) ** 2) / (2 * G_MPS2)

    def climb(t: float) -> float:
        return (height(t + 0.01) - height(t - 0.01)) / 0.02

    def x(t: float) -> float:
        return 130 + 62 * t

    rows = [
        _line([(x(t), 110 - 1.3 * height(t)) for t in times], "ink"),
        _text(118, 114, "height", "quiet", "end"),
        _line([(x(t), 190 - 2.0 * (speed(t) - 25)) for t in times], "teal"),
        _text(118, 165, "airspeed", "quiet", "end"),
        _line([(x(t), 290 - 4.6 * climb(t)) for t in times], "amber dash"),
        _line([(x(0), 290), (x(8), 290)], "violet"),
        _text(118, 295, "vario", "quiet", "end"),
        _text(x(8), 204, f"uncompensated: {max(map(climb, times)):.0f} m/s of “lift”", "", "end"),
        _text(x(8), 316, "total energy: 0 m/s, no energy gained", "quiet", "end"),
        _text(x(0), 32, "a pull-up in still air, 144 to 90 km/h", "quiet"),
    ]
    return _picture("A pull-up in still air", 660, 340, *rows)


def airmass() -> str:
    """Netto is the vario plus the sink of the glider."""
    top, rise, sink = 250.0, 2.0, 0.7
    scale = 80.0
    parts = [
        _line([(60, top), (600, top)], "soft thin"),
        _arrow((150, top), (150, top - rise * scale), "teal"),
        _text(150, top + 24, "air: +2.0 m/s", anchor="middle"),
        _text(150, top + 44, "netto", "quiet", "middle"),
        _arrow((310, top - rise * scale), (310, top - (rise - sink) * scale), "violet"),
        _line([(150, top - rise * scale), (310, top - rise * scale)], "soft thin dash"),
        _text(310, top + 24, "glider: −0.7 m/s", anchor="middle"),
        _text(310, top + 44, "polar at this speed and load", "quiet", "middle"),
        _line([(310, top - (rise - sink) * scale), (490, top - (rise - sink) * scale)], "soft thin dash"),
        _arrow((490, top), (490, top - (rise - sink) * scale), "amber"),
        _text(490, top + 24, "sum: +1.3 m/s", anchor="middle"),
        _text(490, top + 44, "vario", "quiet", "middle"),
    ]
    return _picture("Netto, polar and vario", 660, 320, *parts)


def wind() -> str:
    """The tips of the ground velocities of a turn lie on a circle around the wind (25 m/s in 4 E, 3 S)."""
    scale, ox, oy = 5.2, 190.0, 180.0

    def at(east: float, north: float) -> Point:
        return ox + scale * east, oy - scale * north

    tips = [(4.0 + 25 * math.sin(k * math.pi / 4), -3.0 + 25 * math.cos(k * math.pi / 4)) for k in range(8)]
    circle = [(4 + 25 * math.sin(k * math.pi / 60), -3 + 25 * math.cos(k * math.pi / 60)) for k in range(121)]
    parts = [
        _line([at(*p) for p in circle], "teal dash thin"),
        *(_arrow(at(0, 0), at(*tip), "soft thin") for tip in tips),
        _arrow(at(0, 0), at(4.0, -3.0), "amber"),
        _text(380, 90, "each grey arrow: velocity over ground"),
        _text(380, 112, "on one heading of the turn"),
        _text(380, 160, "the tips lie on a circle", "quiet"),
        _text(380, 182, "its radius is the true airspeed", "quiet"),
        _text(380, 204, "its centre is the wind:", "quiet"),
        _text(380, 226, "5 m/s from 307°"),
    ]
    return _picture("Wind from one circle", 660, 360, *parts)


def circle() -> str:
    """A circle of 90 m beside a Gaussian core of 110 m: lift against heading is nearly one sine wave."""
    offset, radius, core = 45.0, 90.0, 110.0

    def lift(heading: float) -> float:  # turning right: the position is a quarter turn behind the heading
        east, north = -radius * math.cos(heading), radius * math.sin(heading)
        return 3.0 * math.exp(-((east - offset) ** 2 + north**2) / core**2)

    def ground(east: float, north: float) -> Point:
        return 150 + 0.95 * east, 170 - 0.95 * north

    rings = [
        f'<circle class="fill-amber" opacity="0.22" cx="{ground(offset, 0)[0]:.1f}" cy="170" r="{r}"/>'
        for r in (115, 82, 50, 22)
    ]
    headings = [k * math.pi / 90 for k in range(181)]
    way = [ground(-radius * math.cos(h), radius * math.sin(h)) for h in headings]
    wave = [(360 + 80 * h / math.pi * 1.6, 270 - 60 * lift(h)) for h in headings]
    parts = [
        *rings,
        _line(way, "ink"),
        _arrow(ground(0, 0), ground(offset, 0), "violet"),
        _text(150, 320, "view from above: shift the circle this way", "quiet", "middle"),
        _line([(360, 270), (620, 270)], "soft thin"),
        _line(wave, "amber"),
        *(
            _text(360 + 64 * k, 292, name, "quiet", "middle")
            for k, name in enumerate(("N", "E", "S", "W", "N"))
        ),
        _text(490, 320, "lift against heading, right turn", "quiet", "middle"),
    ]
    return _picture("Lift around the circle", 660, 340, *parts)


def _box(x: float, y: float, name: str, *details: str) -> str:
    """A box for a part: its name, and lines of detail below it."""
    height = 36 + 18 * len(details)
    frame = f'<rect class="box ink thin" x="{x:.0f}" y="{y:.0f}" width="200" height="{height}" rx="6"/>'
    lines = [_text(x + 12, y + 42 + 18 * row, detail, "quiet") for row, detail in enumerate(details)]
    return "".join([frame, _text(x + 12, y + 22, name), *lines])


def parts() -> str:
    """The parts and their connections: sensors to the left of the computer, outputs to its right."""
    sensors = (
        ("barometer", "I²C: SDA, SCL, 3.3 V", "required"),
        ("airspeed sensor", "I²C", "recommended"),
        ("inertial sensor", "I²C, screwed down firmly", "recommended"),
        ("GNSS receiver", "serial: TX to RXD (pin 10)", "optional"),
    )
    drawn = [
        _box(440, 105, "Raspberry Pi", "Zero 2 W, 3, 4 or 5", "64-bit system", "Python 3.11 or later"),
        _box(440, 290, "glider battery", "fuse, switch,", "converter to 5 V"),
        _box(730, 20, "loudspeaker", "USB sound device", "or I²S amplifier"),
        _box(730, 130, "memory card", "records every flight"),
        _box(730, 220, "other devices", "NMEA 0183 over serial,", "UDP or TCP"),
        _arrow((540, 290), (540, 199), "teal"),
        _arrow((640, 125), (728, 65), "amber"),
        _arrow((640, 150), (728, 156), "soft"),
        _arrow((640, 175), (728, 250), "soft"),
        _text(20, 372, "static line: barometer and − side of the airspeed sensor", "quiet"),
        _text(20, 394, "pitot line: + side of the airspeed sensor", "quiet"),
    ]
    for row, (name, connection, need) in enumerate(sensors):
        y = 20.0 + 80 * row
        drawn += [
            _box(150, y, name, connection),
            _text(142, y + 32, need, "quiet", "end"),
            _arrow((350, y + 27), (438, 122 + 20 * row), "violet"),
        ]
    return _picture("The parts and how they are connected", 950, 412, *drawn)


PICTURES = {
    "parts.svg": parts,
    "total-energy.svg": total_energy,
    "netto.svg": airmass,
    "wind.svg": wind,
    "circle.svg": circle,
}


def main() -> None:
    """Write every picture into the folder of this file."""
    for name, draw in PICTURES.items():
        (Path(__file__).parent / name).write_text(draw(), encoding="utf-8")


if __name__ == "__main__":
    main()
