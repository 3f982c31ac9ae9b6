"""Expectations for faults of the two pressure sensors."""

from __future__ import annotations

from tests.campaigns.faults.cells import BIAS, LATE, MISSING, NOISE, SPIKES
from tests.campaigns.faults.expected import GONE, HARMLESS, TWICE_WHY, USUAL_MPS, Expected, Row

PRESSURE_ROWS = (
    # --- barometer ---
    Row(
        "barometer",
        (MISSING, *GONE),
        Expected(
            1.0,
            "Only the static pressure measures height, and the vario depends on it. Inertia alone "
            "drifts by metres a second within a minute. So the tone is silent, after a cue, until the "
            "barometer is back. A frozen sensor is detected because its readings are equal to the "
            "last digit; a reading at the end of the range or a wrong clock is detected by its jump.",
            says="no_baro",
            silent=True,
        ),
    ),
    Row(
        "barometer",
        (SPIKES,),
        Expected(USUAL_MPS, "No glider moves by 27 m between two readings: they are rejected."),
    ),
    Row(
        "barometer",
        (BIAS,),
        Expected(
            1.5,
            "50 Pa are a sudden change of 4.6 m, which a gust can also cause. The inertial sensor "
            "shows that the glider did not move, so the change is accepted over some seconds: an "
            "error, but no climb.",
        ),
    ),
    Row(
        "barometer",
        (NOISE,),
        Expected(
            1.0,
            "A noise of 1.4 m instead of 0.14 m still gives a height; between the readings the vario "
            "follows from inertia. The comparison with the inertial unit may doubt the barometer; a doubt "
            "lasts until the readings have agreed for 20 s.",
            back_s=25.0,
        ),
    ),
    Row(
        "barometer",
        (LATE,),
        Expected(
            1.0,
            "The reading is half a second old and has its true time, so it is compared with the height at "
            "that time.",
        ),
    ),
    Row("barometer", HARMLESS, Expected(USUAL_MPS, TWICE_WHY)),
    # --- pitot ---
    Row(
        "pitot",
        (MISSING,),
        Expected(
            None,
            "No other sensor measures airspeed, and the filters do not start without it. Only the "
            "climb rate remains: a pull-up reads as lift, so no bound is possible. `quality` reports "
            "this all the time.",
            says="no_airspeed",
            tone_kept=False,
        ),
    ),
    Row(
        "pitot",
        GONE,
        Expected(
            1.2,
            "For half a minute the total energy follows from inertia and the lift curve. After that "
            "the vario is the climb rate, and `quality` reports this. No airspeed is shown meanwhile.",
            says="no_airspeed",
        ),
    ),
    Row(
        "pitot",
        (SPIKES,),
        Expected(USUAL_MPS, "The airspeed cannot change by 8 m/s between two readings: they are rejected."),
    ),
    Row(
        "pitot",
        (BIAS,),
        Expected(
            1.5,
            "100 Pa are 3 m/s, which is 8 m of energy height. This could be a gust, so it is added "
            "within gust_rejection_time (half a minute). Airspeed and speed to fly are wrong; only "
            "GNSS can show this, after minutes.",
        ),
    ),
    Row(
        "pitot",
        (NOISE,),
        Expected(1.0, "Eight pascal are 0.25 m/s; between the readings the vario follows from inertia."),
    ),
    Row(
        "pitot",
        (LATE,),
        Expected(
            USUAL_MPS,
            "The reading is half a second old and has its true time, so it is compared with the speed at "
            "that time.",
        ),
    ),
    Row("pitot", HARMLESS, Expected(USUAL_MPS, TWICE_WHY)),
)
