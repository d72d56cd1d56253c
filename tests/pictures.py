"""The pictures that the README shows are of what stands now.

`python -m tests.pictures` makes them anew; a test tells what is stale. Each picture carries the text that is
to be read in it (in its PNG, as `Description`): that has to be the same to the letter. How it looks is held
against the picture only roughly, since fonts differ from machine to machine.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from PIL import Image, ImageChops, ImageStat
from PIL.PngImagePlugin import PngInfo

from tests import browser as browsers
from wirevow.emu import checking
from wirevow.emu.loading import sound
from wirevow.protocol.report import page
from wirevow.protocol.vow import compile_vow

ROOT = Path(__file__).parent.parent
FOLDER = ROOT / "spec" / "pictures"
WIDTH, HEIGHT = 1000, 860
COARSE = 12
"""Pixels of a picture that are compared as one."""
UNLIKE = 12.0
"""Mean difference, of 255, from which on a picture looks otherwise."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture, and the text that is to be read in it."""

    png: bytes
    text: str

    @property
    def image(self) -> Image.Image:
        return Image.open(io.BytesIO(self.png)).convert("RGB")

    def small(self) -> bytes:
        """The file: few colours, and the text."""
        told = PngInfo()
        told.add_itxt("Description", self.text)
        out = io.BytesIO()
        self.image.quantize(96, dither=Image.Dither.NONE).save(out, "PNG", optimize=True, pnginfo=told)
        return out.getvalue()


@contextmanager
def tab_of(width: int, height: int) -> Iterator[Any]:
    """A page of the browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        shown = ("--disable-gpu", "--font-render-hinting=none", "--hide-scrollbars")
        browser = browsers.started(playwright, *shown)
        try:
            tab = browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
            yield tab
        finally:
            browser.close()


@contextmanager
def shown(html: str) -> Iterator[Any]:
    """A page of the browser that shows this."""
    with tab_of(WIDTH, HEIGHT) as tab:
        tab.set_content(html)
        yield tab


@cache
def checked(port: str, *only: str) -> str:
    """The page of a check of Tarn, as if it had been made at a certain time."""
    loaded = sound(str(ROOT / "spec" / "tarn.yaml"))
    vow = compile_vow(loaded.document)
    ended = checking.run(
        loaded, vow, port, rig=None, seed=0, envelope=None, budget=None, extra_states=0, only=only
    )
    outcome = replace(ended.outcome, started="2026-03-01T12:00:00+00:00", seconds=9.0)
    return page.text(outcome, vow).replace(f"{loaded.name}:", "tarn.yaml:")


def report() -> Picture:
    """The head of a check's report."""
    with shown(checked("emu://tarn")) as tab:
        return Picture(tab.screenshot(), tab.locator("header").inner_text())


def failure() -> Picture:
    """A failure that has a picture of its readings."""
    with shown(checked("emu://tarn?fault=derating-never", "derating")) as tab:
        article = tab.locator("article.breach", has=tab.locator("svg")).first
        box = article.bounding_box()
        clip = {**box, "height": min(box["height"], HEIGHT)}
        return Picture(tab.screenshot(clip=clip, full_page=True), article.inner_text())


def discharge() -> Picture:
    """A capacity run on the simulated instrument."""
    from wirevow.emu.bench import Bench
    from wirevow.emu.plant.pictures import discharge as drawn
    from wirevow.protocol.document.load import load_document, load_yaml_model

    document = load_document(ROOT / "spec" / "tarn.yaml").document
    bench = load_yaml_model(ROOT / "spec" / "bench" / "lithium-pack.yaml", Bench).document
    made = drawn(document, bench, 2.5, 9.0, 1)
    out = io.BytesIO()
    made.savefig(out, format="png", dpi=100)
    from matplotlib.text import Text

    texts = (each.get_text() for each in made.findobj(Text))
    return Picture(out.getvalue(), "\n".join(text for text in texts if text))


def bench() -> Picture:
    """The web bench with a battery at work; what is told of it are its headings and buttons."""
    from tests.emu.panel.serving import panel

    served = panel("tarn", "--bench", "lithium-pack", "--listen", "tcp:127.0.0.1:0")
    with served as serving, tab_of(1280, 1080) as tab:
        tab.goto(serving.page)
        tab.get_by_role("button", name="Hold time").click()
        tab.locator("#contact", has_text="Time stands").wait_for()
        tab.locator('[id="put-sink.level"]').fill("2.5")
        tab.locator('[id="put-sink.level"]').press("Enter")
        for action, state in (("sink.arm", "armed"), ("sink.start", "sinking")):
            tab.locator(f'[id="act-{action}"]').click()
            tab.locator("#state", has_text=state).wait_for()
        tab.get_by_role("button", name="+1 min").click()
        tab.locator("#value-heat\\.sink", has_not_text="25.0").wait_for()
        told = tab.locator("h1, h2, h3, button").all_inner_texts()
        return Picture(tab.screenshot(), "\n".join(told))


PICTURES: dict[str, Callable[[], Picture]] = {
    "bench": bench,
    "report": report,
    "failure": failure,
    "discharge": discharge,
}


def stale(name: str) -> str:
    """What is not as it was in a picture; empty if it stands."""
    file = FOLDER / f"{name}.png"
    if not file.exists():
        return "there is no such picture"
    kept, now = Image.open(file), PICTURES[name]()
    if kept.info.get("Description") != now.text:
        return f"its text was\n{kept.info.get('Description')}\nand is\n{now.text}"
    small = [
        each.convert("L").resize((each.width // COARSE, each.height // COARSE), Image.Resampling.BOX)
        for each in (kept, now.image)
    ]
    if any(abs(one - other) > 2 for one, other in zip(small[0].size, small[1].size, strict=True)):
        return f"its size was {kept.size} and is {now.image.size}"
    difference = ImageStat.Stat(ImageChops.difference(small[0], small[1].resize(small[0].size))).mean[0]
    return f"it looks otherwise ({difference:.1f} of 255 on the mean)" if difference > UNLIKE else ""


def main() -> int:
    if browsers.path() is None:
        print(browsers.MISSING, file=sys.stderr)
        return 2
    FOLDER.mkdir(exist_ok=True)
    for name, make in PICTURES.items():
        file = FOLDER / f"{name}.png"
        file.write_bytes(make().small())
        print(file.relative_to(ROOT), f"{file.stat().st_size // 1024} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
