"""A page that watches a port which may be real: it only asks, until somebody takes control."""

import asyncio
import signal

import pytest
import serial

pytest.importorskip("aiohttp", reason="install aiohttp: pip install 'wirevow[panel]'")

from tests.emu.panel.serving import emulated, panel
from tests.emu.panel.test_web import live
from wirevow.emu.loading import load
from wirevow.emu.panel.real import Watched


@pytest.fixture(scope="module")
def box():
    """An emulator in another process stands for the real one."""
    with emulated("tarn") as address:
        yield address


def changes(page):
    """What the page has seen go by that asks for a change."""
    return [
        said[2] for said in page.seen if said[1] == ">" and (" put " in f" {said[2]}" or "act " in said[2])
    ]


def test_it_only_asks_until_somebody_has_read_the_cautions_and_is_safe_when_they_leave(box):
    async def come():
        with panel("tarn", "--port", box) as serving:
            async with live(serving) as page:
                hello = await page.until(lambda message: message["is"] == "hello")
                assert hello["kind"] == "real"
                assert any("Batteries" in caution for caution in hello["cautions"])
                assert hello["document"]["events"] == []
                await page.value("self.state", lambda text: text == "off")
                await page.value("link.guard", lambda text: text == "off")
                refused = await page.ask(do="act", name="sink.arm")
                assert not refused["ok"]
                refused = await page.ask(do="hands")
                assert "read the cautions" in refused["text"]
                assert page.frame["hands"] == "nobody"
                assert changes(page) == []
                assert (await page.ask(do="hands", agreed=True))["ok"]
                assert (await page.ask(do="put", name="sink.level", value="1"))["text"] == "ok 1.000 A"
                assert (await page.ask(do="act", name="sink.arm"))["text"].startswith("ok ")
                assert (await page.ask(do="act", name="sink.start"))["text"] == "ok"
                assert (await page.ask(do="put", name="sink.level", value="99"))["text"] == (
                    "refuse range 0.000 6.000 A"
                )
                assert not (await page.ask(do="bench", event="ambient", value="30"))["ok"]
                assert not (await page.ask(do="say", line="rubbish"))["ok"]
                await page.value("input.current", lambda text: float(text) > 0.9)
            # That page is gone.
            async with live(serving) as page:
                await page.value("self.state", lambda text: text == "off")
                await page.value("link.guard", lambda text: text == "off")
                assert page.frame["hands"] == "nobody"
                # So it is when somebody lets go.
                assert (await page.ask(do="hands", agreed=True))["ok"]
                await page.ask(do="act", name="sink.start")
                await page.value("self.state", lambda text: text == "sinking")
                assert (await page.ask(do="let go"))["ok"]
                await page.value("self.state", lambda text: text == "off")

    asyncio.run(come())


def trouble(doc, port):
    """What a page is told of a port."""

    async def look():
        source = Watched(port, load(doc))
        try:
            return (await source.glance()).trouble
        finally:
            await source.close()

    return asyncio.run(look())


@pytest.mark.parametrize("port", ["/dev/nothing-there", "socket://127.0.0.1:1"])
def test_a_port_that_cannot_be_used_is_said_in_the_page(port):
    assert port.removeprefix("socket://") in trouble("tarn", port)


def test_another_instrument_than_the_document_s_is_said_in_the_page(box):
    assert "the instrument is tarn" in trouble("brae", box)


def test_a_signal_that_ends_the_command_makes_it_safe_first(box):
    async def come(serving):
        async with live(serving) as page:
            await page.value("self.state", lambda text: text == "off")
            assert (await page.ask(do="hands", agreed=True))["ok"]
            assert (await page.ask(do="act", name="sink.start"))["text"] == "ok"
            await page.value("self.state", lambda text: text == "sinking")
            serving.process.send_signal(signal.SIGTERM)
            assert await asyncio.to_thread(serving.process.wait, 15) == 128 + signal.SIGTERM

    with panel("tarn", "--port", box) as serving:
        asyncio.run(come(serving))
    with serial.serial_for_url(box, timeout=30) as port:
        port.write(b"ask self.state\nask trip.last\n")
        assert port.readline() == b"ok off\n"
        assert port.readline() == b"ok none\n"  # it was not the link watchdog


def test_a_check_has_the_port_alone_and_leaves_the_instrument_as_it_was(box):
    async def come():
        with panel("tarn", "--port", box) as serving:
            async with live(serving) as page:
                await page.value("self.state", lambda text: text == "off")
                refused = await page.ask(do="check", only="wire.*")
                assert not refused["ok"]  # nobody has taken control
                assert (await page.ask(do="hands", agreed=True))["ok"]
                assert (await page.ask(do="put", name="sink.level", value="1.5"))["ok"]
                assert (await page.ask(do="check", only="point.sink.level.*"))["ok"]
                await page.until(lambda message: message["is"] == "frame" and message["port"] == "check")
                refused = await page.ask(do="put", name="sink.level", value="2")
                assert "a check has the port" in refused["text"]
                ended = await page.until(
                    lambda message: message["is"] == "check" and message["kind"] in ("ended", "trouble")
                )
                assert ended["kind"] == "ended", ended
                assert "fail" not in {verdict for verdict, _, _ in ended["rows"].values()}
                await page.until(lambda message: message["is"] == "frame" and message["port"] == "page")
                await page.value("sink.level", lambda text: text == "1.500")
                assert (await page.ask(do="put", name="sink.level", value="2"))["text"] == "ok 2.000 A"

    asyncio.run(come())


def test_a_check_ends_when_its_page_is_gone(box):
    async def come():
        with panel("tarn", "--port", box) as serving:
            async with live(serving) as page:
                await page.value("self.state", lambda text: text == "off")
                assert (await page.ask(do="hands", agreed=True))["ok"]
                assert (await page.ask(do="check", only=""))["ok"]
                await page.until(lambda message: message["is"] == "check" and message["kind"] == "progress")
            async with live(serving) as page:
                ended = await page.until(
                    lambda message: message["is"] == "check" and message["kind"] in ("ended", "trouble")
                )
                assert ended["kind"] == "trouble" or "interrupt" in ended["note"], ended
                await page.until(lambda message: message["is"] == "frame" and message["port"] == "page")
                await page.value("self.state", lambda text: text == "off")

    asyncio.run(come())
