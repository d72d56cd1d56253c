"""Settings that a job changes, and puts back."""

from __future__ import annotations

from wirevow.protocol.client.sync import Client
from wirevow.protocol.client.values import Plain
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.parts import Part
from wirevow.protocol.serialport import PortError


class Borrowed:
    """Puts settings and remembers what they were; `back` puts them back, the last one first."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._were: dict[str, Plain] = {}

    def put(self, name: str, value: float | str) -> Plain:
        """Set a point for as long as the job lasts. Raises WirevowError."""
        if name not in self._were:
            self._were[name] = self._client[name].read()
        took: Plain = self._client[name].put(value)
        return took

    def put_si(self, part: Part, value: float) -> float:
        """The same in SI units; what took effect."""
        took = self.put(part.name, value / part.si)
        return float(took) * part.si

    def back(self) -> list[str]:
        """Put everything back; what could not be, for people."""
        failed = []
        lost: PortError | None = None
        for name, value in reversed(self._were.items()):
            try:
                if lost is not None:
                    raise lost
                self._client[name].put(value)
            except WirevowError as error:
                if isinstance(error.__cause__, PortError):
                    lost = error.__cause__  # it is not looked for once more for each setting
                failed.append(f"{name} was {value} and could not be put back: {error.message}")
        self._were.clear()
        return failed
