"""`vario check`: is everything wired, healthy and as the settings say; and if not, what to do next.

`findings` what a check says; `wiring` who is on the buses; `sensing` what the sensors give, against their
datasheets and against sense; `house` sound and card; `command` the table and the exit code.
"""
