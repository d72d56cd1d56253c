"""Traffic past an open page: 200 lines a second. Does it draw in time, and does its heap stay as it is?

    python -m tests.emu.panel.traffic SECONDS

Prints the 95th percentile of the time between frames and how the heap has grown; ends with status 1 if one of
them is too much.
"""

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import serial

from tests import browser as browsers
from tests.emu.panel.serving import Serving, panel

LINES_PER_S = 200
FRAME_MS = 20.0
GROWTH = 1.15
"""Of the heap after collection, from when the log of the page is full."""
REQUESTS = (b"ask input.voltage\n", b"ask input.current\n", b"put sink.level 1.000 A\n", b"ask self.state\n")
WARM_S = 10.0
"""The page keeps 300 lines: so long until they are there."""
FRAMES = """() => {
    window.frames = []; let last = performance.now();
    const step = (now) => { window.frames.push(now - last); last = now; requestAnimationFrame(step); };
    requestAnimationFrame(step);
}"""


@contextmanager
def opened(serving: Serving) -> Iterator[Any]:
    """The page in Chromium; None of its bytes come from elsewhere."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = browsers.started(playwright)
        page = browser.new_page(viewport={"width": 1600, "height": 1000})
        page.goto(serving.page)
        page.wait_for_selector("#state:not(:empty)")
        yield page
        browser.close()


def talk(port: str, seconds: float) -> int:
    """Be a host that sends half the lines, the instrument the other half; how many there were."""
    lines, begun = 0, time.monotonic()
    with serial.serial_for_url(port, timeout=30) as opened_port:
        while (passed := time.monotonic() - begun) < seconds:
            while lines < passed * LINES_PER_S:
                opened_port.write(REQUESTS[lines // 2 % len(REQUESTS)])
                assert opened_port.readline().startswith(b"ok")
                lines += 2
            time.sleep(0.005)
    return lines


def measured(seconds: float) -> dict[str, float]:
    """The percentile in ms, the growth, and the rate."""
    with panel("tarn", "--listen", "tcp:127.0.0.1:0") as serving, opened(serving) as page:
        assert serving.port is not None
        tools = page.context.new_cdp_session(page)

        def heap() -> float:
            tools.send("HeapProfiler.collectGarbage")
            return float(tools.send("Runtime.getHeapUsage")["usedSize"])

        talk(serving.port, WARM_S)
        before = heap()
        page.evaluate(FRAMES)
        counts: list[int] = []
        host = threading.Thread(target=lambda: counts.append(talk(str(serving.port), seconds)))
        host.start()
        host.join()
        frames = sorted(page.evaluate("window.frames.splice(0)"))
        page.evaluate("window.frames = []")
        return {
            "frame_ms": frames[int(len(frames) * 0.95)],
            "frames_per_s": len(frames) / seconds,
            "growth": heap() / before,
            "lines_per_s": counts[0] / seconds,
        }


def main(seconds: float) -> int:
    found = measured(seconds)
    print(
        f"page: {found['lines_per_s']:.0f} lines/s for {seconds:.0f} s: 95 % of frames within "
        f"{found['frame_ms']:.1f} ms, heap times {found['growth']:.2f}"
    )
    return 0 if found["frame_ms"] < FRAME_MS and found["growth"] < GROWTH else 1


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1])))
