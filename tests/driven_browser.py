"""A browser that is driven: opens an address, presses keys, says what is on the page, takes pictures.

Chromium's own protocol over a pair of pipes, which needs no library and no port. It reaches this computer only.
"""

import base64
import contextlib
import json
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from browser import CHROMIUM
from waiting import PATIENCE_S, eventually

KEYS = {"Tab": 9, "Enter": 13, "Escape": 27}


class Driven:
    """One page of a running chromium."""

    def __init__(self, folder: Path) -> None:
        (theirs_in, self._out), (self._in, theirs_out) = os.pipe(), os.pipe()

        def places() -> None:
            high_in, high_out = os.dup(theirs_in), os.dup(theirs_out)
            os.dup2(high_in, 3)
            os.dup2(high_out, 4)

        command = [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--hide-scrollbars",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1", "--remote-debugging-pipe",
            f"--user-data-dir={folder}", "about:blank",
        ]  # fmt: skip
        self._process = subprocess.Popen(
            command,
            preexec_fn=places,  # noqa: PLW1509  (two calls of the system, and no lock)
            pass_fds=(3, 4),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        self._rest, self._number, self._session = b"", 0, ""
        target = self._call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self._call("Page.enable")

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        for descriptor in (self._in, self._out):
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def _call(self, method: str, **parameters: Any) -> dict[str, Any]:
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        for reply in self._messages():
            if reply.get("id") == self._number:
                assert "error" not in reply, reply
                return reply["result"]  # type: ignore[no-any-return]
        raise AssertionError(method)

    def _messages(self) -> Iterator[dict[str, Any]]:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            while b"\0" not in self._rest:
                part = os.read(self._in, 65_536)
                assert part, "the browser has gone"
                self._rest += part
            text, _, self._rest = self._rest.partition(b"\0")
            yield json.loads(text)

    # ---- what a person does ----

    def size(self, width_px: int, height_px: int, *, dark: bool = False) -> None:
        self._call(
            "Emulation.setDeviceMetricsOverride", width=width_px, height=height_px, deviceScaleFactor=1, mobile=False
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._call("Emulation.setEmulatedMedia", features=[scheme])

    def script(self, *, on: bool) -> None:
        self._call("Emulation.setScriptExecutionDisabled", value=not on)

    def open(self, address: str) -> None:
        self._call("Page.navigate", url=address)
        eventually(lambda: self.say("document.readyState") == "complete", f"{address} to be loaded", PATIENCE_S)

    def press(self, key: str) -> None:
        for kind in ("keyDown", "keyUp"):
            text = {"text": "\r"} if key == "Enter" and kind == "keyDown" else {}
            self._call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=KEYS[key], **text)

    # ---- what is there ----

    def say(self, expression: str) -> Any:
        """Return what an expression of the page comes to; works with the page's own scripts switched off, too."""
        result = self._call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in result, result["exceptionDetails"]
        return result["result"].get("value")

    @property
    def words(self) -> str:
        return " ".join(str(self.say("document.body?.innerText ?? ''")).split())

    def picture(self, png: Path, *, whole: bool = True) -> None:
        picture = self._call("Page.captureScreenshot", captureBeyondViewport=whole)
        png.write_bytes(base64.b64decode(picture["data"]))
