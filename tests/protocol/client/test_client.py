"""The client: an instrument as an object."""

import pytest

import wirevow


def test_points_are_read_and_put_in_their_units() -> None:
    with wirevow.emulate("tarn", seed=7) as run:
        tarn = run.client
        assert tarn.input.voltage.read() == pytest.approx(12, abs=0.05)
        assert tarn.input.voltage.unit == "V"
        assert tarn.sink.level.put(2.5) == 2.5
        assert set(tarn.read("input.*")) == {
            "input.voltage",
            "input.terminal",
            "input.current",
            "input.power",
        }
        assert tarn["sink.level"].read() == 2.5
        assert tarn.read("self.state", "sink.l*") == {"self.state": "off", "sink.level": 2.5}
        with pytest.raises(wirevow.WirevowError, match="no point is like 'sunk"):
            tarn.read("self.state", "sunk.*")


def test_what_a_document_says_is_at_hand() -> None:
    with wirevow.emulate("tarn") as run:
        tarn = run.client
        assert "sink" in dir(tarn)
        assert "level" in dir(tarn.sink)
        assert "0.000 to 6.000 A" in repr(tarn.sink.level)
        assert "ticket of sink.arm" in repr(tarn.sink.start)
        with pytest.raises(AttributeError, match=r"sink\.level"):
            tarn.sink.levle.read()


def test_a_refusal_carries_reason_and_limits() -> None:
    with wirevow.emulate("tarn") as run:
        run.client.sink.level.put(2.5)
        with pytest.raises(wirevow.Refused) as refused:
            run.client.limit.current.put(2)
        found = refused.value
        assert (found.reason, found.low, found.high, found.unit) == ("range", 2.5, 6.0, "A")


def test_a_guard_that_wants_checks_is_told_of() -> None:
    with wirevow.emulate("tarn") as run:
        with wirevow.connect(run.url, "tarn", checks=True) as careful:
            careful.input.voltage.read()
        with pytest.raises(wirevow.Refused, match="checks=True"):
            run.client.sink.level.put(1)
        run.client.host.changed = False  # it could not make safe either


def test_a_value_that_cannot_be_is_not_sent() -> None:
    with wirevow.emulate("tarn") as run:
        for point, value in ((run.client.sink.mode, "curent"), (run.client.sink.level, float("nan"))):
            with pytest.raises(wirevow.WirevowError, match="sink"):
                point.put(value)
        with pytest.raises(wirevow.WirevowError, match="reading"):
            run.client.input.voltage.put(1)


def test_starting_takes_its_ticket_and_hours_pass_with_the_link_alive() -> None:
    with wirevow.emulate("tarn", seed=7) as run:
        tarn = run.client
        tarn.sink.level.put(2)
        tarn.capacity.start()
        begun = run.now
        run.advance(hours=1)
        assert run.now - begun == pytest.approx(3600, abs=2)
        assert tarn.self.state.read() == "discharging"
        assert tarn.capacity.charge.read() == pytest.approx(2, abs=0.01)


def test_a_silent_host_trips_the_watchdog_and_is_told_by_a_notice() -> None:
    with wirevow.emulate("tarn") as run:
        heard: list[str] = []
        tarn = run.client
        tarn.on_notice(lambda event: heard.append(str(event)))
        tarn.sink.start()
        run._world.advance(10 * 10**9)
        assert [event.name for event in tarn.notices(timeout=1)]
        assert any("link_silent" in each for each in heard)


def _start_and_fail(tarn: wirevow.Client) -> None:
    tarn.sink.start()
    tarn.sink.start()


def test_the_end_of_the_block_is_safe_whatever_ended_it() -> None:
    with wirevow.emulate("tarn") as run:
        with pytest.raises(wirevow.Refused), wirevow.connect(run.url, "tarn") as tarn:
            _start_and_fail(tarn)
        with wirevow.connect(run.url, "tarn") as tarn:
            assert tarn.self.state.read() == "off"


def test_another_documents_instrument_is_one_clear_error() -> None:
    with pytest.raises(wirevow.WrongInstrument, match=r"tarn.*brae"):
        wirevow.connect("emu://tarn", "brae")


def test_a_wait_that_nothing_ends_is_an_error_that_says_so() -> None:
    with wirevow.emulate("brae") as run, pytest.raises(wirevow.WirevowError, match="virtual time"):
        list(run.client.notices(timeout=None))


def test_values_are_pint_quantities_on_request() -> None:
    pint = pytest.importorskip("pint")
    with wirevow.emulate("tarn") as run:
        assert run.client.input.voltage.quantity().units == pint.application_registry.volt
        assert run.client.sink.level.put(pint.application_registry.Quantity(1500, "mA")) == 1.5
        with pytest.raises(wirevow.WirevowError, match="in A"):
            run.client.sink.level.put(pint.application_registry.Quantity(1, "V"))
