"""`python -m wirevow` is the command `wirevow`."""

from wirevow.emu.command import main

main()
