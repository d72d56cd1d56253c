"""The page's server, without a browser: who may connect, what it serves, and what a page may ask for."""

import asyncio
import json
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib import resources
from typing import Any

import pytest

pytest.importorskip("aiohttp", reason="install aiohttp: pip install 'wirevow[panel]'")

import aiohttp

from tests.emu.panel.serving import Serving, panel

STATIC = resources.files("wirevow.emu.panel").joinpath("static")


@pytest.fixture(scope="module")
def tarn():
    with panel("tarn", "--listen", "tcp:127.0.0.1:0") as serving:
        yield serving


class Live:
    """A page without a browser."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self.socket = socket
        self.number = 0
        self.values: dict[str, str] = {}
        self.frame: dict[str, Any] = {}
        self.seen: list[list[Any]] = []

    async def until(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The first message that is wanted, within half a minute."""
        async with asyncio.timeout(30):
            while True:
                message: dict[str, Any] = json.loads((await self.socket.receive()).data)
                if message["is"] == "hello":
                    self.values.update(message.get("values", {}))
                if message["is"] == "frame":
                    self.frame = message
                    self.values.update(message["values"])
                    self.seen += message["said"]
                if wanted(message):
                    return message

    async def ask(self, **message: object) -> dict[str, Any]:
        self.number += 1
        await self.socket.send_json({**message, "id": self.number})
        return await self.until(lambda came: came["is"] == "answer" and came["id"] == self.number)

    async def value(self, name: str, wanted: Callable[[str], bool]) -> None:
        await self.until(lambda _: wanted(self.values.get(name, "")))


@asynccontextmanager
async def live(serving: Serving, **headers: str) -> AsyncIterator[Live]:
    given = {"Origin": f"http://{serving.place}", **headers}
    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(f"http://{serving.place}/live", headers=given) as socket,
    ):
        await socket.send_str(serving.key)
        yield Live(socket)


async def get(serving: Serving, path: str, **headers: str) -> tuple[int, str, Any]:
    async with (
        aiohttp.ClientSession() as session,
        session.get(f"http://{serving.place}{path}", headers=headers) as answer,
    ):
        return answer.status, await answer.text(), answer.headers


# ------------------------------------------------------------------------------------------- who may connect


@pytest.mark.parametrize("origin", ["http://example.org", "null", "", "https://127.0.0.1"])
def test_a_page_of_another_origin_is_kept_out(tarn, origin):
    async def come():
        async with live(tarn, Origin=origin):
            pass

    with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
        asyncio.run(come())
    assert refused.value.status == 403


def test_a_name_that_was_made_to_lead_here_is_kept_out(tarn):
    for path in ("/", "/live", "/main.js"):
        status, text, _ = asyncio.run(get(tarn, path, Host="rebound.example.org"))
        assert status == 403
        assert "another name" in text


@pytest.mark.parametrize("key", ["", "x" * 24, "{}"])
def test_without_the_key_nothing_is_told(tarn, key):
    async def come():
        async with (
            aiohttp.ClientSession(headers={"Origin": f"http://{tarn.place}"}) as session,
            session.ws_connect(f"http://{tarn.place}/live") as socket,
        ):
            await socket.send_str(key)
            said = await socket.receive(5)
            return said.data, (await socket.receive(5)).type

    said, after = asyncio.run(come())
    assert json.loads(said) == {
        "is": "refused",
        "text": "the key in this page's address is not the present one",
    }
    assert after is aiohttp.WSMsgType.CLOSE


def test_the_key_is_in_no_file_of_the_page(tarn):
    for file in STATIC.iterdir():
        assert tarn.key not in asyncio.run(get(tarn, f"/{file.name}"))[1]


@pytest.mark.parametrize("path", ["/../web.py", "/..%2fweb.py", "/nothing.js", "/%2e%2e/session.py"])
def test_no_other_file_is_served(tarn, path):
    assert asyncio.run(get(tarn, path))[0] == 404


# ------------------------------------------------------------------------------------------- what is served


def test_the_policy_forbids_inline_script_and_other_places(tarn):
    for path in ("/", "/main.js", "/nothing.js"):
        policy = dict(
            part.split(" ", 1)
            for part in asyncio.run(get(tarn, path))[2]["Content-Security-Policy"].split("; ")
        )
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == "'self'"
        assert policy["style-src"] == "'self'"
        assert policy["require-trusted-types-for"] == "'script'"


def test_the_page_has_no_inline_script_or_style_and_no_address_of_elsewhere():
    page = STATIC.joinpath("index.html").read_text()
    assert not re.search(r"<script(?![^>]*\ssrc=)|<style|\son[a-z]+=|\sstyle=|javascript:", page)
    for file in STATIC.iterdir():
        if file.name.endswith((".html", ".css")) or (file.name.endswith(".js") and file.name != "uplot.js"):
            text = file.read_text().replace("http://www.w3.org/2000/svg", "")
            assert not re.search(r"https?://|innerHTML|outerHTML|insertAdjacentHTML|document\.write", text)


def test_the_files_of_the_page_are_small():
    assert sum(len(file.read_bytes()) for file in STATIC.iterdir()) <= 400_000


# -------------------------------------------------------------------------------------- what a page may do


