"""Every named fault, by name."""

from __future__ import annotations

from emu.faults.behaviour import behaviour
from emu.faults.boots import boots
from emu.faults.course import course
from emu.faults.fault import Fault
from emu.faults.lines import lines
from emu.faults.notices import notices
from emu.faults.numbers import numbers
from emu.faults.physics import physics
from emu.faults.refusals import refusals
from emu.faults.sessions import sessions
from emu.faults.timing import timing
from emu.faults.trips import trips

KINDS = (lines, numbers, refusals, sessions, notices, boots, behaviour, trips, physics, timing, course)

FAULTS: dict[str, Fault] = {fault.name: fault for kind in KINDS for fault in kind.faults}
