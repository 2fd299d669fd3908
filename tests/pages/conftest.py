"""A small balanced state of work for the page to look with: sky, stars, a galaxy's light, emission, missing pixels."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import tarfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from blend.base.master import Facts, Flag, Master, flags_of
from blend.base.shrink import shrink
from blend.recipe.model import load_recipe
from blend.recipe.state import Line, Work
from blend.recipe.target import target_from_options
from blend.science.picture import TargetLight

SIGMA = 0.001
RECIPE = """
title = "A made-up field"
[blend.red]
into = "red"
from = "ha.emission"
formula = "emission-add"
amount = 1.0
into_other_planes = {blue = 0.15, green = 0.05}
[blend.luminance]
into = "luminance"
from = "ha.emission"
formula = "screen"
amount = 0.3
"""


def balanced_work(
    text: str = RECIPE, *, shape: tuple[int, int] = (92, 120), settings: dict[str, Any] | None = None
) -> Work:
    """Return work as it stands after the balance step."""
    rng = np.random.default_rng(11)
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns].astype(np.float64)
    radius = np.hypot((x - 0.45 * columns) / (0.3 * columns), (y - 0.5 * rows) / (0.25 * rows))
    disc = 0.03 * np.exp(-3.0 * radius)
    mask = np.zeros(shape, dtype=np.float32)
    stars = np.zeros((3, *shape))
    for _ in range(25):
        at_x, at_y = rng.uniform(0, columns), rng.uniform(0, rows)
        spot = np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / 3.0)
        stars += rng.lognormal(-3.0, 1.5) * np.array([1.0, 0.8, rng.uniform(0.4, 1.2)])[:, None, None] * spot
        mask = np.maximum(mask, spot.astype(np.float32))
    emission = np.where(radius < 1.0, 0.02 * np.sin(x / 5.0) ** 8 * np.sin(y / 7.0) ** 8, 0.0)
    noise = rng.normal(0.0, SIGMA, (4, rows, columns))
    colour = np.array([1.0, 0.9, 0.8])[:, None, None] * disc + stars + noise[:3]
    colour[0] += 0.2 * emission
    pixels = np.minimum(colour, 1.0).astype(np.float32)
    scaled = (disc + stars[0] + emission + noise[3]).astype(np.float32)
    faded = np.where(emission > 1e-4, emission + 0.3 * noise[3], 0.0).astype(np.float32)
    pixels[:, :4, :6] = np.nan
    faded[-3:, -5:] = np.nan
    noises = {plane: MappingProxyType({1: SIGMA}) for plane in ("red", "green", "blue")}
    flags = flags_of(pixels)
    flags[(colour >= 1.0).any(axis=0)] |= np.uint8(Flag.SATURATED)
    rgb = Master(pixels=pixels, flags=flags, planes=("red", "green", "blue"), facts=Facts(noise=noises))
    ha = Master(pixels=scaled[None], flags=flags_of(scaled[None]), planes=("ha",))
    unfaded = shrink((emission + 1.2 * noise[3]).astype(np.float32)[None], 4)[0]
    line = Line(
        scaled=scaled, emission=faded, sigma=1.2 * SIGMA, scaled_sigma=SIGMA, broad="red", unfaded=unfaded
    )
    return Work(
        recipe=load_recipe(text, where="r.toml", settings={"version": 1, **(settings or {})}),
        target=target_from_options(["rgb=a.fits", "ha=b.fits"]),
        masters={"rgb": rgb, "ha": ha},
        lines={"ha": line},
        star_mask=mask,
        target_light=TargetLight(light=0.028, noise=0.75 * SIGMA, pixels=3000, stars=False),
    )


@pytest.fixture(name="balanced_work", scope="session")
def _balanced_work() -> Callable[..., Work]:
    """Return the function that makes a small balanced state of work."""
    return balanced_work


class Tab:
    """One page in a headless browser, driven through its debugging pipe."""

    def __init__(self, program: str, profile: Path, *, size: tuple[int, int] = (1400, 1000)) -> None:
        to_browser, self._to = os.pipe()
        self._from, from_browser = os.pipe()
        command = [
            *(program, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"),
            *("--remote-debugging-pipe", "--hide-scrollbars", f"--user-data-dir={profile}"),
            f"--window-size={size[0]},{size[1]}",
        ]
        # A browser reads its commands from descriptor 3 and answers on 4.
        script = f'exec "$@" 3<&{to_browser} 4>&{from_browser}'
        self._process = subprocess.Popen(
            ["bash", "-c", script, "bash", *command],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._count, self._buffer, self._session = 0, b"", ""
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send one command and return its answer; what happens meanwhile is kept in ``events``."""
        self._count += 1
        message: dict[str, Any] = {"id": self._count, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._count:
                assert "error" not in answer, answer["error"]
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._from], [], [], 60)
            part = os.read(self._from, 1 << 20) if ready else b""
            if not part:
                raise RuntimeError("the browser does not answer")
            self._buffer += part
        text, _, self._buffer = self._buffer.partition(b"\0")
        value: dict[str, Any] = json.loads(text)
        return value

    def run(self, code: str) -> Any:
        """Return the value of a JavaScript expression on the page; a promise is waited for."""
        answer = self.call("Runtime.evaluate", expression=code, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def open(self, path: Path, *, until: str = "document.readyState === 'complete'", part: str = "") -> None:
        """Open a file, at a named part of it or its beginning, and wait until an expression holds."""
        self.events.clear()
        self.call("Page.navigate", url=path.as_uri() + (f"#{part}" if part else ""))
        self.wait(until)

    def wait(self, condition: str) -> None:
        """Wait until an expression on the page holds."""
        for _ in range(600):
            if self.run(f"Boolean({condition})"):
                return
            time.sleep(0.05)
        raise AssertionError(f"never came true: {condition}")

    def press(self, key: str, *, shift: bool = False) -> None:
        """Press and release a key."""
        codes = {"Tab": 9, "ArrowRight": 39, "ArrowLeft": 37, "ArrowDown": 40, " ": 32}
        extra = {"text": " "} if key == " " else {}
        for kind in ("keyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent",
                type=kind,
                key=key,
                code="Space" if key == " " else key,
                windowsVirtualKeyCode=codes[key],
                modifiers=8 if shift else 0,
                **(extra if kind == "keyDown" else {}),
            )

    def resize(self, width: int, height: int) -> None:
        """Give the page another width."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def screenshot(self, path: Path) -> None:
        """Write what the window shows as a PNG."""
        data = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)["data"]
        path.write_bytes(base64.b64decode(data))

    @property
    def requests(self) -> list[str]:
        """The addresses asked for since the page was opened."""
        sent = [e["params"] for e in self.events if e.get("method") == "Network.requestWillBeSent"]
        return [entry["request"]["url"] for entry in sent]

    @property
    def complaints(self) -> list[Any]:
        """Errors and warnings on the console since the page was opened."""
        found = []
        for event in self.events:
            method, params = event.get("method"), event.get("params", {})
            if method == "Runtime.exceptionThrown":
                found.append(params["exceptionDetails"])
            if method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
                found.append(params["args"])
            if method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
                found.append(params["entry"]["text"])
        return found

    def close(self) -> None:
        """End the browser."""
        self._session = ""
        with contextlib.suppress(Exception):
            self.call("Browser.close")
        self._process.terminate()
        self._process.wait(timeout=20)
        os.close(self._to)
        os.close(self._from)


@pytest.fixture(scope="module")
def tab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    """Return a page in a headless Chromium, or skip with the reason."""
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        pytest.skip("no Chromium is installed: the pages are not opened in a browser")
    opened = Tab(program, tmp_path_factory.mktemp("profile"))
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the source of axe-core, fetched for this test alone."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed: axe-core cannot be fetched")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        [npm, "pack", "axe-core@4"], cwd=folder, capture_output=True, text=True, timeout=120
    )
    packs = list(folder.glob("axe-core-*.tgz"))
    if done.returncode or not packs:
        pytest.skip("axe-core cannot be fetched from the package registry")
    with tarfile.open(packs[0]) as pack:
        member = pack.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode("utf-8")
