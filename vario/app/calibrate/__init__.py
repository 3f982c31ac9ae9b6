"""`vario calibrate`: what the sensors read wrong, and the glider's polar, from recordings or live.

`series` the recording as arrays, and what is at rest in it; `outcome` what a way finds and the files it
writes; one module a way: `rest` (pitot zero, gyro bias, barometer), `level` (mounting), `positions` (six
positions), `turns` (gyro scale), `leak` (static system), `legs` (airspeed from GNSS), `pull_up` (total
energy), `glides` (polar); `command` the command line.
"""
