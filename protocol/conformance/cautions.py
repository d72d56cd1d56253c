"""The cautions, for the command line, reports and manuals: each by name, and which stand together.

| together         | shown before                                                                          |
|------------------|---------------------------------------------------------------------------------------|
| `DRY_CHECK`      | a check of a real instrument that changes something and energises nothing             |
| `WITHIN_ENVELOPE`| a check that energises within an envelope, which tries the link watchdog first        |
| `AT_WORK`        | a job, or a person at the console, that lets a real instrument handle power           |
| `USUAL`          | the part that holds for whatever handles power                                        |
"""

from __future__ import annotations


def _one_line(text: str) -> str:
    return " ".join(text.split())


POWER = _one_line("""
    This will let the instrument handle power, from the source that is connected to it. A fault in its
    firmware or its hardware can then do harm; this program lessens that risk, and cannot remove it.
""")
STAY = _one_line("""
    Stay with it, with your hand at a switch or a plug that cuts the source. A fuse, and a source that
    limits its own current, protect even when everything else fails.
""")
BATTERIES = _one_line("""
    Batteries: a cell that is discharged too far, or gives more current than it is made for, can vent, burn
    or explode. Two terminals cannot see a weak cell in a pack: measure each cell before and after. Do as
    the cell's maker says, keep away what can burn, and never use a swollen or damaged cell.
""")
HEAT = _one_line("""
    Heat: heatsink, leads and terminals can burn skin and melt insulation. Keep the airflow free, and use
    wires and connectors that are made for the current.
""")
VOLTAGE = _one_line("""
    Above 25 V alternating or 60 V direct current (extra-low voltage, IEC 60364-4-41), and with anything
    that is wired to the mains, let someone trained for it do the work.
""")
"""The two voltages are from memory."""
WATCHDOG_TRIED = _one_line("""
    If this program is killed, a cable is pulled, or the computer sleeps or loses power, only the instrument's
    own link watchdog stops it. That is tried before anything else is energised, at the lowest level; it can
    still fail later.
""")
WATCHDOG_UNTRIED = _one_line("""
    If this program is killed, a cable is pulled, or the computer sleeps or loses power, only the instrument's
    own link watchdog stops it, if it has one, and only if that works: it is not tried here.
""")
CODES = _one_line("""
    Where local codes, the rules of your workplace or a licensed practitioner say otherwise, do as they say.
""")
POLARITY = _one_line("""
    Measure the polarity with a meter before you connect anything. Use leads, terminals and a fuse made for
    the current, and keep a switch within reach that disconnects the source without any software.
""")
ON_TRIAL = _one_line("""
    Nothing is meant to be energised, but the instrument's firmware is what is on trial: disconnect the
    source, above all a battery, and stay with it.
""")
PUT_BACK = _one_line("""
    What is changed is read first and put back at the end, but not after this program is killed, the cable
    is pulled or the instrument stops answering: write down its calibration, and whatever else it keeps.
""")

USUAL = (STAY, BATTERIES, HEAT, VOLTAGE)
WITHIN_ENVELOPE = (POWER, *USUAL, WATCHDOG_TRIED, CODES)
AT_WORK = (POWER, *USUAL, WATCHDOG_UNTRIED, CODES, POLARITY)
DRY_CHECK = (ON_TRIAL, PUT_BACK, CODES)
