"""The simulated instrument: physics, device, ports."""

import serial

serial.protocol_handler_packages.append("emu.ports.urls")  # pyserial finds emu:// there
