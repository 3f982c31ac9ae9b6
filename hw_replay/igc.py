"""FAI/IGC flight files as samples.

`t_s` counts from 00:00 UTC of the first day of the file and continues past midnight. The values of the
recorder are converted into readings of its sensors: pressure altitude into static pressure, airspeed into
impact pressure. A fix that is not three-dimensional gives no position, but its pressure altitude is used.
"""

from __future__ import annotations

import math
import os
from codecs import BOM_UTF8
from collections.abc import Iterator, Mapping
from dataclasses import replace

from drivers import isa
from drivers.samples import GnssPos, Reference, Sample
from hw_replay.derived_velocity import DERIVED, velocity_between
from hw_replay.files import LINE_LIMIT, Lines
from hw_replay.igc_clock import FixClock
from hw_replay.igc_records import BRecord, Extensions, parse_date, parse_fix, parse_k_time
from hw_replay.igc_survey import survey
from hw_replay.importer import Importer
from hw_replay.messages import RejectedValueError
from hw_replay.ordering import in_order
from hw_replay.source import GNSS_BARO, RecordingInfo, SensorInfo
from hw_replay.text import one_line, title_of

LONGEST_STEP_S = (3.0, 12.0)
"""Velocity is derived from two positions at most this far apart: the first for a file with a fix every
second, the second for sparse files. Between them it is `STEPS` times the longest usual step of the file."""
STEPS = 3.0
OAT_HOLD_S = 120.0
"""A temperature is used for later airspeeds for this long."""

RECORDER_BARO_PA = 3.5  # whole metres: 1/sqrt(12) m, near sea level 12 Pa/m
RECORDER_PITOT_PA = 3.0  # from experience with such files, no source

REFERENCES = {"VAT": "vat_mps", "VAR": "var_mps", "NET": "net_mps"}


