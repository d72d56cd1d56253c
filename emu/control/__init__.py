"""What firmware does in software, where the simulated instrument does it itself.

cooling    the fan's levels and the derated ceiling, on a slow tick
swing      two levels of current by turns, by a timer or on a trigger
regulation the sampled loops that hold power, resistance or voltage, and the ceiling's guard
counters   charge, energy and time, by the firmware's clock

Physics (`wirevow.emu.plant`) asks these when something is due, and nothing here asks physics. A plant around
somebody's own firmware is built without cooling: the fan turns as it is driven, and the ceiling is whole.
"""
