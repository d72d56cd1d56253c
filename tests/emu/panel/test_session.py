"""Pages without a browser or a server: slow ones, an instrument that ends, and what was overheard."""

import asyncio
import socket
from typing import ClassVar

import pytest

pytest.importorskip("aiohttp", reason="install aiohttp: pip install 'wirevow[panel]'")

from wirevow.emu import command
from wirevow.emu.faults import build_instrument
from wirevow.emu.loading import load
from wirevow.emu.panel import simulated
from wirevow.emu.panel.heard import Heard
from wirevow.emu.panel.port import KEPT, Overheard
from wirevow.emu.panel.session import MOST_LINES, MOST_ROWS, Page, Session, Splitter
from wirevow.emu.panel.simulated import Simulated
from wirevow.emu.panel.source import Glance

TARN = load("tarn")


class Counting:
    """A source that has always something new, and no instrument."""

    kind = "simulated"
    address = "nowhere"
    wired: ClassVar = {}
    events = ()
    every_s = 0.0
    vow = TARN

    def __init__(self):
        self.looks = 0

    async def glance(self):
        self.looks += 1
        await asyncio.sleep(0)
        pieces = [(self.looks, "<", b"note 1 state off\n")] * 50
        return Glance(float(self.looks), {"self.uptime": str(self.looks)}, pieces, port="page")

    async def take(self, wanted):
        pass


def test_pages_hear_that_a_slow_instrument_is_waited_for():
    async def come():
        answered = asyncio.Event()
        told = asyncio.Event()

        class Slow(Counting):
            async def glance(self):
                await answered.wait()
                return await super().glance()

        got = []

        async def send(message):
            got.append(message["is"])
            if got[-1] != "hello":
                told.set()

        async def never():
            await asyncio.Event().wait()

        session = Session(Slow())
        tasks = [
            asyncio.create_task(session.look()),
            asyncio.create_task(session.attend(Page(send), never)),
        ]
        await told.wait()
        assert got == ["hello", "waiting"]
        told.clear()
        answered.set()
        await told.wait()
        assert "frame" in got
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    asyncio.run(come())


def test_a_slow_page_gets_fewer_messages_and_no_heap_of_them():
    async def come():
        source = Counting()
        session = Session(source)
        read = asyncio.Event()
        got = []

        async def send(message):
            got.append(message)
            await read.wait()

        page = Page(send)

        async def never():
            await asyncio.Event().wait()

        looking = asyncio.create_task(session.look())
        attending = asyncio.create_task(session.attend(page, never))
        while source.looks < 3 * MOST_ROWS // 2:
            await asyncio.sleep(0)
        assert len(got) == 1
        assert len(page.pending.rows) == MOST_ROWS
        assert len(page.pending.said) == MOST_LINES
        read.set()
        while len(got) < 3:
            await asyncio.sleep(0)
        looking.cancel()
        attending.cancel()
        await asyncio.gather(looking, attending, return_exceptions=True)
        frame = got[1]
        assert frame["is"] == "frame"
        assert int(frame["values"]["self.uptime"]) >= 3 * MOST_ROWS // 2 - 1  # the last may be on its way
        assert frame["leftOut"] + len(frame["said"]) == 50 * int(frame["t"])

    asyncio.run(come())


def test_an_instrument_that_crashes_is_said():
    class Crashing(type(build_instrument(TARN))):
        def bench(self, event, value, now_ns):
            raise MemoryError("the firmware wrote outside of its memory")

        def receive(self, data, now_ns):
            raise RuntimeError("the firmware has stopped at 0x01f4")

    async def come():
        source = Simulated(Crashing(TARN), TARN, listen="tcp:127.0.0.1:0")
        await source.start()
        session = Session(source)
        assert (await source.glance()).trouble == ""
        said = asyncio.create_task(source.say("ask self.state"))
        while not (trouble := (await source.glance()).trouble):
            await asyncio.sleep(0.01)
        assert "stopped at 0x01f4" in trouble
        await source.take(False)  # its page goes
        await asyncio.gather(said, return_exceptions=True)
        await source.close()
        return session

    asyncio.run(come())


