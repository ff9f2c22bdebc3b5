"""The outside process: it can be killed, hang or be missing, and control does not notice; the desk keeps to its bounds."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from http.cookiejar import CookieJar
from pathlib import Path

import pytest
from page_rig import TOKEN, reading
from waiting import until

from controller import Controller, ControllerSettings
from warmheap import window
from warmheap.desk import TARGETS, Desk, with_targets
from warmheap.loop import Loop
from warmheap.outside_settings import MqttSettings, OutsideSettings, PageSettings
from warmheap.run import _with_targets
from warmheap.settings_file import SettingsFileError, parse
from warmheap.window import Window, kept_targets

ROOT = Path(__file__).parents[2]
SETTINGS = ControllerSettings()


class Greenhouse:
    """`warmheap run` on the simulator with a page, as the user starts it."""

    def __init__(self, folder, *words, speed=600):
        self.file, self.state = folder / "g.toml", folder / "state"
        self.file.write_text(f'[page]\nlisten = "127.0.0.1:0"\ntoken = "{TOKEN}"\n')
        command = [sys.executable, "-m", "warmheap", "run", str(self.file), "--plant", "mild-wet-winter"]
        command += ["--speed", str(speed), "--state", str(self.state), *words]
        self.out = (folder / "out").open("w+")
        self.process = subprocess.Popen(command, cwd=ROOT, stdout=self.out, stderr=subprocess.STDOUT)
        self.opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))

    def said(self):
        return Path(self.out.name).read_text()

    def address(self):
        lines = [line for line in self.said().splitlines() if line.startswith("status page: http://")]
        return lines[-1].split()[2] if lines else None

    def get(self, path="", data=None):
        body = urllib.parse.urlencode(data).encode() if data is not None else None
        try:
            with self.opener.open(self.address() + path, body, timeout=10) as answer:
                return answer.read().decode()
        except urllib.error.HTTPError as refused:
            return refused.read().decode()
        except OSError:
            return ""

    def kids(self, pid):
        return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]

    def loop_pid(self):
        return self.kids(self.process.pid)[0]

    def page_pid(self):
        tasks = Path(f"/proc/{self.loop_pid()}/task").glob("*/children")
        return next(int(p) for task in tasks for p in task.read_text().split())

    def rows(self):
        try:
            with sqlite3.connect(f"file:{self.state / 'ledger.sqlite'}?mode=ro", uri=True) as db:
                return db.execute("SELECT count(*) FROM ticks").fetchone()[0]
        except sqlite3.Error:
            return 0

    def close(self):
        self.process.terminate()
        self.process.wait(20)
        self.out.close()


@pytest.fixture
def greenhouse(tmp_path):
    greenhouse = Greenhouse(tmp_path, speed=3000)
    yield greenhouse
    greenhouse.close()


def test_a_page_that_hangs_or_dies_does_not_touch_control_and_comes_back(greenhouse):
    assert until(greenhouse.address), greenhouse.said()
    assert until(lambda: "Now</h2>" in greenhouse.get())
    assert "warmheap_up 1.0" in greenhouse.get("metrics")
    check_garbage(greenhouse)
    page, loop = greenhouse.page_pid(), greenhouse.loop_pid()
    os.kill(page, signal.SIGSTOP)  # it hangs, and its socket fills
    before = greenhouse.rows()
    assert until(lambda: greenhouse.rows() > before + 40)
    os.kill(page, signal.SIGKILL)
    before = greenhouse.rows()
    assert until(lambda: greenhouse.rows() > before + 40)
    assert until(lambda: greenhouse.said().count("status page: http://") == 2), greenhouse.said()
    assert "the status page ended (-9); control goes on" in greenhouse.said()
    assert greenhouse.loop_pid() == loop and "started again" not in greenhouse.said()
    assert until(lambda: "Now</h2>" in greenhouse.get())
    page = greenhouse.page_pid()
    greenhouse.close()
    assert until(
        lambda: not Path(f"/proc/{page}").exists() or "zombie" in Path(f"/proc/{page}/status").read_text(), 5.0
    )


def garbage():
    """What no browser sends."""
    head = b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n"
    return [
        bytes(range(256)),
        b"\x00" * 5000,
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET " + b"/x" * 20000 + b" HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n\r\n",
        head + b"Content-Length: 10\r\nContent-Length: 11\r\n\r\n",
        head + b"Content-Length: 10\r\n\r\nabc",
        head + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        head + b"Transfer-Encoding: chunked\r\n\r\nfffffff\r\nabc",
    ]


def spoken(port, text):
    with socket.create_connection(("127.0.0.1", port), 5.0) as line:
        line.settimeout(20.0)
        try:
            line.sendall(text)
            line.shutdown(socket.SHUT_WR)
            return line.recv(100)
        except OSError:
            return b""


def check_garbage(greenhouse):
    port = int(greenhouse.address().rsplit(":", 1)[1].strip("/"))
    for text in garbage() * 3:
        assert not spoken(port, text).startswith(b"HTTP/1.1 5"), text[:60]
    mute = [socket.create_connection(("127.0.0.1", port)) for _ in range(80)]  # keep others out, for five seconds
    assert until(lambda: "warmheap_up 1.0" in greenhouse.get("metrics"), 15.0)
    for line in mute:
        line.close()
    assert "Traceback" not in greenhouse.said()


def test_a_target_set_by_browser_is_in_force_within_seconds_and_survives_a_restart(tmp_path):
    greenhouse = Greenhouse(tmp_path, speed=1)
    try:
        assert until(greenhouse.address) and until(lambda: "Now</h2>" in greenhouse.get())
        page = greenhouse.get("sign-in", {"token": TOKEN})
        secret = page.partition('name="form" value="')[2].partition('"')[0]
        began_s = time.monotonic()
        page = greenhouse.get("do/targets", {"form": secret, "supply_target_c": "35"})
        assert "Targets set: Supply temperature 35.0" in page
        assert time.monotonic() - began_s < 5.0  # not after the minute that a quiet controller sleeps
        assert "refused" not in greenhouse.said() and "wrong token" not in greenhouse.said()
        assert "That is not the token" in greenhouse.get("sign-in", {"token": "wrong"})
        assert until(lambda: "page: refused POST from 127.0.0.1: 403 wrong token" in greenhouse.said())
    finally:
        greenhouse.close()
    assert kept_targets(tmp_path / "state") == {"supply_target_c": 35.0}
    used, said = _with_targets(SETTINGS, tmp_path / "state")
    assert used.supply_target_c == 35.0 and said == ("targets set on the status page are used: supply_target_c = 35",)


def test_a_taken_port_is_said_once_and_control_goes_on(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        noted = []
        desk = Desk(Controller(SETTINGS), SETTINGS)
        outside = OutsideSettings(PageSettings(listen=f"127.0.0.1:{port}"))
        w = Window(desk, outside, tmp_path, lambda *e: noted.append(e[1]), simulated=True)
        try:
            assert until(lambda: noted) and f"cannot listen at 127.0.0.1:{port}" in noted[0]
            for _ in range(2):
                assert until(lambda: w._process is None and w._again_s > time.monotonic())
                w._again_s = 0.0  # ten minutes later
                assert until(lambda: w._process is not None)
            assert until(lambda: w.pid is None) and len(noted) == 1
        finally:
            w.close()


def asked(desk, **request):
    desk.requests.append({"id": 1, **request})
    desk.step(reading(1))
    return desk.answers.popleft()


@pytest.mark.parametrize(
    "request_",
    [
        {"do": "targets", "values": {"pile_floor_c": 40.0}},
        {"do": "targets", "values": {"supply_max_c": 80.0}},
        {"do": "targets", "values": {"supply_target_c": float("nan")}},
        {"do": "targets", "values": {"supply_target_c": "38"}},
        {"do": "targets", "values": {"greenhouse_min_c": 29.0}},  # above the ceiling
        {"do": "targets", "values": {}},
        {"do": "targets", "values": [1]},
        {"do": "targets"},
        {"do": "hold", "for_s": 1e9},
        {"do": "hold", "for_s": "x"},
        {"do": "run", "pump_duty": 2.0, "fan_duty": 0.0, "for_s": 60.0},
        {"do": "declare_drained"},
        {"do": "step"},
        {"do": ["hold"]},
        {"do": None},
        {},
    ],
)
def test_the_desk_refuses_what_is_out_of_bounds_and_nothing_changes(request_):
    noted = []
    desk = Desk(Controller(SETTINGS), SETTINGS, lambda *e: noted.append(e))
    answer = asked(desk, **request_)
    assert not answer.done and answer.text.startswith("Not done") and answer.keep is None
    assert desk.settings is SETTINGS and not desk.controller.hand.on and not desk.controller.drained and not noted


def test_other_targets_keep_the_whole_memory():
    desk = Desk(Controller(SETTINGS), SETTINGS)
    for n in range(100):
        desk.step(reading(n))
    same, other = Controller.restore(SETTINGS, desk.snapshot()), desk
    answer = asked(other, do="targets", values={"supply_target_c": 30.0, "greenhouse_min_c": 9.0})
    same.step(reading(1))
    assert answer.done and answer.keep == {"supply_target_c": 30.0, "greenhouse_min_c": 9.0}
    assert other.controller.pile.hot_s == same.pile.hot_s and other.controller.phase == same.phase
    assert asked(desk, do="targets", values={"supply_target_c": 38.0}).keep == {"greenhouse_min_c": 9.0}
    assert asked(desk, do="file-targets").keep == {} and desk.settings == SETTINGS


def test_kept_targets_that_no_longer_fit_are_left_and_said():
    used, said = with_targets(SETTINGS, {"supply_target_c": 30.0})
    assert used.supply_target_c == 30.0 and "are used" in said
    for bad in ({"supply_target_c": 59.0}, {"pile_floor_c": 40.0}, {}, [], None, {"supply_target_c": "x"}):
        used, said = with_targets(SETTINGS, bad)
        assert used is SETTINGS and "do not fit" in said
    assert set(TARGETS) == {"supply_target_c", "flow_target_kg_s", "greenhouse_min_c", "greenhouse_ceiling_c"}


def test_what_the_page_sends_is_json_or_dropped(tmp_path, monkeypatch):
    monkeypatch.setattr(Window, "_work", lambda self: None)
    desk, noted = Desk(Controller(SETTINGS), SETTINGS), []
    w = Window(desk, OutsideSettings(), tmp_path, lambda *e: noted.append(e), simulated=True)
    for raw in (b"", b"\xff", b"[]", b"1", b'{"said": 1}', b'{"x": 1}', b"[" * 10000):
        try:
            w._take(raw)
        except RecursionError:
            pass
    assert not noted and not desk.requests
    w._take(json.dumps({"said": "x" * 5000}).encode())
    assert noted == [("page", "x" * 500)]
    for n in range(1000):
        w._take(json.dumps({"do": "hold", "id": n}).encode())
    assert len(desk.requests) <= 20


def test_a_ledger_tick_costs_the_loop_nearly_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(Window, "_work", lambda self: None)
    desk = Desk(Controller(SETTINGS), SETTINGS)
    w = Window(desk, OutsideSettings(), tmp_path, lambda *_: None, simulated=True)
    decision = desk.step(reading())
    from warmheap.loop import Tick

    began_s = time.monotonic()
    for _ in range(10_000):
        w.tick(Tick(reading(), decision, 0.0, 0.0))
    assert time.monotonic() - began_s < 1.0


class Waiting:
    """A heart, a plant and a clock for the loop: somebody calls after three beats."""

    def __init__(self):
        self.now_s, self.beats, self.passed = 0.0, 0, []
        self.stopping = self.orphaned = False

    def beat(self):
        self.beats += 1

    def wait(self, seconds):
        self.now_s += seconds
        return False

    def measure(self):
        return reading(int(self.now_s))

    def apply(self, commands):
        self.commands = commands

    def renew(self):
        return True

    def duties(self):
        return {"pump": self.commands.pump_duty, "fan": self.commands.fan_duty}

    def pass_time(self, dt_s):
        self.passed.append(dt_s)


def test_a_call_ends_the_waiting_at_once_and_only_that_time_has_passed():
    world = Waiting()
    calls = iter([False, False, True])
    loop = Loop(
        world,
        Controller(SETTINGS),
        world,
        lambda tick: None,
        speed=10.0,
        called=lambda: next(calls),
        clock=lambda: world.now_s,
    )
    loop._wait(60.0)
    assert world.now_s == pytest.approx(0.6) and world.passed == [pytest.approx(6.0)]
    assert loop._due_s == world.now_s


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[page]\nlisten = "here"', 'page.listen = "here" is not an address and port, like "127.0.0.1:8067"'),
        ('[page]\nlisten = "127.0.0.1:99999"', "is not an address and port"),
        ('[page]\ntoken = "short"', "page.token has 5 characters: must have 16 to 200"),
        ("[page]\ntoken = 12345678901234567", "page.token is not a text in quotes"),
        ('[page]\ntemperature = "K"', "is not one of degC, degF"),
        ('[mqtt]\ntopic = "a/#"', 'mqtt.topic = "a/#" is no topic'),
        ("[mqtt]\nport = 0", "is not a whole number from 1 to 65535"),
        ('[notify]\nfrom = "all"', "is not one of notice, warning, critical"),
        ('[notify]\ncommand = "a \\"b"', "notify.command"),
        ("[notify]\ndaily_hour = 24", "from 0 to 23"),
        ("[pagee]\nserve = true", "did you mean [page]?"),
    ],
)
def test_a_mistake_in_the_settings_costs_one_line_and_secrets_are_not_told(text, told):
    with pytest.raises(SettingsFileError) as wrong:
        parse(text)
    line = str(wrong.value)
    assert told in line and "\n" not in line and "short" not in line and "12345678901234567" not in line


def test_all_settings_of_the_outside_are_read():
    text = f"""[page]\nserve = false\ntoken = "{TOKEN}"\nlisten = "[::1]:80"\ntemperature = "degF"
