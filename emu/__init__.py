"""The simulated instrument: physics, device, ports."""
