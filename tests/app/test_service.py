"""The service: its unit, and its messages to the service manager."""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED
from tests.support import missing
from vario.app.errors import AppError
from vario.app.live.command import LAST_OUTPUT_S
from vario.app.live.ending import LONGEST_S
from vario.app.live.notify import Notifier
from vario.app.live.service import WATCHDOG_S, add_parser, unit_text
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

SETTINGS = parse_settings('[recorder]\nfolder = "/data/my flights"\n', "settings").settings


def unit(
    user: str = "vario",
    config: Path = Path("/data/vario.toml"),
    python: Path = Path("/usr"),
    settings: Settings = SETTINGS,
) -> str:
    return unit_text(settings, config, Path("/opt/vario/bin/vario"), user, python)


def service_of(text: str) -> dict[str, list[str]]:
    """The section [Service]; a key may stand there more than once (systemd.syntax(7))."""
    found: dict[str, list[str]] = {}
    for line in text.partition("[Service]\n")[2].partition("[Install]")[0].splitlines():
        if line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def test_the_unit_says_what_it_must() -> None:
    service = service_of(unit())
    assert service["ExecStart"] == ["/opt/vario/bin/vario run --config /data/vario.toml --marks /data/marks"]
    assert service["Type"] == ["notify"]
    assert service["Restart"] == ["always"]
    assert service["WatchdogSec"] == [str(WATCHDOG_S)]
    assert service["CPUSchedulingPolicy"][0] in {"rr", "fifo"}
    assert service["ProtectSystem"] == ["strict"]
    assert service["ReadWritePaths"] == ['-"/data/my flights"']
    # Longer than the end of a run (vario/app/live/ending.py), so that it is not killed before.
    assert int(service["TimeoutStopSec"][0]) > LONGEST_S + LAST_OUTPUT_S


def test_the_service_may_use_the_devices_that_the_instrument_needs() -> None:
    service = service_of(unit())
    assert service["SupplementaryGroups"] == ["i2c dialout audio"]
    assert service["CapabilityBoundingSet"] == [""]
    # Linux, admin-guide/devices.txt: I2C 89, ttyS 4, ttyAMA 204, ttyACM 166, ttyUSB 188, ALSA 116.
    allowed = {int(value.split()[0].removeprefix("char-")) for value in service["DeviceAllow"]}
    assert allowed == {89, 4, 204, 166, 188, 116}
    assert set(service["RestrictAddressFamilies"][0].split()) == {"AF_UNIX", "AF_INET", "AF_INET6"}
    for closed_to_it in ("PrivateDevices", "PrivateUsers", "PrivateNetwork", "RestrictRealtime"):
        assert closed_to_it not in service


def test_knobs_open_their_devices_and_the_settings_file_and_nothing_without_them() -> None:
    text = '[controls.knob_1]\npin_a = 17\npin_b = 27\n[controls.usb_knob]\ndevice = "/dev/input/event0"\n'
    with_knobs = unit(settings=parse_settings(text, "x").settings)
    assert "SupplementaryGroups=i2c dialout audio gpio input\n" in with_knobs
    assert "DeviceAllow=char-gpiochip rw\nDeviceAllow=char-13 rw\n" in with_knobs
    assert "ReadWritePaths=-/data\n" in with_knobs
    assert "gpio" not in unit()
    assert "ReadWritePaths=-/data\n" not in unit()


def test_home_is_hidden_unless_something_of_ours_is_there() -> None:
    assert service_of(unit())["ProtectHome"] == ["yes"]
    assert service_of(unit(config=Path("/home/ada/vario.toml")))["ProtectHome"] == ["read-only"]
    assert service_of(unit(python=Path("/root/python")))["ProtectHome"] == ["read-only"]
    glider = (Path(__file__).parents[2] / "config/gliders/quendel_2.toml").read_text(encoding="utf-8")
    for text in (
        'glider = "/home/ada/g.toml"',
        '[page]\naddress = "10.0.0.1:80"\npassphrase_file = "/root/p"',
        '[voice]\nfolder = "/home/ada/words"',
    ):
        settings = parse_settings(text + "\n", "settings", glider).settings
        made = unit_text(settings, Path("/data/vario.toml"), Path("/opt/vario/bin/vario"), "vario")
        assert service_of(made)["ProtectHome"] == ["read-only"], text


def test_a_relative_folder_of_the_recorder_is_beside_the_settings() -> None:
    settings = parse_settings('[recorder]\nfolder = "flights"\n', "settings").settings
    assert service_of(unit(settings=settings))["ReadWritePaths"] == ["-/data/flights"]


def test_the_settings_may_be_changed_by_the_page_only_with_a_passphrase() -> None:
    page = '[page]\naddress = "192.168.4.1:8080"\n'
    for text, writable in ((page, []), (page + 'passphrase_file = "secret"\n', ["-/data"])):
        settings = parse_settings(text, "settings").settings
        assert service_of(unit(settings=settings)).get("ReadWritePaths", []) == writable


def analyzed(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    program = tmp_path / "vario"
    program.write_text("#!/bin/sh\n", encoding="ascii")
    program.chmod(0o755)
    path = tmp_path / "vario.service"
    path.write_text(unit_text(SETTINGS, Path("/data/vario.toml"), program, "daemon"), encoding="utf-8")
    return subprocess.run(  # noqa: S603  (a tool of the system)
        [str(shutil.which("systemd-analyze")), *words, str(path)],
        capture_output=True,
        text=True,
        check=False,
    )


needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason=missing.SYSTEMD)


