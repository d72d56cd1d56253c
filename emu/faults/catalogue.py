"""Every named fault, by name."""

from __future__ import annotations

from emu.faults.fault import Fault
from emu.faults.lines import lines

KINDS = (lines,)

FAULTS: dict[str, Fault] = {fault.name: fault for kind in KINDS for fault in kind.faults}
