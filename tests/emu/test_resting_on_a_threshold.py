"""A source that rests exactly on a trip's threshold: nothing crosses it, and time goes on."""

from wirevow.emu.instrument import Instrument
from wirevow.emu.ports.address import find
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import compile_vow


def test_time_goes_on():
    instrument = Instrument(compile_vow(load_document(find("tarn")).document))
    instrument.opened(0)
    # The source's 12 V, seen without current, are what the trip is set to.
    instrument.receive(b"put sink.voltage 12.000 V\nput limit.voltage 12.000 V\n", 1_000_000)
    assert instrument.take().endswith(b"ok 12.000 V\nok 12.000 V\n")
    instrument.advance(3_600_000_000_000)
    instrument.receive(b"ask self.state\n", 3_600_000_000_000)
    assert instrument.take() == b"ok off\n"
