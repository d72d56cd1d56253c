"""The instrument for asyncio programs."""

import asyncio
import time
from collections.abc import Callable, Coroutine

import pytest

from tests.emu.fake import Fake
from wirevow.emu.ports.aio import InProcess, VirtualLoop, connect, open_emu_connection
from wirevow.protocol.errors import WirevowError


def run(work: Callable[[], Coroutine[object, object, None]]) -> None:
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(asyncio.wait_for(work(), 1e9))


def now_s() -> float:
    return asyncio.get_running_loop().time()


def test_a_request_and_its_answer_take_their_time_on_the_wire() -> None:
    async def work() -> None:
        reader, writer = connect(Fake(), "fake", 9600)
        begun = now_s()
        writer.write(b"ping abcd\n")
        assert await reader.readline() == b"ok abcd\n"
        assert now_s() - begun == pytest.approx(18 * 10 / 9600, abs=1e-6)
        writer.close()
        await writer.wait_closed()

    run(work)


def test_without_a_rate_it_answers_at_once() -> None:
    async def work() -> None:
        reader, writer = connect(Fake(), "fake", None)
        begun = now_s()
        writer.write(b"ping abcd\n")
        assert await reader.readline() == b"ok abcd\n"
        assert now_s() == begun
        writer.close()

    run(work)


def test_hours_pass_in_no_time_on_a_virtual_loop_and_everything_agrees_on_them() -> None:
    async def work() -> None:
        reader, writer = connect(Fake(), "fake", 9600)
        writer.write(b"later 36000 tick\n")
        assert await reader.readline() == b"ok\n"
        asleep = asyncio.create_task(asyncio.sleep(35999))
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(reader.readline(), 20000)
        assert not asleep.done()
        assert await reader.readline() == b"note tick\n"
        assert asleep.done()
        assert now_s() == pytest.approx(36000, abs=1)
        writer.close()

    begun = time.monotonic()
    run(work)
    assert time.monotonic() - begun < 60


def test_on_the_usual_loop_time_is_real() -> None:
    async def work() -> None:
        reader, writer = connect(Fake(), "fake", 115200)
        begun = time.monotonic()
        writer.write(b"later 0.05 tick\n")
        assert await reader.readline() == b"ok\n"
        assert await reader.readline() == b"note tick\n"
        assert time.monotonic() - begun >= 0.05
        writer.close()
        await writer.wait_closed()

    asyncio.run(work())


def test_tasks_read_and_write_side_by_side() -> None:
    async def work() -> None:
        reader, writer = connect(Fake(), "fake", 9600)

        async def say() -> None:
            for number in range(200):
                writer.write(b"ping %d\n" % number)
                await writer.drain()

        saying = asyncio.create_task(say())
        for number in range(200):
            assert await reader.readline() == b"ok %d\n" % number
        await saying
        writer.close()

    run(work)


def test_a_writer_is_held_back_while_too_much_is_under_way() -> None:
    async def work() -> None:
        _, writer = connect(Fake(), "fake", 9600)
        writer.write(b"x" * 9600)
        begun = now_s()
        await writer.drain()
        # 10 s of characters; drained to the low mark of 1024
        assert now_s() - begun == pytest.approx((9600 - 1024) * 10 / 9600, rel=0.2)
        writer.close()
        await writer.wait_closed()

    run(work)


def test_a_reader_that_does_not_read_is_not_flooded() -> None:
    async def work() -> None:
        reader, writer = connect(Fake(), "fake", 921600, limit=1000)
        writer.write(b"long 1000\n" * 500)
        await asyncio.sleep(100)
        assert len(reader._buffer) < 100_000  # type: ignore[attr-defined]
        for _ in range(500):
            assert await reader.readexactly(1000) == b"x" * 999 + b"\n"
        writer.close()

    run(work)


def test_closing_lets_what_was_written_arrive_and_aborting_does_not() -> None:
    async def work() -> None:
        for how, heard in (("close", b"last words\n"), ("abort", b"")):
            fake = Fake()
            reader, writer = connect(fake, "fake", 9600)
            writer.write(b"last words\n")
            getattr(writer.transport, how)()
            assert writer.is_closing()
            await writer.wait_closed()
            assert await reader.read() == b""
            assert fake.heard == heard
            assert fake.seen == [("opened",), ("closed",)]

    run(work)


def test_its_rig_holds_and_moves_time() -> None:
    async def work() -> None:
        reader, writer = connect(Fake(), "fake", 9600)
        rig = writer.get_extra_info("rig")
        rig.hold()
        writer.write(b"later 5 tick\n")
        assert await reader.readline() == b"ok\n"
        await asyncio.sleep(100)
        emitted = rig.counts(13)
        assert rig.advance(5 * 10**9, 13) == emitted + 10
        assert await reader.readline() == b"note tick\n"
        rig.run()
        writer.write(b"later 5 tick\n")
        assert await reader.readline() == b"ok\n"
        assert await reader.readline() == b"note tick\n"
        writer.close()

    run(work)


def test_a_url_opens_an_instrument_and_a_bad_one_is_an_error() -> None:
    async def work() -> None:
        with pytest.raises(WirevowError, match="no ready document 'torn'"):
            await open_emu_connection("emu://torn")
        reader, writer = await open_emu_connection("emu://tarn?seed=3")
        writer.write(b"\n@1f ask self.vow\n")
        line = await reader.readline()
        while not line.startswith(b"@1f "):
            line = await reader.readline()
        assert line.startswith(b"@1f ok tarn ")
        writer.close()
        await writer.wait_closed()

    run(work)


def test_hands_that_were_there_before_a_port_was_opened_again_are_on_the_same_clock() -> None:
    async def work() -> None:
        instrument = InProcess("emu://tarn")
        first = await instrument(asyncio.Protocol())
        before = instrument.rig
        await asyncio.sleep(1.0)
        first.close()
        await asyncio.sleep(2.0)
        reader = asyncio.StreamReader()
        second = await instrument(asyncio.StreamReaderProtocol(reader))
        await asyncio.sleep(0.5)
        second.write(b"ask self.uptime\n")
        assert await reader.readline() == b"ok 3 s\n"
        before.reset()
        second.write(b"put sink.level 1.000 A\nask self.boots\n")
        heard = [await reader.readline() for _ in range(3)]
        assert heard == [b"note 1 boot reset\n", b"ok 1.000 A\n", b"ok 2\n"]
        second.close()

    run(work)
