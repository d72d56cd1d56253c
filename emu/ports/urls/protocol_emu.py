"""`emu://NAME`: the simulated instrument in process, as a pyserial port. See `emu.ports.world` for its time.

It behaves as a local port does, with these differences: `inter_byte_timeout`, flow control, parity and
breaks have no effect, the control lines are taken but change nothing, and there is no `fileno`.
"""

from typing import Any

import serial

from wirevow.emu.ports.address import parse
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.emu.ports.world import World, world_of
from wirevow.protocol.errors import WirevowError


class Serial(serial.SerialBase):
    """A pyserial port; `rig` is the rig of the instrument behind it."""

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        self._world: World | None = None
        self._url: str | None = None
        self._given_up_reading = self._given_up_writing = False
        super().__init__(*arguments, **settings)

    @property
    def rig(self) -> InstrumentRig:
        """The hands on this instrument. PortNotOpenError if the port never was open."""
        if self._world is None:
            raise serial.PortNotOpenError()
        return self._world.rig

    def open(self) -> None:
        """Start the instrument, or go on with it if this port was open before."""
        url = self.port
        if url is None:
            raise serial.SerialException("Port must be configured before it can be used.")
        if self.is_open:
            raise serial.SerialException("Port is already open.")
        if self._world is None or self._url != url:
            try:
                self._world = world_of(parse(url))
            except WirevowError as error:
                raise serial.SerialException(f"{url}: {error.message}") from error
            self._url = url
        with self._world.turn():
            if self._world.taken:
                raise serial.SerialException(
                    f"{url}: another port has this instrument; close that one, or use another name"
                )
            self._world.open(self.baudrate)
            self.is_open = True
        self._given_up_reading = self._given_up_writing = False

    def close(self) -> None:
        """Let go of the instrument, which stays as it is until this port is opened again."""
        if self.is_open and self._world is not None:
            with self._world.turn():
                self.is_open = False
                self._world.close()

    def _there(self) -> World:
        if not self.is_open or self._world is None:
            raise serial.PortNotOpenError()
        return self._world

    def _reconfigure_port(self, force_update: bool = False) -> None:
        world = self._there()
        with world.turn():
            world.line.pace(self.baudrate, world.clock.now_ns())

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        world = self._there()
        with world.turn():
            return world.waiting()

    @property
    def out_waiting(self) -> int:
        """Bytes written that are not yet with the instrument."""
        world = self._there()
        with world.turn():
            return world.line.waiting_in

    def read(self, size: int = 1) -> bytes:
        """Wait for `size` bytes, at most `timeout` seconds of the instrument's time."""
        world = self._there()
        with world.turn():
            self._given_up_reading = False
            return world.read(size, self.timeout, self._reading_given_up)

    def read_until(self, expected: bytes = b"\n", size: int | None = None) -> bytes:
        """Wait for bytes that end with `expected`, or `size` of them, at most `timeout` seconds in all."""
        world = self._there()
        with world.turn():
            self._given_up_reading = False
            return world.read_until(expected, size, self.timeout, self._reading_given_up)

    def readline(self, size: int | None = -1) -> bytes:
        """Wait for a line, at most `timeout` seconds for each of its bytes."""
        world = self._there()
        with world.turn():
            self._given_up_reading = False
            return world.read_line(
                None if size is None or size < 0 else size, self.timeout, self._reading_given_up
            )

    def write(self, data: Any) -> int:
        """Send bytes; waits only when more than a driver's buffer would be under way."""
        world = self._there()
        content = bytes(memoryview(data))
        with world.turn():
            self._given_up_writing = False
            sent = world.write(content, self.write_timeout, self._writing_given_up)
        if sent < len(content) and self.write_timeout != 0 and not self._given_up_writing:
            raise serial.SerialTimeoutException("Write timeout")
        return sent

    def flush(self) -> None:
        """Wait until all that was written is with the instrument."""
        # Also called by the destructor of every file object, open or not.
        if self.is_open and self._world is not None:
            with self._world.turn():
                self._world.flush(self._writing_given_up)

    def reset_input_buffer(self) -> None:
        """Throw away what has arrived."""
        world = self._there()
        with world.turn():
            world.line.discard_ready()

    def reset_output_buffer(self) -> None:
        """Withdraw what was written and has not arrived."""
        world = self._there()
        with world.turn():
            world.line.discard_unsent(world.clock.now_ns())

    def cancel_read(self) -> None:
        """End a read that waits in another thread."""
        with self._there().turn():
            self._given_up_reading = True

    def cancel_write(self) -> None:
        """End a write that waits in another thread."""
        with self._there().turn():
            self._given_up_writing = True

    def _reading_given_up(self) -> bool:
        return self._given_up_reading or not self.is_open

    def _writing_given_up(self) -> bool:
        return self._given_up_writing or not self.is_open

    def send_break(self, duration: float = 0.25) -> None:
        """Nothing listens to breaks."""
        self._there()

    def _update_break_state(self) -> None:
        self._there()

    def _update_rts_state(self) -> None:
        self._there()

    def _update_dtr_state(self) -> None:
        self._there()

    @property
    def cts(self) -> bool:
        self._there()
        return True

    @property
    def dsr(self) -> bool:
        self._there()
        return True

    @property
    def ri(self) -> bool:
        self._there()
        return False

    @property
    def cd(self) -> bool:
        self._there()
        return True