@needs_systemd
def test_the_service_manager_itself_finds_nothing_wrong(tmp_path: Path) -> None:
    done = analyzed(tmp_path, "verify")
    assert "vario.service:" not in done.stderr + done.stdout


@needs_systemd
def test_the_service_manager_rates_its_exposure_at_3_or_less(tmp_path: Path) -> None:
    """systemd-analyze(1), security: exit code 1 if the exposure is above the threshold, in tenths."""
    done = analyzed(tmp_path, "security", "--offline=true", "--no-pager", "--threshold=30")
    assert "Overall exposure level" in done.stdout
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("user", ["vario\nExecStartPre=/bin/true", "vario\n", "", "a b", "-x", "%u", "ünder"])
def test_a_user_that_would_break_the_unit_is_refused(user: str) -> None:
    with pytest.raises(AppError, match="expected the name of a user"):
        unit(user)


@pytest.mark.parametrize("path", ["/data/it's.toml", '/data/"a".toml', "/data/$HOME.toml", "/data/a\nb.toml"])
def test_a_path_that_would_break_the_unit_is_refused(path: str) -> None:
    with pytest.raises(AppError, match="rename it"):
        unit(config=Path(path))


def install(*words: str) -> int:
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["install-service", *words])
    return int(arguments.command(arguments))


def test_it_is_shown_and_written_only_when_agreed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if shutil.which("vario") is None and not (Path(sys.executable).parent / "vario").exists():
        pytest.skip(missing.INSTALLED)
    config = tmp_path / "my.toml"
    config.write_text("", encoding="utf-8")
    target = tmp_path / "vario.service"
    words = ("--config", str(config), "--unit", str(target))
    with pytest.raises(AppError, match="no terminal to ask; use --yes to write without asking"):
        install(*words)
    assert not target.exists()
    assert "[Service]" in capsys.readouterr().out
    target.write_text("# by hand\n", encoding="utf-8")
    assert install(*words, "--yes") == 0
    assert service_of(target.read_text(encoding="utf-8"))["ExecStart"][0].endswith(f"{tmp_path}/marks")
    assert (tmp_path / "vario.service.1").read_text(encoding="utf-8") == "# by hand\n"
    # Each update writes the unit again; its own former text is not kept.
    assert install(*words, "--yes") == 0
    assert sorted(path.name for path in tmp_path.glob("vario.service*")) == [
        "vario.service",
        "vario.service.1",
    ]


@pytest.mark.parametrize("abstract", [False, True], ids=["path", "abstract"])
def test_messages_are_those_of_sd_notify(tmp_path: Path, abstract: bool) -> None:
    """sd_notify(3): a datagram of lines NAME=VALUE to $NOTIFY_SOCKET; a leading @ is a zero byte."""
    name = f"@vario-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name[1:] if abstract else name)
        notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "3000000"})
        assert notifier.alive_every_s == 1.5
        notifier.ready()
        notifier.alive("cruise | vario +1.2 m/s")
        notifier.stopping()
        heard = [manager.recv(4096).decode() for _ in range(3)]
        notifier.close()
    assert heard == ["READY=1", "WATCHDOG=1\nSTATUS=cruise | vario +1.2 m/s", "STOPPING=1"]


def test_without_a_manager_nothing_is_sent_and_nothing_fails(tmp_path: Path) -> None:
    for environment in ({}, {"NOTIFY_SOCKET": str(tmp_path / "nobody")}):
        notifier = Notifier(environment)
        notifier.ready()
        notifier.alive("fine")
        notifier.close()
        assert notifier.alive_every_s is None
    assert Notifier({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}).alive_every_s is None


def test_a_run_tells_the_manager_records_and_ends_when_told(tmp_path: Path) -> None:
    """The complete command of the service, on fake chips, until SIGTERM."""
    config = tmp_path / "my.toml"
    config.write_text(f'[recorder]\nfolder = "{tmp_path / "flights"}"\n', encoding="utf-8")
    name = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name)
        manager.settimeout(60.0)
        words = ["run", "--config", str(config), "--silent", "--emulate", str(BUNDLED)]
        process = subprocess.Popen(  # noqa: S603  (our own program)
            [sys.executable, "-m", "vario.app.cli", *words],
            cwd=Path(__file__).parents[2],
            env={**os.environ, "NOTIFY_SOCKET": name, "WATCHDOG_USEC": "2000000"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            assert manager.recv(4096) == b"READY=1"
            alive = [manager.recv(4096).decode() for _ in range(4)]
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=60.0)
        finally:
            process.kill()
            process.wait()
    assert process.returncode == 0, said
    assert all(message.startswith("WATCHDOG=1\nSTATUS=") for message in alive)
    assert "recording 00001.mcap" in alive[-1]
    (path,) = (tmp_path / "flights").iterdir()
    recording = Recording(path)
    assert {type(sample).__name__ for sample in recording} >= {
        "Baro",
        "Pitot",
        "ImuAccel",
        "ImuGyro",
        "Supply",
    }
    assert recording.warnings() == []  # closed properly
    assert "not a primary instrument" in said
