"""Every named fault, by name."""

from __future__ import annotations

from wirevow.emu.faults.behaviour import behaviour
from wirevow.emu.faults.boots import boots
from wirevow.emu.faults.course import course
from wirevow.emu.faults.extras import extras
from wirevow.emu.faults.fault import Fault
from wirevow.emu.faults.lines import lines
from wirevow.emu.faults.notices import notices
from wirevow.emu.faults.numbers import numbers
from wirevow.emu.faults.physics import physics
from wirevow.emu.faults.refusals import refusals
from wirevow.emu.faults.sessions import sessions
from wirevow.emu.faults.stores import stores
from wirevow.emu.faults.timing import timing
from wirevow.emu.faults.trips import trips

KINDS = (
    lines,
    numbers,
    refusals,
    sessions,
    notices,
    boots,
    behaviour,
    trips,
    physics,
    timing,
    course,
    stores,
    extras,
)

FAULTS: dict[str, Fault] = {fault.name: fault for kind in KINDS for fault in kind.faults}
