"""How hosts reach a simulated instrument: pseudo-terminal, TCP, a serial adapter, `emu://`, and the rig.

Everything here drives `interface.Instrument`, which does no I/O. `line.Line` is an instrument at its
end of a wire; `server.Server` serves a line to another process on a running clock; `world.World`
serves it inside the host's own process on a virtual one.
"""
