"""Publication to a real broker, through its restart. The broker is Debian's mosquitto, on a port of its own."""

import getpass
import shutil
import socket
import subprocess
import threading
import time

import paho.mqtt.client as paho
import pytest
from page_rig import Rig
from paho.mqtt.enums import CallbackAPIVersion
from waiting import until

from warmheap.mqtt import Publisher, values
from warmheap.outside_settings import MqttSettings

BROKER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
needs_broker = pytest.mark.skipif(BROKER is None, reason="NOT TESTED: no MQTT broker; apt-get install mosquitto")


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as s:
        return s.getsockname()[1]


class Broker:
    """mosquitto, which can be killed and started again. It keeps nothing on disk."""

    def __init__(self, folder, more="allow_anonymous true"):
        self.port = free_port()
        self._file = folder / "broker.conf"
        self._file.write_text(f"listener {self.port} 127.0.0.1\nuser {getpass.getuser()}\n{more}\n")
        self.process = None

    def start(self):
        self.process = subprocess.Popen(
            [BROKER, "-c", self._file], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        assert until(self._answers)

    def _answers(self):
        try:
            socket.create_connection(("127.0.0.1", self.port), 0.2).close()
            return True
        except OSError:
            return False

    def kill(self):
        self.process.kill()
        self.process.wait()


class Listener:
    """A hub that comes later: it sees what is retained. ``died`` cuts the publisher off without a goodbye."""

    def __init__(self, port, topic="heap/#"):
        self.seen, self.retained = {}, set()
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = self._note
        self.client.on_connect = lambda *_: self.client.subscribe(topic, 1)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _note(self, client, data, message):
        self.seen[message.topic] = message.payload.decode()
        if message.retain:
            self.retained.add(message.topic)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def broker(tmp_path):
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@needs_broker
def test_the_broker_gets_what_is_promised_and_again_after_its_restart(tmp_path, broker):
    now, said = Rig(tmp_path).link.now, []
    publisher = Publisher(MqttSettings("127.0.0.1", broker.port, topic="heap"), said.append, every_s=0.1)
    publisher.publish(now)
    assert until(lambda: said)
    first = Listener(broker.port)
    expected = {f"heap/{topic}": value for topic, value in values(now) if value}
    try:
        assert until(lambda: expected.items() <= first.seen.items())
        assert first.seen["heap/status"] == "online" and "heap/status" in first.retained
        assert first.seen["heap/reading/pile_core_c"] == "55" and first.seen["heap/reason"] == now["reason"]
        assert "heap/reading/tank_c" not in first.seen
        broker.kill()
        took_s = []
        for n in range(50):  # while it is away, publishing costs nothing
            began_s = time.monotonic()
            publisher.publish({**now, "wall_s": float(n)})
            took_s.append(time.monotonic() - began_s)
        assert max(took_s) < 0.1
        broker.start()
        later = Listener(broker.port)
        assert until(lambda: later.seen.get("heap/time_s") == "49" and later.seen.get("heap/status") == "online", 30.0)
        assert until(lambda: later.seen.get("heap/phase") == now["phase"])
        later.close()
    finally:
        first.close()
        publisher.close()
    goodbye = Listener(broker.port)
    assert until(lambda: goodbye.seen.get("heap/status") == "offline")
    goodbye.close()
    assert any("is away" in line for line in said)


@needs_broker
def test_a_publisher_that_dies_leaves_its_last_will(tmp_path, broker):
    publisher = Publisher(MqttSettings("127.0.0.1", broker.port, topic="heap"), lambda _: None)
    publisher.publish(Rig(tmp_path).link.now)
    listener = Listener(broker.port)
    assert until(lambda: listener.seen.get("heap/status") == "online")
    publisher._client.loop_stop()
    publisher._client.socket().shutdown(socket.SHUT_RDWR)  # as a board that loses its power
    assert until(lambda: listener.seen.get("heap/status") == "offline")
    listener.close()


@needs_broker
def test_a_reading_that_is_lost_takes_its_retained_value_back(tmp_path, broker):
    now = Rig(tmp_path).link.now
    publisher = Publisher(MqttSettings("127.0.0.1", broker.port, topic="heap"), lambda _: None, every_s=0.0)
    publisher.publish(now)
    watching = Listener(broker.port)
    assert until(lambda: watching.seen.get("heap/reading/outdoor_c") == "-4")
    publisher.publish({**now, "readings": {**now["readings"], "outdoor_c": None}})
    assert until(lambda: watching.seen.get("heap/reading/outdoor_c") == "")
    later = Listener(broker.port)
    assert until(lambda: "heap/time_s" in later.seen) and "heap/reading/outdoor_c" not in later.seen
    for client in (watching, later, publisher):
        client.close()


def test_a_broker_that_is_not_there_is_said_once_and_waited_for():
    said, threads = [], threading.active_count()
    publisher = Publisher(MqttSettings("127.0.0.1", free_port()), said.append)
    began_s = time.monotonic()
    for _ in range(100):
        publisher.publish(NOW)
    assert time.monotonic() - began_s < 0.5
    assert until(lambda: said) and "cannot be reached" in said[0]
    time.sleep(1.2)
    assert len(said) == 1
    publisher.close()
    assert threading.active_count() <= threads


NOW = {"readings": {}, "estimate": {}, "pump_duty": 0.0, "fan_duty": 0.0, "phase": "draw", "limit": "flow", "reason": "r",
       "alarms": [], "wall_s": 1.0}  # fmt: skip


def test_numbers_are_plain_and_alarms_are_json():
    alarm = {"code": "c", "severity": "notice", "seen": "s", "do": "d", "since_s": 1.0, "more": 1}
    now = {**NOW, "readings": {"a_c": 21.0625, "b_c": None}, "alarms": [alarm]}
    found = dict(values(now))
    assert found["reading/a_c"] == "21.0625" and found["reading/b_c"] == "" and found["pump_duty"] == "0.000"
    assert found["alarms"] == '[{"code": "c", "severity": "notice", "seen": "s", "do": "d", "since_s": 1.0}]'


OPENSSL = shutil.which("openssl")
needs_openssl = pytest.mark.skipif(OPENSSL is None, reason="NOT TESTED: no openssl; apt-get install openssl")


def certificate(folder, name):
    """A certificate for 127.0.0.1 that vouches for itself, and its key."""
    key, cert = folder / f"{name}.key", folder / f"{name}.pem"
    words = f"req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN={name} -addext subjectAltName=IP:127.0.0.1"
    subprocess.run([OPENSSL, *words.split(), "-keyout", key, "-out", cert], check=True, capture_output=True)
    key.chmod(0o644)
    return key, cert


def heard(tmp_path, settings, wanted):
    """What is said until ``wanted`` is, while values are published as the loop does."""
    now, said = Rig(tmp_path).link.now, []
    publisher = Publisher(settings, said.append, every_s=0.1)
    publisher.publish(now)
    found = until(lambda: any(wanted in line for line in said))
    took_s = []
    for n in range(20):
        began_s = time.monotonic()
        publisher.publish({**now, "wall_s": float(n)})
        took_s.append(time.monotonic() - began_s)
    time.sleep(2.5)
    publisher.close()
    assert max(took_s) < 0.1
    return found, said


@needs_broker
@needs_openssl
@pytest.mark.parametrize(("trusted", "wanted"), [("ours", "publishing to"), ("other", "does not trust")])
def test_the_certificate_of_the_broker_is_checked(tmp_path, monkeypatch, trusted, wanted):
    made = {name: certificate(tmp_path, name) for name in ("ours", "other")}
    key, cert = made["ours"]
    broker = Broker(tmp_path, f"allow_anonymous true\ncertfile {cert}\nkeyfile {key}")
    broker.start()
    monkeypatch.setenv("SSL_CERT_FILE", str(made[trusted][1]))
    try:
        found, said = heard(tmp_path, MqttSettings("127.0.0.1", broker.port, tls=True, topic="heap"), wanted)
    finally:
        broker.kill()
    assert found and len(said) == 1 and f"127.0.0.1:{broker.port}" in said[0]


@needs_broker
@pytest.mark.parametrize(("password", "wanted"), [("right", "publishing to"), ("wrong", "refuses")])
def test_user_and_password_are_given_to_the_broker(tmp_path, password, wanted):
    users = tmp_path / "users"
    maker = shutil.which("mosquitto_passwd")
    assert maker, "NOT TESTED: no mosquitto_passwd; it comes with Debian's mosquitto"
    subprocess.run([maker, "-b", "-c", users, "grower", "right"], check=True, capture_output=True)
    users.chmod(0o644)
    broker = Broker(tmp_path, f"allow_anonymous false\npassword_file {users}")
    broker.start()
    settings = MqttSettings("127.0.0.1", broker.port, user="grower", password=password, topic="heap")
    try:
        found, said = heard(tmp_path, settings, wanted)
    finally:
        broker.kill()
    assert found and wanted in said[0]