class IgcFile(Importer):
    """A FAI/IGC flight file as a `Source`.

    Args:
        path: the file, plain or gzip.

    Raises:
        RecordingError: if it cannot be opened.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, "line")
        self._lines = Lines(self._path)
        self._survey = survey(self._text_lines())
        self._extensions = self._survey.usable(self._survey.extensions)
        self._k_extensions = self._survey.usable(self._survey.k_extensions)
        self._derives_velocity = not {"GSP", "TRT"} <= self._extensions.keys()
        dense_s, sparse_s = LONGEST_STEP_S
        self._longest_step_s = min(max(dense_s, STEPS * (self._survey.longest_step_s or 0.0)), sparse_s)
        self.duration_s = self._survey.duration_s
        self._info = self._describe()
        self._begin()

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        return [*self._survey.notes, *super().warnings(), *self._lines.warnings()]

    def _begin(self) -> None:
        super()._begin()
        self._air_k: float | None = None
        self._air_at_s = -math.inf
        self._static_pa: float | None = None

    def _samples(self) -> Iterator[Sample]:
        # The time of a derived velocity is half a step earlier, before the samples between its two positions.
        return in_order(self._timed(), self._longest_step_s / 2)

    def _timed(self) -> Iterator[Sample]:
        before: tuple[float, BRecord] | None = None
        for t_s, number, line, fix in self._timed_lines():
            if fix is None:
                yield from self._values(t_s, number, line, self._k_extensions)
                continue
            position = self._position(t_s, number, fix)
            if position is not None and self._derives_velocity:
                if before is not None and t_s - before[0] <= self._longest_step_s:
                    yield from self._derived_velocity(number, before, (t_s, fix))
                before = (t_s, fix)
            altitude_m = self._baro_altitude_m(fix)
            if altitude_m is not None:
                static_pa = isa.pressure_pa(altitude_m)
                for sample in self._checked("baro", t_s, number, {"static_pa": static_pa}):
                    self._static_pa = static_pa
                    yield sample
            if position is not None:
                yield position
            yield from self._values(t_s, number, line, self._extensions, moving=position is not None)

    def _baro_altitude_m(self, fix: BRecord) -> int | None:
        """The pressure altitude; in a file without it, the GNSS altitude."""
        if self._survey.has_pressure:
            return fix.pressure_altitude_m
        return fix.gnss_altitude_m if self._survey.has_gnss_altitude and fix.has_position else None

    def _describe(self) -> RecordingInfo:
        found = self._survey
        rate_hz = 1.0 / found.step_s if found.step_s else None
        codes = {*self._extensions, *self._k_extensions}
        sensors = {"gnss_pos": SensorInfo("GNSS of the flight recorder", rate_hz)}
        if found.has_pressure:
            sensors["baro"] = SensorInfo("pressure altitude in whole metres", rate_hz, RECORDER_BARO_PA)
        elif found.has_gnss_altitude:
            sensors["baro"] = replace(GNSS_BARO, rate_hz=rate_hz)
        if codes & {"TAS", "IAS"}:
            code = "TAS" if "TAS" in codes else "IAS"
            sensors["pitot"] = SensorInfo(f"from logged {code}", rate_hz, RECORDER_PITOT_PA)
        if self._derives_velocity:
            sensors["gnss_vel"] = replace(DERIVED, rate_hz=rate_hz)
        else:
            sensors["gnss_vel"] = SensorInfo("from logged ground speed and track", rate_hz)
        date = found.date.strftime("%Y-%m-%d") if found.date else ""
        title = one_line(f"{found.glider or ''} {date}".strip())
        return RecordingInfo(
            title=title or title_of(self._path),
            origin="imported from FAI/IGC",
            start_utc=found.date,
            sensors=sensors,
            longest_step_s=found.longest_step_s,
            glider_type=found.glider and one_line(found.glider),
        )

    def _timed_lines(self) -> Iterator[tuple[float, int, str, BRecord | None]]:
        """B and K records with their times; a K record comes without a fix."""
        clock: FixClock[tuple[int, str, BRecord]] = FixClock()
        for number, line in self._text_lines():
            try:
                if line[0] == "B":
                    fix = parse_fix(line, self._survey.extensions)
                    accepted, refused = clock.take(fix.second_of_day, (number, line, fix))
                    yield from ((t_s, *item) for t_s, item in accepted)
                    for reason, (place, _, _) in refused:
                        self._rejects.add(reason, place)
                elif line[0] == "K" and self._k_extensions:
                    yield clock.time_of(parse_k_time(line)), number, line, None
                elif line[0] == "H":
                    clock.date(parse_date(line))
            except RejectedValueError as error:
                self._rejects.add(str(error), number)
        accepted, refused = clock.finish()
        yield from ((t_s, *item) for t_s, item in accepted)
        for reason, (place, _, _) in refused:
            self._rejects.add(reason, place)

    def _text_lines(self) -> Iterator[tuple[int, str]]:
        for number, line in self._lines:
            if line is None:
                self._rejects.add(f"line longer than {LINE_LIMIT} characters", number)
                continue
            text = line.removeprefix(BOM_UTF8).decode("latin-1").strip(" \t\x00\x1a")
            if text and text[0] in "ABCDEFGHIJKL":
                yield number, text
            elif text:
                self._rejects.add("no record of the standard", number)

    def _position(self, t_s: float, number: int, fix: BRecord) -> Sample | None:
        if not fix.has_position:
            return None
        if fix.lat_deg == fix.lon_deg == 0.0:
            self._rejects.add("position 0° N 0° E in a fix called valid", number)
            return None
        height_m = float(fix.gnss_altitude_m)
        values = {"lat_deg": fix.lat_deg, "lon_deg": fix.lon_deg, "altitude_m": height_m}
        return next(self._checked("gnss_pos", t_s, number, values), None)

    def _values(
        self, t_s: float, number: int, line: str, extensions: Extensions, moving: bool = False
    ) -> Iterator[Sample]:
        """Samples from the extensions of one line."""
        values: dict[str, float] = {}
        for code, extension in extensions.items():
            try:
                value = extension.value(line)
            except RejectedValueError as reason:
                self._rejects.add(str(reason), number)
                continue
            if value is not None:
                values[code] = value
        if "OAT" in values:
            air_k = values["OAT"] + isa.CELSIUS_ZERO_K
            for sample in self._checked("oat", t_s, number, {"air_k": air_k}):
                self._air_k, self._air_at_s = air_k, t_s
                yield sample
        impact_pa = self._impact_pa(t_s, values)
        if impact_pa is not None:
            yield from self._checked("pitot", t_s, number, {"impact_pa": impact_pa})
        if moving and not self._derives_velocity and "GSP" in values and "TRT" in values:
            speed, track = values["GSP"], math.radians(values["TRT"])
            velocity = {"north_mps": speed * math.cos(track), "east_mps": speed * math.sin(track)}
            yield from self._checked("gnss_vel", t_s, number, velocity)
        if "ACZ" in values:
            yield from self._checked("load_factor", t_s, number, {"load": values["ACZ"]})
        yield from _wind(t_s, values)
        for code, name in REFERENCES.items():
            if code in values:
                yield Reference(t_s, name, values[code])

    def _impact_pa(self, t_s: float, values: Mapping[str, float]) -> float | None:
        """The impact pressure from a true airspeed, otherwise from an indicated one."""
        if "TAS" in values and self._static_pa is not None:
            air_k = self._air_k if t_s - self._air_at_s <= OAT_HOLD_S else None
            if air_k is None:
                air_k = isa.temperature_k(isa.altitude_m(self._static_pa))
            return isa.impact_of_tas_pa(values["TAS"], self._static_pa, air_k)
        return isa.impact_pa(values["IAS"]) if "IAS" in values else None

    def _derived_velocity(
        self, number: int, before: tuple[float, BRecord], after: tuple[float, BRecord]
    ) -> Iterator[Sample]:
        """Velocity between two positions, timed half-way between them."""
        one, other = (
            GnssPos(t_s, fix.lat_deg, fix.lon_deg, float(fix.gnss_altitude_m)) for t_s, fix in (before, after)
        )
        t_s, north_mps, east_mps = velocity_between(one, other)
        yield from self._checked("gnss_vel", t_s, number, {"north_mps": north_mps, "east_mps": east_mps})


def _wind(t_s: float, values: Mapping[str, float]) -> Iterator[Reference]:
    """The wind of the recorder as references: its direction, and its components if the speed is given too."""
    if "WDI" not in values:
        return
    from_rad = math.radians(values["WDI"] % 360.0)
    yield Reference(t_s, "wdi_from_rad", from_rad)
    speed_mps = values.get("WSP", values.get("WVE"))
    if speed_mps is not None:
        yield Reference(t_s, "wdi_north_mps", -speed_mps * math.cos(from_rad))
        yield Reference(t_s, "wdi_east_mps", -speed_mps * math.sin(from_rad))
