"""`vario check`: test wiring, sensors, card and sound against the settings, and advise on each fault.

Modules: `board` checks the computer; `findings` is the result of a check; `wiring` compares the buses with
the settings; `sensing` compares the sensor data with datasheets and plausible values; `system` tests sound
and card; `cockpit` checks knobs, recorded words and the live page; `setup` checks glider file and
calibrations; `command` prints the table and gives the exit code.
"""