def test_a_page_sees_puts_acts_and_the_world_follow(tarn):
    async def come():
        async with live(tarn) as page:
            hello = await page.until(lambda message: message["is"] == "hello")
            assert hello["document"]["name"] == "tarn"
            assert "input.voltage" in hello["document"]["leading"]
            assert (await page.ask(do="put", name="sink.level", value="1.5"))["text"] == "ok 1.500 A"
            assert (await page.ask(do="act", name="sink.arm"))["text"].startswith("ok ")
            assert (await page.ask(do="act", name="sink.start"))["text"] == "ok"
            await page.value("input.current", lambda text: abs(float(text) - 1.5) < 0.05)
            assert (await page.ask(do="bench", event="source.voltage", value="15"))["ok"]
            await page.value("input.voltage", lambda text: float(text) > 14)
            assert page.frame["events"] == {"source.voltage": "15"}
            # The link is kept alive, also where a minute passes in a moment.
            assert (await page.ask(do="speed", times=1000))["ok"]
            await page.until(lambda message: message["is"] == "frame" and message["t"] > 60)
            assert (await page.ask(do="speed", times=0))["ok"]
            assert page.values["self.state"] == "sinking"
            await page.until(lambda message: message["is"] == "frame" and message["times"] == 0)
            before = page.frame["t"]
            assert (await page.ask(do="advance", seconds=10))["ok"]
            await page.until(lambda message: message["is"] == "frame" and message["t"] > before)
            assert page.frame["t"] == pytest.approx(before + 10)
            assert (await page.ask(do="act", name="sink.stop"))["text"] == "ok"
            assert (await page.ask(do="say", line="ask sink.level"))["text"] == "ok 1.500 A"
            assert (await page.ask(do="take", wanted=False))["ok"]
            assert (await page.ask(do="speed", times=1))["ok"]
            assert (await page.ask(do="bench", event="source.voltage", value="12"))["ok"]

    asyncio.run(come())


@pytest.mark.parametrize(
    ("message", "said"),
    [
        ({"do": "bench", "event": "moon", "value": "1"}, "no bench event 'moon'"),
        ({"do": "bench", "event": "source.voltage", "value": "lots"}, "needs a number in V"),
        ({"do": "bench", "event": "source.voltage", "value": "1e999"}, "less than 1e308"),
        ({"do": "speed", "times": 5000}, "1 to 1000"),
        ({"do": "advance", "seconds": "nan"}, "cannot be understood"),
        ({"do": "put", "name": "sink.level", "value": "a lot"}, "sink.level: a number is written as"),
        ({"do": "put", "name": "moon", "value": "1"}, "there is no point moon"),
        ({"do": "act", "name": "moon"}, "there is no action moon"),
        ({"do": "say", "line": "ask self.state\nact sink.arm"}, "printable"),
        ({"do": "say"}, "cannot be understood"),
        ({"do": "moon"}, "nothing to be done"),
    ],
)
def test_what_cannot_be_done_is_said(tarn, message, said):
    async def come():
        async with live(tarn) as page:
            answer = await page.ask(**message)
            assert not answer["ok"]
            assert said in answer["text"]

    asyncio.run(come())


def test_a_second_page_looks_until_it_takes_the_controls(tarn):
    async def come():
        async with live(tarn) as first, live(tarn) as second:
            assert (await first.ask(do="bench", event="ambient", value="30"))["ok"]
            answer = await second.ask(do="bench", event="ambient", value="40")
            assert "another page has the controls" in answer["text"]
            await second.until(
                lambda message: message["is"] == "frame" and message["events"].get("ambient") == "30"
            )
            assert (await second.ask(do="hands"))["ok"]
            assert (await second.ask(do="bench", event="ambient", value="25"))["ok"]
            assert not (await first.ask(do="bench", event="ambient", value="30"))["ok"]

    asyncio.run(come())


def test_what_a_host_program_does_shows_at_once_and_keeps_the_page_from_sending(tarn):
    import serial

    async def come():
        async with live(tarn) as page:
            await page.ask(do="say", line="ask self.state")
            with serial.serial_for_url(tarn.port, timeout=30) as port:
                port.write(b"ask sink.mode\n")
                assert port.readline() == b"ok current\n"
                frame = await page.until(
                    lambda message: (
                        message["is"] == "frame"
                        and [">", "ask sink.mode"] in [said[1:] for said in message["said"]]
                    )
                )
                assert ["<", "ok current"] in [said[1:] for said in frame["said"]]
                assert frame["port"] == "program"
                answer = await page.ask(do="say", line="ask sink.mode")
                assert "a host program has the port" in answer["text"]
            await page.until(lambda message: message["is"] == "frame" and message["port"] == "nobody")
            assert (await page.ask(do="say", line="ask sink.mode"))["text"] == "ok current"

    asyncio.run(come())


def test_bytes_of_any_kind_are_shown_as_text(tarn):
    import serial

    async def come():
        async with live(tarn) as page, asyncio.timeout(30):
            with serial.serial_for_url(tarn.port, timeout=30) as port:
                port.write(b"<img src=x onerror=alert(1)>\x1b[2J\xff\n")
                frame = await page.until(
                    lambda message: (
                        message["is"] == "frame"
                        and any(said[2].startswith("<img") for said in message["said"])
                    )
                )
            line = next(said[2] for said in frame["said"] if said[2].startswith("<img"))
            assert line == "<img src=x onerror=alert(1)>\\x1B[2J\\xFF"

    asyncio.run(come())
