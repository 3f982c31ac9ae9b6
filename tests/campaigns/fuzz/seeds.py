"""The seeds of the fuzzer: one or a few small, valid examples for every reader."""

from __future__ import annotations

import gzip
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

from mcap.writer import CompressionType, Writer

from drivers.bus_log import BusLog
from drivers.events import Mark, SettingsChange
from drivers.fakes import FakeBus, FakeClock, FakeReceiver, World, fake
from drivers.gnss import GnssReceiver
from drivers.registry import CHIPS, build
from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Oat, Pitot, Reference, Sample
from drivers.sensor import NEVER_S
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.writer import RecordingWriter

CONFIG = Path(__file__).parents[3] / "config"

SETTINGS = (
    b'[flight]\nmaccready = "2 kt"\nballast = "40 kg"\n[sensors.baro]\nchip = "MS5611"\nrate = "50 Hz"\n'
)

SAMPLES: tuple[Sample, ...] = (
    Baro(1.0, 95_000.0),
    Pitot(1.0, 500.0),
    ImuAccel(1.0, 0.1, -0.2, -9.8),
    ImuGyro(1.0, 0.01, 0.02, -0.03),
    GnssPos(1.0, 50.0, 10.0, 600.0),
    GnssVel(1.0, 20.0, -5.0, None),
    Oat(1.1, 285.0),
    Reference(1.2, "truth_vario_mps", 1.5),
    Mark(1.3, "strong"),
    SettingsChange(3.5, '[flight]\nmaccready = "1 m/s"\n', None),
    Baro(3.6, 94_990.0),
)


def recordings() -> list[bytes]:
    """Our recordings in packed chunks; those of others with another compression, with none, and without
    chunks.
    """
    with TemporaryDirectory() as folder:
        path = Path(folder) / "x.mcap"
        info = RecordingInfo(
            "seed",
            "live",
            sensors={"baro": SensorInfo("MS5611", 50.0, 1.5, 0.0)},
            config_toml="",
        )
        with RecordingWriter(path, info) as writer:
            for sample in SAMPLES:
                writer.write(sample)
        found = [path.read_bytes()]
        for kind, chunks in (
            (CompressionType.NONE, True),
            (CompressionType.LZ4, True),
            (CompressionType.NONE, False),
        ):
            found.append(_foreign(kind, use_chunking=chunks))
        for one in found:
            path.write_bytes(one)
            assert len(list(Recording(path))) >= 8
    return found


def _foreign(compression: CompressionType, *, use_chunking: bool) -> bytes:
    """The same topics from a general writer, without checksums, so that damage reaches the content."""
    stream = BytesIO()
    writer = Writer(stream, compression=compression, use_chunking=use_chunking, enable_crcs=False)
    writer.start(library="other")
    schema = writer.register_schema("x", "jsonschema", b"{}")
    messages = (
        ("/baro", b'{"static_pa":95000.0}'),
        ("/pitot", b'{"impact_pa":500}'),
        ("/imu_accel", b'{"x_mps2":0,"y_mps2":0.1,"z_mps2":-9.8}'),
        ("/gnss_pos", b'{"latitude":50.0,"longitude":10.0,"altitude":600.0}'),
        ("/gnss_vel", b'{"north_mps":1.0,"east_mps":2.0,"down_mps":0.5}'),
        ("/reference/vat_mps", b'{"value":1.0}'),
        ("/event/mark", b'{"text":"here"}'),
        ("/event/settings", b'{"settings_toml":"","glider_toml":null}'),
    )
    for number, (topic, data) in enumerate(messages):
        channel = writer.register_channel(topic, "json", schema)
        writer.add_message(channel, number * 10**8, data, number * 10**8)
    writer.finish()
    return stream.getvalue()


def tables() -> list[bytes]:
    """Long CSV, plain and packed."""
    rows = (
        b"t_s,channel,v1,v2,v3\n0.00,baro,95012.3,,\n0.01,pitot,500.5,,\n0.02,imu_accel,0.12,-0.03,-9.79\n"
        b"0.02,imu_gyro,0.01,0.0,-0.01\n0.10,gnss_pos,50.1,10.2,612\n0.10,gnss_vel,20.0,-3.5,\n"
        b"1.00,oat,15.5,,\n0.50,load_factor,1.1,,\n0.60,ref:truth_vario_mps,1.5,,\n0.70,supply,12.6,,\n"
    )
    return [rows, gzip.compress(rows, mtime=0), b"\xef\xbb\xbf" + rows.replace(b"\n", b"\r\n")]