[mqtt]\nhost = "hub.example"\nport = 8883\ntls = true\ntopic = "north/heap"
[notify]\ncommand = "mail -s heap me"\nfrom = "critical"\ndaily = false"""
    found = parse(text).outside
    assert found.page == PageSettings(False, "[::1]:80", TOKEN, "", "degF")
    assert (found.mqtt.host, found.mqtt.port, found.mqtt.tls, found.mqtt.topic) == (
        "hub.example",
        8883,
        True,
        "north/heap",
    )
    assert (found.notify.command, found.notify.severity, found.notify.daily) == ("mail -s heap me", "critical", False)
    assert parse("").outside == OutsideSettings()


def test_the_page_process_loads_nothing_of_the_controller():
    heavy = "numpy controller sim simple_pid scipy pydantic gpiozero".split()
    code = "import sys, warmheap.page.__main__, warmheap.page.app, warmheap.mqtt, uvicorn\n"
    code += f"print([m for m in {heavy} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.strip() == "[]" and window.OOM_FIRST > 0


def frost_pulses(hold):
    """How many of 300 minutes of hard frost the pump turns."""
    desk, duty, turned = Desk(Controller(SETTINGS), SETTINGS), 0.0, 0
    for n in range(300):
        if hold and n % 25 == 0:
            desk.requests.append({"id": n, "do": "hold", "for_s": 1800.0})
        cold = {"outdoor_c": -15.0, "water_return_c": 1.0, "water_supply_c": 2.0, "greenhouse_c": 12.0}
        duty = desk.step(reading(n, water_flow_kg_s=0.06 if duty > 0.0 else 0.0, **cold)).commands.pump_duty
        turned += duty > 0.0
    return turned


def test_a_hold_never_stands_above_frost():
    assert frost_pulses(hold=True) > 0.8 * frost_pulses(hold=False) > 0


def test_without_the_extras_it_says_so_once_and_control_goes_on(tmp_path, monkeypatch):
    for name in ("uvicorn", "paho"):
        (tmp_path / f"{name}.py").write_text(f"raise ModuleNotFoundError('No module named {name}')")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), str(ROOT)]))
    noted, desk = [], Desk(Controller(SETTINGS), SETTINGS)
    w = Window(
        desk, OutsideSettings(mqtt=MqttSettings("127.0.0.1")), tmp_path, lambda *e: noted.append(e[1]), simulated=True
    )
    try:
        assert until(lambda: len(noted) == 2 and w._process is None)
        assert noted == [
            "nothing is published: pip install 'warmheap[mqtt]'",
            "no status page: pip install 'warmheap[page]'",
        ]
    finally:
        w.close()
