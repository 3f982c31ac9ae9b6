"""The table of the sensors at the end of a live run."""

from __future__ import annotations

from rich.table import Table

from vario.app.live.status import Status


def table(status: Status, since_s: float) -> Table:
    """All sensors with their counts, since `since_s`."""
    out = Table(title="Sensors")
    for heading in ("sensor", "state", "per s", "faults", "overruns"):
        out.add_column(heading, justify="left" if heading in ("sensor", "state", "faults") else "right")
    span_s = max(status.t_s - since_s, 1e-9)
    for sensor in status.sensors:
        faults = ", ".join(f"{kind} {count}" for kind, count in sensor.faults.items()) or "none"
        out.add_row(
            sensor.name,
            sensor.state.value,
            f"{sensor.readings / span_s:.1f}",
            faults,
            str(sensor.overruns),
        )
    return out
