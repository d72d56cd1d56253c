"""`wirevow draw`: see `emu.plant.pictures`."""

from emu.plant.pictures import command

__all__ = ["command"]
