"""`wirevow draw`: see `wirevow.emu.plant.pictures`."""

from wirevow.emu.plant.pictures import command

__all__ = ["command"]
