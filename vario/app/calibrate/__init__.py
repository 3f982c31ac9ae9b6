"""`vario calibrate`: determine sensor errors and the polar of the glider, from recordings or live.

Modules: `readings` gets the samples, from a recording or live; `series` holds them as arrays and finds the
intervals at rest; `outcome` holds the result of a calibration and writes its files; `command` is the command
line, `methods` connects it with the calibrations. Each kind of calibration has a module:
`rest` (pitot zero, gyro bias, barometer), `level` (mounting angles), `positions` (six positions), `turns`
(gyro scale), `leak` (static system), `legs` (airspeed from GNSS), `pull_up` (total energy), `glides` (polar).
"""
