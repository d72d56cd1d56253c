"""The client on asyncio: an instrument in process on a virtual loop, and real ports."""

import asyncio
from collections.abc import Awaitable, Callable

import pytest

import wirevow
from tests.protocol.client.serving import serving


def run(work: Callable[[], Awaitable[None]]) -> None:
    async def all_of_it() -> None:
        await work()

    with asyncio.Runner(loop_factory=wirevow.VirtualLoop) as runner:
        runner.run(all_of_it())


def tarn(query: str = "") -> wirevow.AsyncClient:
    return wirevow.connect_async(f"emu://tarn{query}", "tarn")


def test_points_are_read_put_and_read_together() -> None:
    async def work() -> None:
        async with tarn("?seed=7") as client:
            assert await client.input.voltage.read() == pytest.approx(12, abs=0.05)
            assert await client.sink.level.put(2.5) == 2.5
            assert await client["sink.level"].read() == 2.5
            assert set(await client.read("input.*")) == {
                "input.voltage",
                "input.terminal",
                "input.current",
                "input.power",
            }
            with pytest.raises(wirevow.Refused) as refused:
                await client.limit.current.put(2)
            assert (refused.value.low, refused.value.high) == (2.5, 6.0)
            assert "0.000 to 6.000 A" in repr(client.sink.level)
            assert "> @" in client.last_exchange()

    run(work)


def test_hours_pass_with_the_link_alive_while_others_use_the_client() -> None:
    async def work() -> None:
        async with tarn("?bench=lithium-pack&seed=7") as client:
            await client.sink.level.put(2)
            await client.capacity.start()
            asleep = asyncio.create_task(client.sleep(3600))
            seen = []
            for _ in range(5):
                await asyncio.sleep(600)
                seen.append(await client.capacity.charge.read())
            assert not asleep.done()
            assert seen == sorted(seen)
            await asleep
            assert await client.self.state.read() == "discharging"
            assert await client.capacity.charge.read() == pytest.approx(2, abs=0.01)

    run(work)


def test_notices_come_to_iterators_and_callbacks_as_they_happen() -> None:
    async def work() -> None:
        heard: list[str] = []
        async with tarn() as client:
            client.on_notice(lambda event: heard.append(str(event)))
            await client.sink.start()
            await asyncio.sleep(10)  # nobody feeds the watchdog
            assert any("link_silent" in each for each in heard)
            assert [event async for event in client.notices(timeout=1)]

    run(work)


def test_it_waits_for_a_condition_and_gives_up_in_time() -> None:
    async def work() -> None:
        async with tarn("?bench=lithium-pack") as client:
            await client.sink.level.put(2)
            await client.capacity.start()

            async def half_an_hour() -> bool:
                charge: float = await client.capacity.charge.read()
                return charge > 1.0

            assert not await client.wait_for(half_an_hour, timeout=600, every=60)
            assert await client.wait_for(half_an_hour, timeout=3600, every=60)

    run(work)


def test_an_emulation_has_a_bench_and_advances_on_the_loops_clock() -> None:
    async def work() -> None:
        async with wirevow.emulate("tarn", bench="lithium-pack", seed=7) as running:
            load = running.client
            await load.sink.level.put(3.0)
            await load.sink.start()
            running.bench("ambient", 90.0)
            tripped = asyncio.create_task(anext(aiter(load.notices(timeout=900))))
            await running.advance(minutes=15)
            assert (await tripped).name == "trip"
            assert running.now >= 900
            assert str(await load.trip.last.read()).startswith("overheat")

    run(work)


def test_a_wait_that_nothing_ends_is_an_error_that_says_so() -> None:
    async def work() -> None:
        async with wirevow.connect_async("emu://brae", "brae") as client:
            with pytest.raises(wirevow.HungWait, match="virtual time"):
                async for _ in client.notices(timeout=None):
                    pass

    run(work)


def test_another_documents_instrument_and_a_bad_url_are_one_clear_error() -> None:
    async def work() -> None:
        with pytest.raises(wirevow.WrongInstrument, match=r"tarn.*brae"):
            async with wirevow.connect_async("emu://tarn", "brae"):
                pass
        for url in ("rfc2217://127.0.0.1:1", "emu://tarn?name=mine", "socket://nowhere"):
            with pytest.raises(wirevow.WirevowError, match="//"):
                await wirevow.connect_async(url, "tarn").open()
        client = tarn()
        with pytest.raises(wirevow.WirevowError, match="not open"):
            await client.read()
        async with client:
            pass
        with pytest.raises(wirevow.WirevowError, match="closed"):
            await client.read()

    run(work)


@pytest.mark.parametrize("listen", ["pty", "tcp:127.0.0.1:0"])
def test_the_end_is_safe_at_a_real_port_whatever_ends_it(listen: str) -> None:
    async def hurt(url: str, how: str) -> None:
        async with wirevow.connect_async(url, "tarn") as client:
            await client.sink.start()
            assert await client.self.state.read() == "sinking"
            if how == "exception":
                raise ZeroDivisionError
            if how == "cancelled":
                asyncio.current_task().cancel()  # type: ignore[union-attr]
            if how == "timeout":
                async with asyncio.timeout(0.05):
                    await client.sleep(10)
            await client.sleep(0)

    async def work(url: str) -> None:
        for how, error in (
            ("exception", ZeroDivisionError),
            ("cancelled", asyncio.CancelledError),
            ("timeout", TimeoutError),
        ):
            with pytest.raises(error):
                await asyncio.create_task(hurt(url, how))
            async with wirevow.connect_async(url, "tarn") as client:
                assert await client.self.state.read() == "off"

    with serving(listen) as url:
        asyncio.run(work(url))
