"""The instrument live: chips in, sound and recording out.

Where things are: `fitting` from settings to sensors; `faults` a sensor that may fail and come back;
`scheduler` whose turn it is; `loop` samples to sound and recorder, with the heartbeat; `recorder` the
files on the card; `side` what may wait for the card (changed settings, marks); `speaker` a sound device that
may be missing; `ending` signals and the end; `teller` what is written to the terminal; `notify` the service
manager's watchdog; `status` what is shown; `run` the command.
"""