def igc_files() -> list[bytes]:
    """FAI/IGC files (records as in appendix A of the technical specification)."""
    lines = (
        b"AXXX001\nHFDTEDATE:140625,01\nHFGTYGLIDERTYPE:Quendel 2\nHFALGALTGPS:GEO\nHFALPALTPRESSURE:ISA\n"
        b"I053638FXA3940SIU4143TAS4447OAT4850VAT\nJ010812WDI\n"
        b"B1230005000123N01000123EA0050000550012081000150005\n"
        b"B1230015000130N01000125EA0050200552012081020150006\nK12300112345\n"
        b"B1230025000137N01000127EA0050400554012081040150007\n"
        b"B2359595000144N01000129EA0050600556012081060150008\n"
        b"B0000015000151N01000131EV0050800558012081080150009\nGABCDEF0123456789\n"
    )
    return [
        lines,
        lines.replace(b"I053638FXA3940SIU4143TAS4447OAT4850VAT", b"I023638FXA3941IAS"),
        gzip.compress(lines, mtime=0),
    ]


def sentences() -> list[bytes]:
    """NMEA 0183 as receivers send it (published examples, checksums of the standard)."""
    return [
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
        b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
        b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48\r\n"
        b"$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39\r\n"
        b"$GPGGA,123520,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*4D\r\n"
        b"$GPRMC,123520,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*60\r\n"
    ]


def settings_files() -> list[bytes]:
    """Settings: the bundled file, and a short one."""
    whole = (CONFIG / "vario.toml").read_bytes()
    bare = b"\n".join(line for line in whole.split(b"\n") if line and not line.startswith(b"#"))
    goal = (
        b'[goal]\nlatitude = 50.0\nlongitude = 10.0\nelevation = "400 m"\n'
        b'[nmea]\nto = "udp:127.0.0.1:10110"\n'
    )
    return [SETTINGS, goal, bare]


def gliders() -> list[bytes]:
    """Glider files without their comments."""
    return [
        b"\n".join(line for line in path.read_bytes().split(b"\n") if line and not line.startswith(b"#"))
        for path in sorted((CONFIG / "gliders").glob("*.toml"))
    ]


def scenarios() -> list[bytes]:
    """Scenario files without their comments, and without a glider file."""
    found = []
    for path in sorted((CONFIG / "scenarios").glob("*.toml")):
        lines = [
            line for line in path.read_bytes().split(b"\n") if line and not line.lstrip().startswith(b"#")
        ]
        found.append(b"\n".join(line for line in lines if b"gliders/" not in line))
    return found


def bus_recordings() -> list[bytes]:
    """Bus recordings of a few chips, and of a receiver."""
    found = []
    for chips in (("MS5611", "SDP33"), ("LSM6DSO", "TMP117"), ("BMP390",)):
        lines: list[str] = []
        clock = FakeClock()
        world = World()
        bus = FakeBus(clock)
        log = BusLog(lines.append, clock)
        for chip in chips:
            bus.attach(fake(chip, world, clock))
        sensors = [log.sensor(build(chip, log.bus(bus))) for chip in chips]
        if len(chips) == 1:
            sensors.append(log.sensor(GnssReceiver(log.port(FakeReceiver(world, clock)), 9600)))
        for sensor in sensors:
            sensor.start(clock.now_s)
        while len(lines) < 45:
            due_s = min(sensor.due_s for sensor in sensors)
            assert due_s < NEVER_S
            clock.now_s = max(clock.now_s, due_s)
            for sensor in sensors:
                for sample in sensor.poll(clock.now_s):
                    for other in sensors:
                        other.on_sample(sample)
        found.append("".join(lines).encode())
    return found


def registers(chip: str) -> list[bytes]:
    """The usual answers of a chip: every byte read from its fake, in order."""
    clock = FakeClock()
    heard: list[bytes] = []
    bus = _Listening(clock, heard)
    bus.attach(fake(chip, World(), clock))
    driver = build(chip, bus)
    driver.start(0.0)
    for _ in range(12):
        clock.now_s = max(clock.now_s, driver.due_s)
        driver.poll(clock.now_s)
    return [b"".join(heard)]


class _Listening(FakeBus):
    """A bus that keeps all bytes read."""

    def __init__(self, clock: FakeClock, heard: list[bytes]) -> None:
        super().__init__(clock)
        self._heard = heard

    def read(self, address: int, length: int) -> bytes:
        self._heard.append(super().read(address, length))
        return self._heard[-1]

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        self._heard.append(super().write_read(address, data, length))
        return self._heard[-1]


CHIP_NAMES = tuple(CHIPS)
