"""Expectations for faults of all sensors but those of pressure, and of everything at once."""

from __future__ import annotations

import math

from tests.campaigns.faults.cells import (
    AHEAD,
    BACK,
    BIAS,
    FAULTS,
    FROZEN,
    LATE,
    LOST,
    MISSING,
    NAN,
    NOISE,
    SPIKES,
    STOP,
)
from tests.campaigns.faults.expected import GONE, HARMLESS, TWICE_WHY, USUAL_MPS, WHOLE_MPS, Expected, Row

OTHER_ROWS = (
    # --- inertial ---
    Row(
        "inertial",
        (MISSING, LATE, *GONE),
        Expected(
            3.0,
            "The pressures still give total energy, but a horizontal gust reads as lift for a moment: "
            "a gust of 1 m/s within a second is 3 m/s of vario (V/g). Late inertial "
            "readings are worse than none, because all other sensors are compared with them; they are "
            "rejected.",
            says="no_imu",
        ),
    ),
    Row(
        "inertial",
        (SPIKES,),
        Expected(
            USUAL_MPS,
            "No glider turns by 2 rad/s or accelerates by 2 g for only a fiftieth of a second: rejected.",
        ),
    ),
    Row(
        "inertial",
        (BIAS,),
        Expected(
            3.2,
            "An error of 0.5 m/s² forward looks like a tow: V a/g is 1.5 m/s of energy. An error of 2 "
            "deg/s tilts the horizon by 2 deg each second, which adds 1 m/s each second. After 3 s "
            "barometer and GNSS contradict the unit. `imu_off` then lasts until the unit has been "
            "consistent for 20 s or more. In the circle the biases that the filter learned from the fault "
            "have to be discarded first: there the unit was used again 50 s after the fault, and the flight "
            "of the table ends before.",
            says="imu_off",
            within_s=5.0,
            back_s=math.inf,
        ),
    ),
    Row(
        "inertial",
        (NOISE,),
        Expected(
            3.0,
            "Noise of 0.5 m/s² is V a/g = 1.5 m/s of energy from one reading to the next, like a vibration "
            "that the sampling cannot show. At this limit the unit is rejected, and the vario is as without "
            "it. `imu_off` lasts until the unit has been consistent for 20 s or more.",
            back_s=math.inf,
        ),
    ),
    Row("inertial", HARMLESS, Expected(USUAL_MPS, TWICE_WHY)),
    # --- GNSS ---
    Row(
        "GNSS",
        (MISSING,),
        Expected(
            WHOLE_MPS,
            "The vario needs no GNSS. Wind, track and glide are not known without it.",
            says="no_gnss",
            within_s=4.0,
        ),
    ),
    Row(
        "GNSS",
        GONE,
        Expected(
            USUAL_MPS,
            "The vario needs no GNSS. In flight no fix equals the one before to the last digit: eight equal "
            "fixes mean a frozen receiver.",
            says="no_gnss",
            within_s=4.0,
        ),
    ),
    Row(
        "GNSS", (SPIKES,), Expected(USUAL_MPS, "The vario needs no GNSS; jumps of the velocity are rejected.")
    ),
    Row(
        "GNSS",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "The vario needs no GNSS. An error of 5 m/s of the velocity is an error of 5 m/s of the "
            "wind. In straight flight no sensor distinguishes the two, so the wind is wrong and "
            "nothing reports it. A circle would show it.",
        ),
    ),
    Row("GNSS", (NOISE, LATE, *HARMLESS), Expected(USUAL_MPS, "The vario needs no GNSS.")),
    # --- outside temperature ---
    Row(
        "temperature",
        (MISSING,),
        Expected(
            2.0,
            "The temperature of the standard atmosphere is used, here 5 K too cold: 0.9 % of "
            "airspeed, 1.8 % of height. In the first minute the error of the vario is larger than it "
            "should be, see below.",
        ),
        ("cruise",),
    ),
    Row(
        "temperature",
        (MISSING,),
        Expected(
            1.2, "The temperature of the standard atmosphere is used, here 5 K too cold: 0.9 % of airspeed."
        ),
        ("circling", "launch"),
    ),
    Row(
        "temperature",
        (LOST, FROZEN, SPIKES, NAN, STOP, LATE, AHEAD, BACK),
        Expected(
            USUAL_MPS, "The last temperature is used for minutes; a jump of 5 K is rejected for a minute."
        ),
    ),
    Row(
        "temperature",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "Like any jump it is rejected for a minute. A lasting one is then accepted: 10 K are 1.7 "
            "% of the airspeed.",
        ),
    ),
    Row("temperature", (NOISE,), Expected(USUAL_MPS, "1 K is 0.2 % of the airspeed.")),
    Row("temperature", HARMLESS, Expected(USUAL_MPS, TWICE_WHY)),
    # --- supply ---
    Row(
        "supply",
        (MISSING,),
        Expected(WHOLE_MPS, "Only the battery warning uses the voltage."),
    ),
    Row(
        "supply",
        tuple(fault for fault in FAULTS if fault not in {MISSING, BIAS, FROZEN}),
        Expected(
            USUAL_MPS,
            "Only the battery warning uses the voltage, and it needs ten seconds below the limit.",
        ),
    ),
    Row(
        "supply",
        (FROZEN,),
        Expected(USUAL_MPS, "A frozen good voltage hides an empty battery; no other sensor shows this."),
    ),
    Row(
        "supply",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "A voltage that reads 1.5 V too low looks like an empty battery, so the warning sounds.",
            low_battery=True,
        ),
    ),
    # --- everything at once ---
    Row(
        "everything",
        (LOST,),
        Expected(1.0, "Nothing is known: the tone is silent at once.", says="no_baro", silent=True),
    ),
    Row(
        "everything",
        (LATE,),
        Expected(
            1.0, "The instrument cannot detect that all sensors are late; the vario is late by the same time."
        ),
    ),
    Row("everything", HARMLESS, Expected(USUAL_MPS, TWICE_WHY)),
    Row(
        "everything",
        (AHEAD, BACK),
        Expected(
            2.0,
            "The motion between the two times is not known. All stages are reset, as after switching "
            "on in the air, and settle within seconds.",
        ),
        ("cruise", "circling"),
    ),
    Row(
        "everything",
        (AHEAD, BACK),
        Expected(
            2.5,
            "The same. On tow the incidence is not known, and the rope changes the forces: the vario can "
            "read 1.5 m/s too high for ten seconds, like an instrument that is restarted there.",
            tone_kept=False,
            back_s=20.0,
        ),
        ("launch",),
    ),
)
