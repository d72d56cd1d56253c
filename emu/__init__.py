"""The simulated instrument: physics, device, ports. Private; what others may use is in `wirevow`."""
