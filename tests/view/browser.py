"""A real Chromium, driven through its pipe (Chrome DevTools Protocol, --remote-debugging-pipe)."""

import base64
import json
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

_WORDS = (
    "--headless --no-sandbox --disable-gpu --enable-unsafe-swiftshader --disable-quic "
    "--no-first-run --disable-background-networking --disable-component-update --disable-sync "
    "--remote-debugging-pipe --window-size=1200,1000"
)
_PATIENCE_S = 90.0
_CODES = {"Tab": 9, "Enter": 13, " ": 32}  # of keys that do something by themselves


class Page:
    """One page in the browser: what it said, what it asked for, and what it answers."""

    def __init__(self, to_browser: int, from_browser: int) -> None:
        self._to, self._from = to_browser, from_browser
        self._number, self._rest, self._session = 0, b"", ""
        self.events: list[dict[str, Any]] = []

    def send(self, method: str, **values: Any) -> dict[str, Any]:
        """Send one command and wait for its answer."""
        self._number += 1
        asked: dict[str, Any] = {"id": self._number, "method": method, "params": values}
        if self._session:
            asked["sessionId"] = self._session
        os.write(self._to, json.dumps(asked).encode() + b"\0")
        end = time.monotonic() + _PATIENCE_S
        while time.monotonic() < end:
            told = self._read()
            if told.get("id") == self._number:
                assert "error" not in told, told
                answer = told["result"]
                assert isinstance(answer, dict)
                return answer
            self.events.append(told)
        raise TimeoutError(method)

    def _read(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            part = os.read(self._from, 1 << 20)
            assert part, "the browser has gone"
            self._rest += part
        line, self._rest = self._rest.split(b"\0", 1)
        told = json.loads(line)
        assert isinstance(told, dict)
        return told

    def open(self, file: Path | str) -> None:
        """Open a file, or an address, and wait until it is loaded."""
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self._session = str(session)
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")
        self.send("Page.navigate", url=file if isinstance(file, str) else file.as_uri())
        self.wait("document.readyState === 'complete'")

    def ask(self, expression: str) -> Any:
        """Run JavaScript in the page and give its value."""
        answer = self.send(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def wait(self, expression: str) -> None:
        """Wait until something holds in the page."""
        end = time.monotonic() + _PATIENCE_S
        while time.monotonic() < end:
            if self.ask(f"Boolean({expression})"):
                return
            time.sleep(0.1)
        raise TimeoutError(expression)

    def press(self, key: str, times: int = 1, *, text: str = "", shift: bool = False) -> None:
        """Press a key; `text` is what it types."""
        more = {"text": text} if text else {}
        for _ in range(times):
            for kind in ("keyDown", "keyUp"):
                down = {**more, "type": kind, "key": key, "code": key, "modifiers": 8 * shift}
                self.send(
                    "Input.dispatchKeyEvent", windowsVirtualKeyCode=_CODES.get(key, 0), **down
                )

    def tab_to(self, css: str) -> None:
        """Go to a control as somebody does who has a keyboard only."""
        for _ in range(200):
            if self.ask(f"Boolean(document.activeElement?.matches({json.dumps(css)}))"):
                return
            self.press("Tab")
        raise TimeoutError(css)

    def give(self, css: str, *files: Path) -> None:
        """Choose files in a field for them."""
        root = self.send("DOM.getDocument")["root"]["nodeId"]
        node = self.send("DOM.querySelector", nodeId=root, selector=css)["nodeId"]
        self.send("DOM.setFileInputFiles", nodeId=node, files=list(map(str, files)))

    def pdf(self, wide_in: float, tall_in: float) -> bytes:
        """Print the page."""
        printed = self.send(
            "Page.printToPDF",
            paperWidth=wide_in,
            paperHeight=tall_in,
            preferCSSPageSize=False,
            printBackground=True,
        )
        return base64.b64decode(printed["data"])

    def screenshot(self, **clip: float) -> bytes:
        """Take a picture of the page."""
        more = {"clip": {**clip, "scale": 1}} if clip else {}
        shot = self.send("Page.captureScreenshot", format="png", captureBeyondViewport=True, **more)
        return base64.b64decode(shot["data"])

    def requests(self) -> list[str]:
        """List the addresses that the page asked for."""
        sent = [e for e in self.events if e.get("method") == "Network.requestWillBeSent"]
        return [str(event["params"]["request"]["url"]) for event in sent]

    def complaints(self) -> list[dict[str, Any]]:
        """List errors, warnings and uncaught exceptions."""
        bad = {"Runtime.exceptionThrown", "Log.entryAdded"}
        said = [e for e in self.events if e.get("method") in bad]
        console = [e for e in self.events if e.get("method") == "Runtime.consoleAPICalled"]
        said = [
            e for e in said if e.get("params", {}).get("entry", {}).get("source") != "rendering"
        ]
        return said + [e for e in console if e["params"]["type"] in {"error", "warning", "assert"}]


@contextmanager
def browser(folder: Path) -> Iterator[Page]:
    """Start a browser with a profile of its own and end it afterwards."""
    page_reads, we_write = os.pipe()
    we_read, page_writes = os.pipe()
    # The browser reads from 3 and writes to 4; the shell puts the pipes there.
    words = f"exec chromium {_WORDS} --user-data-dir={folder} 3<&{page_reads} 4>&{page_writes}"
    run = subprocess.Popen(
        ["bash", "-c", words],
        pass_fds=(page_reads, page_writes),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(page_reads)
    os.close(page_writes)
    page = Page(we_write, we_read)
    try:
        yield page
    finally:
        os.close(we_write)  # the browser ends when its pipe does
        os.close(we_read)
        try:
            run.wait(timeout=10)
        except subprocess.TimeoutExpired:
            run.kill()
            run.wait()