class Mute:
    """Firmware that hangs."""

    bench_events = frozenset()
    now_ns = 0

    def advance(self, until_ns):
        self.now_ns = until_ns

    def next_event_ns(self):
        return None

    def take(self):
        return b""

    def opened(self, now_ns):
        pass

    closed = opened

    def receive(self, data, now_ns):
        pass


def test_firmware_that_hangs_has_not_ended(monkeypatch):
    monkeypatch.setattr(simulated, "ANSWER_S", 0.05)

    async def come():
        source = Simulated(Mute(), TARN, listen="tcp:127.0.0.1:0")
        await source.start()
        glance = await source.glance()
        await source.close()
        assert glance.trouble == ""
        assert glance.pieces

    asyncio.run(come())


def test_what_firmware_answers_is_learnt_whoever_asks():
    heard = Heard(TARN)
    heard.learn(
        [(0, ">", b"ask input.vol"), (1, ">", b"tage\n@1f ask self.state\nput sink.level 2.000 A ~1A2B\n")]
    )
    heard.learn([(2, "<", b"ok 12.003 V\nnote 4 state off\n@1f ok off\nok 2.000 A ~77FF\n")])
    assert heard.values == {"input.voltage": "12.003", "self.state": "off", "sink.level": "2.000"}
    heard.learn(
        [(3, ">", b"ask input.voltage\nask input.current\n"), (4, "<", b"refuse check\nok 0.001 A\n")]
    )
    assert heard.values["input.current"] == "0.001"


def test_a_request_that_was_lost_does_not_take_the_answer_of_the_next():
    overheard, heard = Overheard(lambda: 0), Heard(TARN)

    def said(*lines):
        for line in lines:
            overheard.add(line[0], line[1:].encode())
        heard.learn(overheard.take()[0])
        return heard.values

    # The instrument lost its supply, or another host came, before it could answer; or a line has no end.
    said(">ask self.state\nask self.up")
    overheard.cut()
    assert said(">ask input.voltage\n", "<ok 12.003 V\n") == {"input.voltage": "12.003"}
    # Nobody has looked for so long that pieces were dropped.
    said(">ask self.state\n")
    flood = [">ask input.voltage\n", "<ok 12.004 V\n"] * KEPT
    assert said(*flood) == {"input.voltage": "12.004"}
    # Lost on the way, which only tags can tell; or not even they.
    said(">@1 ask self.state\n")
    assert said(">@2 ask input.voltage\n", "<@2 ok 12.005 V\n") == {"input.voltage": "12.005"}
    said(">ask self.uptime\n")
    assert said(">ask self.state\n", "<ok off\n") == {"input.voltage": "12.005"}


def test_lines_that_come_in_pieces_are_whole_and_what_cannot_be_printed_is_escaped():
    splitter = Splitter()
    assert splitter.lines([(0, ">", b"ask self.")]) == ([], 0)
    said, left_out = splitter.lines([(10**9, ">", b"state\r\n\x1b]0;x\x07\n")])
    assert said == [(1.0, ">", "ask self.state"), (1.0, ">", "\\x1B]0;x\\x07")]
    assert left_out == 0


def test_of_a_flood_the_newest_lines_are_shown_and_the_others_counted():
    said, left_out = Splitter().lines([(0, "<", b"ok\n")] * (3 * MOST_LINES))
    assert len(said) == MOST_LINES
    assert left_out == 2 * MOST_LINES


@pytest.mark.parametrize("option", ["--page", "--listen"])
def test_a_port_in_use_is_said_on_one_line(option, capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        where = f"127.0.0.1:{taken.getsockname()[1]}"
        given = where if option == "--page" else f"tcp:{where}"
        assert command.run(["panel", "tarn", option, given]) == command.USAGE
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1
    assert "cannot listen there" in said[0]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--port", "/dev/null", "--bench", "hot-day"], "--bench is for a simulated instrument"),
        (["--page", "0.0.0.0:0"], "other machines reach 0.0.0.0"),
        (["--firmware", "host", "--fault", "x"], "--fault breaks the simulated instrument"),
    ],
)
def test_what_does_not_go_together_is_said(arguments, said, capsys):
    assert command.run(["panel", "tarn", *arguments]) == command.USAGE
    assert said in capsys.readouterr().err
