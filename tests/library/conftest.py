"""Small pictures and libraries that the tests of this room share, and a real browser where one is installed."""

from __future__ import annotations

import asyncio
import base64
import fcntl
import io
import itertools
import json
import os
import shutil
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tornado.httpclient import HTTPRequest
from tornado.websocket import websocket_connect


def patterned(seed: int, size: tuple[int, int] = (160, 120)) -> np.ndarray:
    """A picture (H, W, 3) uint8 that no other seed resembles."""
    rng = np.random.default_rng(seed)
    coarse = Image.fromarray(rng.integers(0, 255, (7, 9, 3), dtype=np.uint8))
    return np.array(coarse.resize(size, Image.Resampling.BICUBIC))


def with_metadata(rgb: np.ndarray, orientation: int = 1) -> bytes:
    """A JPEG as a phone might write it: place, serial number, owner, and a small picture of the whole."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "SECRETMAKER", "SECRETMODEL", orientation
    exif[0x013B] = "SECRETARTIST"
    exif.get_ifd(0x8769).update({0xA431: "SECRETSERIAL", 0xA430: "SECRETOWNER", 0x927C: b"SECRETNOTE"})
    exif.get_ifd(0x8825).update({1: "N", 2: (51.0, 30.0, 0.0), 3: "W", 4: (0.0, 7.0, 0.0)})
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=92, exif=exif.tobytes(), comment=b"SECRETCOMMENT")
    return stream.getvalue() + b"\xff\xd8SECRETPREVIEW\xff\xd9"


@pytest.fixture(scope="session")
def pictures():
    """The two makers of pictures above."""
    return patterned, with_metadata


@pytest.fixture
def library(tmp_path):
    """An empty library."""
    from specimeter.library import store

    with store.create(tmp_path / "library") as opened:
        yield opened


@pytest.fixture
def filled(library, tmp_path):
    """A library of eight entries of several kinds, sizes, tests and qualities."""
    from specimeter.library import catalogue, picture
    from specimeter.library.entry import made

    ring = [[40.0, 40.0], [80.0, 40.0], [80.0, 60.0], [40.0, 60.0]]
    for number, (title, test, kind, length, quality) in enumerate(
        [
            ("Straight gap along the wall", "side-bend", "lack-of-sidewall-fusion", 3.4, 90),
            ("Torn pore", "side-bend", "pore", 1.2, 60),
            ("Round pore", "nick-break", "pore", 2.0, 80),
            ("Line of slag", "nick-break", "slag", 5.5, 70),
            ("Root not joined", "root-bend", "lack-of-root-fusion", 8.0, 85),
            ("Notch at the toe", "macro-fillet", "undercut", 0.7, 40),
            ("Crack from the crater", "face-bend", "crack", 2.9, 55),
            ("Nothing to see", "side-bend", None, None, 50),
        ]
    ):
        path = tmp_path / f"{number}.png"
        Image.fromarray(patterned(number)).save(path)
        seen = [{"id": "f1", "kind": kind, "outline_px": ring, "length_mm": length, "U_length_mm": 0.1}] if kind else []
        fields = {"title": title, "test": test, "quality": quality, "seen": seen, "clean": not seen, "process": "136"}
        fields |= {"truth": "drawn for the tests"}
        fields |= {"licence": "CC0", "permission": "drawn for the tests", "mm_per_px": 0.05, "coupon": f"C{number // 2}"}
        catalogue.add(library, picture.copy_of(path), made(fields))
    return library


def record_of(
    photo_sha256: str,
    who: str | None = None,
    outcome: str = "no-limits",
    length_mm: float = 2.5,
    when: str = "2026-03-21T09:30:00+00:00",
):
    """A small record of one photograph with two features, one of them rejected."""
    from specimeter.record import model

    view = {"focal_px": 1000.0, "centre_px": (80.0, 60.0), "k1": 0.0, "k2": 0.0, "translation_mm": (0.0, 0.0, 300.0)}
    view["rotation"] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    ring = ((1.0, 1.0), (9.0, 1.0), (9.0, 4.0))
    feature = {"photo": "p1", "found_by": "auto", "confidence": 0.9, "outline_px": ring, "u_edge_px": 0.3, "u_tip_px": 0.5}
    return model.logged(
        {
            "sheet": {
                "specimen": {"id": "SB-1", "test": "side-bend", "parent_thickness_mm": 25.0},
                "weld": {"process": "136"},
                "people": {"measured_by": who} if who else {},
            },
            "photos": ({"id": "p1", "file": "face.png", "sha256": photo_sha256, "width_px": 160, "height_px": 120},),
            "scales": (
                {
                    "photo": "p1",
                    "method": "card",
                    "mm_per_px": 0.05,
                    "u_rel": 0.001,
                    "surface_height_mm": 0.0,
                    "surface_height_u_mm": 0.5,
                    "tilt_deg": 0.0,
                    "view": view,
                    "budget": (),
                    "evidence": {},
                },
            ),
            "surfaces": (),
            "examined": ({"photo": "p1", "outline_px": ring, "found_by": "auto", "confidence": 0.9},),
            "features": (
                {
                    **feature,
                    "id": "f1",
                    "kind": "opening",
                    "status": "confirmed",
                    "length_mm": length_mm,
                    "U_length_mm": 0.2,
                    "cause": "slag",
                },
                {**feature, "id": "f2", "kind": "opening", "status": "rejected", "reason": "a scratch"},
            ),
            "verdicts": (),
            "outcome": outcome,
            "reasons": (),
            "cautions": (),
            "tool": {"version": "0", "settings": {}},
        },
        {"when": when, "who": "specimeter", "what": "measured"},
    )


@pytest.fixture(scope="session")
def a_record():
    """The maker of records above."""
    return record_of


class Chromium:
    """A headless browser, spoken to through its two pipes (DevTools protocol); no driver and no network."""

    def __init__(self, program: str, profile: Path) -> None:
        theirs_in, ours_out = os.pipe()
        ours_in, theirs_out = os.pipe()
        high = [fcntl.fcntl(end, fcntl.F_DUPFD, 20) for end in (theirs_in, theirs_out)]

        def ends() -> None:  # the browser reads from 3 and writes to 4
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        options = "--headless --no-sandbox --disable-gpu --hide-scrollbars --disable-dev-shm-usage --remote-debugging-pipe"
        options += " --force-prefers-reduced-motion"  # what scrolls smoothly would move away under the mouse
        self.process = subprocess.Popen(
            [program, *options.split(), f"--user-data-dir={profile}", "about:blank"],
            preexec_fn=ends,
            pass_fds=(3, 4),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for end in (theirs_in, theirs_out, *high):
            os.close(end)
        self.out, self.into = os.fdopen(ours_out, "wb", buffering=0), os.fdopen(ours_in, "rb", buffering=0)
        self.numbers, self.rest, self.session = itertools.count(1), b"", None
        self.events: list[dict] = []

    def ask(self, method: str, **parameters):
        """One command and its answer; events met on the way are kept."""
        number = next(self.numbers)
        message = {"id": number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        self.out.write(json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == number:
                assert "error" not in answer, answer
                return answer["result"]
            self.events.append(answer)

    def _next(self) -> dict:
        while b"\0" not in self.rest:
            piece = self.into.read(1 << 20)
            assert piece, "the browser went away"
            self.rest += piece
        message, self.rest = self.rest.split(b"\0", 1)
        return json.loads(message)

    def open(self, address: str, width: int = 1200, height: int = 900, *, phone: bool = False) -> None:
        """Load a page and wait until it is there."""
        if self.session is None:
            target = self.ask("Target.createTarget", url="about:blank")["targetId"]
            self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Log"):
                self.ask(f"{domain}.enable")
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=phone)
        self.ask("Emulation.setTouchEmulationEnabled", enabled=phone)
        self.events.clear()
        self.ask("Page.navigate", url=address)
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next())

    def run(self, script: str):
        """The value of a script's last expression."""
        answer = self.ask("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def complaints(self) -> list[str]:
        """Errors that the page wrote since it was opened."""
        self.run("1")
        out = []
        for event in self.events:
            if event.get("method") == "Runtime.exceptionThrown":
                out.append(event["params"]["exceptionDetails"].get("text", "") + json.dumps(event["params"])[:300])
            if event.get("method") == "Log.entryAdded" and event["params"]["entry"]["level"] == "error":
                out.append(event["params"]["entry"]["text"])
        return out

    def place(self, selector: str) -> tuple[float, float]:
        """The middle of an element, scrolled into sight; a page that is still being drawn is waited for."""
        for _ in range(100):
            if self.run(f"document.querySelector({json.dumps(selector)}) !== null"):
                break
            time.sleep(0.05)
        found = self.run(
            f"(function(){{var e=document.querySelector({json.dumps(selector)});"
            "e.scrollIntoView({block:'center',behavior:'instant'});"
            "var r=e.getBoundingClientRect();return [r.left+r.width/2,r.top+r.height/2];}())"
        )
        return found[0], found[1]

    def click(self, selector: str) -> None:
        """Press and let go the mouse in the middle of an element."""
        x, y = self.place(selector)
        self.drag([(x, y)])

    def drag(self, points: list[tuple[float, float]]) -> None:
        """The mouse pressed at the first point, led through the others, let go at the last."""
        for kind, (x, y) in [
            ("mousePressed", points[0]),
            *(("mouseMoved", p) for p in points[1:]),
            ("mouseReleased", points[-1]),
        ]:
            self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=1, clickCount=1)

    def touch(self, points: list[tuple[float, float]]) -> None:
        """The same with a finger."""
        for kind, some in [("touchStart", points[:1]), *(("touchMove", [p]) for p in points[1:]), ("touchEnd", [])]:
            self.ask("Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y} for x, y in some])

    def key(self, name: str) -> None:
        """One key pressed and let go."""
        text = {"Enter": "\r"}.get(name, "")
        for kind in ("keyDown", "keyUp"):
            self.ask(
                "Input.dispatchKeyEvent",
                type=kind,
                key=name,
                code=name,
                **({"text": text} if text and kind == "keyDown" else {}),
            )

    def picture(self, path: Path, *, whole: bool = False) -> Path:
        """A PNG of what is seen, or of the whole page."""
        data = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=whole)["data"]
        path.write_bytes(base64.b64decode(data))
        return path

    def close(self) -> None:
        self.session = None
        try:
            self.ask("Browser.close")
        finally:
            self.out.close()
            self.process.wait(timeout=20)
            self.into.close()


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """A real Chromium, or None where none is installed: then pages are checked as text alone, and the test says so."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        print("no Chromium here: the pages were checked as text alone")
        yield None
        return
    opened = Chromium(program, tmp_path_factory.mktemp("profile"))
    yield opened
    opened.close()


FIREFOX = {
    "browser.download.folderList": 2,
    "browser.download.useDownloadDir": True,
    "browser.download.always_ask_before_handling_new_types": False,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "app.update.auto": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "ui.prefersReducedMotion": 1,  # what scrolls smoothly would move away under the mouse
}
PATIENCE_S = 180


class Firefox:
    """A real Firefox over WebDriver BiDi (W3C), which it speaks itself; methods do what their names say."""

    def __init__(self, program: str, profile: Path, downloads: Path) -> None:
        wanted = {**FIREFOX, "browser.download.dir": str(downloads)}
        lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in wanted.items()]
        (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
        command = [
            program,
            "--headless",
            "--no-remote",
            "--profile",
            str(profile),
            "--remote-debugging-port",
            "0",
            "about:blank",
        ]
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
        address = next(line.split()[-1] for line in self.process.stderr if "WebDriver BiDi listening on" in line)
        self.saved = downloads
        self.loop, self.numbers, self.entries = asyncio.new_event_loop(), itertools.count(1), []
        request = HTTPRequest(f"{address}/session", connect_timeout=PATIENCE_S)
        self.socket = self.loop.run_until_complete(_connected(request))
        self.ask("session.new", capabilities={})
        self.ask("session.subscribe", events=["log.entryAdded"])
        self.context = self.ask("browsingContext.getTree")["contexts"][0]["context"]

    def ask(self, method: str, **parameters):
        """What a command answers; AssertionError where it is refused."""
        number = next(self.numbers)
        self.loop.run_until_complete(_sent(self.socket, {"id": number, "method": method, "params": parameters}))
        while True:
            told = json.loads(self.loop.run_until_complete(asyncio.wait_for(_next(self.socket), PATIENCE_S)))
            if told.get("method") == "log.entryAdded":
                self.entries.append(told["params"])
            elif told.get("id") == number:
                assert told["type"] == "success", told
                return told["result"]

    def open(self, address: str, width: int = 1200, height: int = 844) -> None:
        self.ask("browsingContext.setViewport", context=self.context, viewport={"width": width, "height": height})
        self.entries.clear()
        self.ask("browsingContext.navigate", context=self.context, url=address, wait="complete")

    def run(self, script: str):
        """The value of a script's last expression."""
        target = {"context": self.context}
        told = self.ask("script.evaluate", expression=script, target=target, awaitPromise=True, resultOwnership="none")
        assert told["type"] == "success", told
        return _plain(told["result"])

    def complaints(self) -> list[str]:
        """Errors that the page wrote since it was opened."""
        self.run("1")
        return [str(entry.get("text")) for entry in self.entries if entry["level"] == "error"]

    def violations(self) -> list[str]:
        """What axe-core finds on the page that is open."""
        import axe_core_python

        self.run((Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8") + ";1")
        told = "function (v) { return v.id + ': ' + v.nodes[0].html.slice(0, 200); }"
        return self.run(f"axe.run().then(function (r) {{ return r.violations.map({told}); }})")

    def click(self, selector: str) -> None:
        found = self.run(
            f"(function(){{var e=document.querySelector({json.dumps(selector)});"
            "e.scrollIntoView({block:'center',behavior:'instant'});"
            "var r=e.getBoundingClientRect();return [r.left+r.width/2,r.top+r.height/2];}())"
        )
        self.drag([tuple(found)])

    def drag(self, points: list[tuple[float, float]]) -> None:
        """The mouse pressed at the first point, led through the others, let go at the last."""
        moves = [{"type": "pointerMove", "x": round(x), "y": round(y)} for x, y in points]
        steps = [moves[0], {"type": "pointerDown", "button": 0}, *moves[1:], {"type": "pointerUp", "button": 0}]
        mouse = {"type": "pointer", "id": "mouse", "parameters": {"pointerType": "mouse"}, "actions": steps}
        self.ask("input.performActions", context=self.context, actions=[mouse])

    def picture(self, path: Path, *, whole: bool = False) -> Path:
        """A PNG of what is seen, or of the whole page."""
        origin = "document" if whole else "viewport"
        told = self.ask("browsingContext.captureScreenshot", context=self.context, origin=origin)
        path.write_bytes(base64.b64decode(told["data"]))
        return path

    def close(self) -> None:
        try:
            self.ask("browser.close")
        finally:
            self.socket.close()
            self.process.wait(timeout=60)
            self.process.stderr.close()
            self.loop.close()


async def _connected(request: HTTPRequest):
    return await websocket_connect(request)


async def _sent(socket, message: dict) -> None:
    await socket.write_message(json.dumps(message))


async def _next(socket) -> str:
    return await socket.read_message()


def _plain(value: dict):
    """A remote value (W3C WebDriver BiDi, 7.6.3) as Python has it."""
    kind, inner = value["type"], value.get("value")
    if kind == "array":
        return [_plain(item) for item in inner]
    if kind == "object":
        return {key if isinstance(key, str) else _plain(key): _plain(item) for key, item in inner}
    return inner


@pytest.fixture(scope="session")
def firefox(tmp_path_factory):
    """A real Firefox with the folder that it saves to, or None where none is installed: then Chromium alone opens the pages."""
    program = shutil.which("firefox") or shutil.which("firefox-esr")
    if program is None:
        print("no Firefox here: Chromium alone opened the pages")
        yield None
        return
    opened = Firefox(program, tmp_path_factory.mktemp("firefox"), tmp_path_factory.mktemp("saved"))
    yield opened
    opened.close()
