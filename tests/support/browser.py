"""A headless Chromium, spoken to over two pipes by its DevTools protocol: opens pages, photographs and prints them.

The browser starts without a network: every name resolves to nothing, and what a page asks for is kept to be looked at.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, Queue
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
ANSWER_SECONDS = 60.0
"""The longest wait for an answer: a browser starts slowly on a busy machine."""


def require_chromium() -> str:
    """Path of a Chromium, or a skip of the calling test that says what is missing."""
    for name in NAMES:
        found = shutil.which(name)
        if found:
            return found
    pytest.skip(f"No headless browser: none of {', '.join(NAMES)} is installed (Debian: apt-get install chromium).")


@dataclass(frozen=True)
class PageView:
    """What a browser made of a page.

    requests : addresses that the page asked for, itself left out
    complaints : console messages, exceptions and violations
    inner_width, content_width : of the window and of the page's content, CSS pixels
    clipped : tags and texts of the elements that stick out of the window's right side or whose content sticks out of them,
        but for those that scroll
    broken_pictures : number of pictures that could not be shown
    photograph : PNG of the whole page
    """

    requests: tuple[str, ...]
    complaints: tuple[str, ...]
    inner_width: int
    content_width: int
    clipped: tuple[str, ...]
    broken_pictures: int
    photograph: bytes


class Browser:
    """A running browser; make it with ``running_browser``."""

    def __init__(self, to_browser: int, from_browser: int) -> None:
        self._to, self._from = to_browser, from_browser
        self._messages: Queue[dict[str, Any]] = Queue()
        self._number = 0
        threading.Thread(target=self._listen, daemon=True).start()

    def view(self, page: Path, width: int, height: int = 900) -> PageView:
        """Open a page at a width, CSS pixels, and photograph all of it."""
        with self._tab(width, height) as (session, events):
            self._load(session, page, events)
            self._call("Runtime.evaluate", {"expression": _DECODE_PICTURES, "awaitPromise": True}, session, events)
            facts = self._evaluate(session, _MEASURE, events)
            whole = {"x": 0, "y": 0, "width": width, "height": facts["height"], "scale": 1}
            options = {"format": "png", "captureBeyondViewport": True, "clip": whole}
            photograph = base64.b64decode(self._call("Page.captureScreenshot", options, session, events)["data"])
            return PageView(_requests(events, page), _complaints(events), facts["innerWidth"], facts["contentWidth"],
                            tuple(facts["clipped"]), facts["broken"], photograph)

    def print(self, page: Path) -> bytes:
        """The page on A4 paper as a PDF."""
        with self._tab(1280, 900) as (session, events):
            self._load(session, page, events)
            options = {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": False}
            return base64.b64decode(self._call("Page.printToPDF", options, session, events)["data"])

    @contextmanager
    def _tab(self, width: int, height: int) -> Iterator[tuple[str, list[dict[str, Any]]]]:
        events: list[dict[str, Any]] = []
        target = self._call("Target.createTarget", {"url": "about:blank"}, None, events)["targetId"]
        session = self._call("Target.attachToTarget", {"targetId": target, "flatten": True}, None, events)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self._call(f"{domain}.enable", {}, session, events)
        self._call("Network.emulateNetworkConditions", {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
                   session, events)
        self._call("Emulation.setDeviceMetricsOverride", {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
                   session, events)
        try:
            yield session, events
        finally:
            self._call("Target.closeTarget", {"targetId": target}, None, events)

    def _load(self, session: str, page: Path, events: list[dict[str, Any]]) -> None:
        answer = self._call("Page.navigate", {"url": page.resolve().as_uri()}, session, events)
        assert "errorText" not in answer, answer["errorText"]
        while not any(event["method"] == "Page.loadEventFired" for event in events):
            events.append(self._next())

    def _evaluate(self, session: str, script: str, events: list[dict[str, Any]]) -> Any:
        return self._call("Runtime.evaluate", {"expression": script, "returnByValue": True}, session, events)["result"]["value"]

    def _call(self, method: str, parameters: Mapping[str, Any], session: str | None, events: list[dict[str, Any]]) -> dict[str, Any]:
        """Send a command and wait for its answer; events that come meanwhile are kept."""
        self._number += 1
        command = {"id": self._number, "method": method, "params": parameters} | ({"sessionId": session} if session else {})
        os.write(self._to, json.dumps(command).encode() + b"\0")
        while True:
            message = self._next()
            if message.get("id") == self._number:
                assert "error" not in message, f"{method}: {message['error']}"
                return dict(message["result"])
            if "method" in message:
                events.append(message)

    def _next(self) -> dict[str, Any]:
        try:
            return self._messages.get(timeout=ANSWER_SECONDS)
        except Empty:
            raise TimeoutError(f"The browser said nothing for {ANSWER_SECONDS:g} seconds.") from None

    def _listen(self) -> None:
        waiting = b""
        while piece := os.read(self._from, 1 << 16):
            *whole, waiting = (waiting + piece).split(b"\0")
            for text in whole:
                self._messages.put(json.loads(text))


@contextmanager
def running_browser() -> Iterator[Browser]:
    """A browser with a profile of its own, closed at the end; skips where none is installed."""
    program = require_chromium()
    commands_out, commands_in = os.pipe()
    answers_out, answers_in = os.pipe()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--remote-debugging-pipe", "--no-first-run",
                   "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-default-apps",
                   "--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={profile}", "about:blank"]
        # the browser reads commands from descriptor 3 and answers on descriptor 4
        shell = f'exec "$0" "$@" 3<&{commands_out} 4>&{answers_in}'
        process = subprocess.Popen(["bash", "-c", shell, program, *options], pass_fds=(commands_out, answers_in),
                                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(commands_out)
        os.close(answers_in)
        try:
            yield Browser(commands_in, answers_out)
        finally:
            process.terminate()
            process.wait(timeout=20)
            os.close(commands_in)


def _requests(events: list[dict[str, Any]], page: Path) -> tuple[str, ...]:
    asked = [event["params"]["request"]["url"] for event in events if event["method"] == "Network.requestWillBeSent"]
    return tuple(url for url in asked if url != page.resolve().as_uri() and not url.startswith("data:"))


def _complaints(events: list[dict[str, Any]]) -> tuple[str, ...]:
    kinds = ("Log.entryAdded", "Runtime.exceptionThrown", "Runtime.consoleAPICalled")
    return tuple(json.dumps(event["params"]) for event in events if event["method"] in kinds)


_DECODE_PICTURES = "(async () => { await Promise.all([...document.images].map(image => image.decode().catch(() => 0))); })()"
_MEASURE = """(() => {
  const width = window.innerWidth, scrolls = element => element.closest('.table') !== null;
  const sticksOut = element => element.getBoundingClientRect().right > width + 1
    || element instanceof HTMLElement && element.clientWidth && element.scrollWidth > element.clientWidth + 1;
  const out = [...document.body.querySelectorAll('*')].filter(element => element.getClientRects().length && !scrolls(element)
    && sticksOut(element));
  return {innerWidth: width, contentWidth: document.documentElement.scrollWidth,
    height: Math.ceil(document.documentElement.getBoundingClientRect().height),
    clipped: out.map(element => element.tagName + ' ' + element.textContent.slice(0, 60)),
    broken: [...document.images].filter(image => !image.complete || !image.naturalWidth).length};
})()"""
