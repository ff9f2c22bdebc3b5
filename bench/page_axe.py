# ruff: noqa: D102 - the methods of a browser are named after what a browser does
"""The status page in a real browser: axe-core's rules in both themes, size and time of the first view, screenshots.

    python bench/page_axe.py AXE_MIN_JS [FOLDER]

Needs chromium and chromedriver (Debian: apt-get install chromium chromium-driver), and axe.min.js of the npm package
axe-core; `make test-page` fetches that. Fills a ledger with simulated days, serves it as `warmheap run` does, and
looks at every view. Ends with 1 when a rule is broken, the first view is larger than 100 kB or takes longer than a second.
"""

from __future__ import annotations

import base64
import json
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from warmheap.guardian import FD_HERE  # noqa: E402

TOKEN = "a-token-made-up-for-this-check"
WIDTHS = (360, 1280)
LARGEST_BYTES, LONGEST_S = 100_000, 1.0
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
PLAIN = '[page]\nlisten = "127.0.0.1:0"\ntoken = "{}"\n'
TROUBLE = '[pile]\nfloor = "60 degC"\nstart_core = "60 degC"\n[battery]\nlow = "13.4 V"\nok = "13.9 V"\n'
BOOT = ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--force-device-scale-factor=1"]


class Browser:
    """Chromium by the WebDriver protocol."""

    def __init__(self) -> None:
        self._driver = subprocess.Popen(["chromedriver", "--port=9517"], stdout=subprocess.DEVNULL)
        self._at = "http://127.0.0.1:9517"
        for _ in range(100):
            try:
                urllib.request.urlopen(self._at + "/status", timeout=1).read()
                break
            except OSError:
                time.sleep(0.1)
        wanted = {"capabilities": {"alwaysMatch": {"goog:chromeOptions": {"args": BOOT}}}}
        self._at += "/session/" + self._call("/session", wanted)["sessionId"]

    def _call(self, path: str, body: Any = None, method: str = "POST") -> Any:
        data = json.dumps(body if body is not None else {}).encode() if method == "POST" else None
        request = urllib.request.Request(self._at + path, data, {"content-type": "application/json"}, method=method)
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.loads(answer.read())["value"]

    def go(self, url: str) -> None:
        self._call("/url", {"url": url})

    def run(self, script: str, *words: Any, wait: bool = False) -> Any:
        return self._call("/execute/" + ("async" if wait else "sync"), {"script": script, "args": list(words)})

    def devtools(self, command: str, **params: Any) -> Any:
        return self._call("/goog/cdp/execute", {"cmd": command, "params": params})

    def look(self, width: int, dark: bool) -> None:
        size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 500}
        self.devtools("Emulation.setDeviceMetricsOverride", **size)
        feature = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.devtools("Emulation.setEmulatedMedia", features=[feature])

    def shoot(self, file: Path) -> None:
        shot = self.devtools("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        file.write_bytes(base64.b64decode(shot["data"]))

    def close(self) -> None:
        try:
            self._call("", method="DELETE")
        finally:
            self._driver.terminate()
            self._driver.wait(10)


PATIENT = "import sys; from warmheap import guardian; guardian.FROZEN_S = 60.0; sys.exit(guardian.main(sys.argv[1:]))"


def fill(state: Path, command: list[str]) -> None:
    """Run a simulated season under a patient guardian: on a busy machine it rightly kills a loop that stands still."""
    loop = [*command, "--state", str(state), "--guardian-fd", FD_HERE]
    subprocess.run([sys.executable, "-c", PATIENT, str(state), *loop], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)


class Served:
    """`warmheap run` with a filled ledger."""

    def __init__(self, folder: Path, extra: str, days: float) -> None:
        file, out = folder / "g.toml", folder / "out"
        folder.mkdir()
        file.write_text(PLAIN.format(TOKEN) + extra)
        base = [sys.executable, "-m", "warmheap", "run", str(file), "--plant", "mild-wet-winter"]
        fill(folder / "state", [*base, "--speed", "1e6", "--days", str(days), "--no-page"])
        base += ["--state", str(folder / "state")]
        self._out = out.open("w")
        self.process = subprocess.Popen([*base, "--resume"], cwd=ROOT, stdout=self._out)
        for _ in range(300):
            found = [line.split()[2] for line in out.read_text().splitlines() if line.startswith("status page: http")]
            if found:
                break
            time.sleep(0.1)
        self.address = found[0]
        time.sleep(2.0)

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(20)


def broken_rules(browser: Browser, axe: str) -> list[str]:
    """What axe-core objects to on the page that is shown; a run that checked nothing is no pass."""
    browser.run(axe)
    script = "const done = arguments[1]; axe.run(document, {runOnly: arguments[0]})"
    script += ".then(done, e => done({error: String(e)}))"
    found = browser.run(script, TAGS, wait=True)
    if len(found.get("passes", [])) < 10:
        return [f"axe-core did not run: {found.get('error', found)}"]
    undecided = [
        f"undecided {i['id']}: {n['target']}"
        for i in found["incomplete"]
        for n in i["nodes"]
        if not n["html"].startswith(
            "<text"
        )  # axe-core cannot tell what is behind text of a picture: a test computes it
    ]
    return [
        f"{v['id']}: {n['target']} {n['failureSummary']}" for v in found["violations"] for n in v["nodes"]
    ] + undecided


def first_view(browser: Browser, address: str) -> tuple[int, float]:
    """Bytes over the wire and seconds until everything is loaded, with an empty cache."""
    browser.devtools("Network.clearBrowserCache")
    browser.go(address)
    script = "const e = [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')];"
    script += "return [e.reduce((n, x) => n + x.transferSize, 0), Math.max(...e.map(x => x.responseEnd))]"
    size, end_ms = browser.run(script)
    return int(size), end_ms / 1000.0


def sign_in(browser: Browser, address: str) -> None:
    browser.go(address + "sign-in")
    browser.run("document.getElementById('token').value = arguments[0]; document.forms[0].submit()", TOKEN)
    time.sleep(1.0)


def views(browser: Browser, name: str, address: str, axe: str, folder: Path) -> list[str]:
    """Every width and theme of what is shown now."""
    found = []
    for dark in (False, True):
        for width in WIDTHS:
            browser.look(width, dark)
            browser.go(address)
            label = f"{name}-{'dark' if dark else 'light'}-{width}"
            found += [f"{label}: {rule}" for rule in broken_rules(browser, axe)]
            wide = browser.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth")
            found += [f"{label}: {wide} px wider than the screen"] if wide > 0 else []
            browser.shoot(folder / f"{label}.png")
    return found


def main(axe_file: Path, folder: Path) -> int:
    folder.mkdir(parents=True, exist_ok=True)
    axe, wrong, looked = axe_file.read_text(encoding="utf-8"), [], 0
    browser = Browser()
    try:
        with tempfile.TemporaryDirectory() as state:
            for name, extra, days in (("well", "", 25.0), ("trouble", TROUBLE, 12.0)):
                served = Served(Path(state) / name, extra, days)
                try:
                    size, took_s = first_view(browser, served.address)
                    print(f"{name}: first view {size / 1000.0:.1f} kB in {took_s:.2f} s")
                    wrong += [f"{name}: too large or slow"] if size > LARGEST_BYTES or took_s > LONGEST_S else []
                    wrong += views(browser, name, served.address, axe, folder)
                    wrong += views(browser, name + "-sign-in", served.address + "sign-in", axe, folder)
                    sign_in(browser, served.address)
                    wrong += views(browser, name + "-signed-in", served.address, axe, folder)
                    signed = browser.run("return document.querySelectorAll('form').length")
                    wrong += [] if signed >= 5 else [f"{name}: signing in did not work"]
                    looked += 12
                finally:
                    served.close()
    finally:
        browser.close()
    for line in wrong:
        print(line)
    print(f"{looked} views, {len(wrong)} objections; screenshots in {folder}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main(Path(sys.argv[1]), Path(sys.argv[2] if len(sys.argv) > 2 else "out/page")))
