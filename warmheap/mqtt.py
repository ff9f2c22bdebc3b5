"""Publishes how things stand to an MQTT broker: retained last values, a last will, stated topics and units.

Topics, each below ``mqtt.topic`` ("warmheap" unless set otherwise); every value is retained, numbers are plain decimals in
the unit that the topic's name ends with. Where there is no reading the retained value is taken back with an empty message:

    status              "online", or "offline": the last will, set by the broker when this board falls silent
    reading/NAME        every sensor that is fitted: pile_core_c, water_flow_kg_s, greenhouse_rh (0..1), pump_battery_v ...
    estimate/NAME       what the controller believes: core_c, heat_made_w, sustainable_w, stored_j, left_days ...
    pump_duty, fan_duty 0..1
    phase, limit, reason   words, and the sentence that says why
    alarms              a JSON list of {code, severity, seen, do, since_s}
    time_s              UTC seconds of the last news

The client works in threads of its own, in the process of the status page: a broker that is away is waited for, and
nothing here can hold up control. Only the latest value matters, so nothing is queued while it is away.
"""

from __future__ import annotations

import json
import ssl
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from .outside_settings import MqttSettings

EVERY_S = 10.0
KEEPALIVE_S = 60
LONGEST_RETRY_S = 60
NO_READING = ""


class Publisher:
    """Keeps one connection. ``publish`` returns at once; ``say`` hears when the broker comes and goes."""

    def __init__(self, settings: MqttSettings, say: Callable[[str], None], every_s: float = EVERY_S) -> None:
        self._topic, self._say, self._every_s = settings.topic, say, every_s
        self._where = f"{settings.host}:{settings.port}"
        self._sent: dict[str, str] = {}
        self._sent_s = float("-inf")
        self._told_unreachable = False
        self._news: Mapping[str, Any] | None = None
        client = self._client = paho.Client(CallbackAPIVersion.VERSION2)
        if settings.user:
            client.username_pw_set(settings.user, settings.password or None)
        if settings.tls:
            client.tls_set()
        client.will_set(f"{self._topic}/status", "offline", qos=1, retain=True)
        client.max_queued_messages_set(200)
        client.reconnect_delay_set(1, LONGEST_RETRY_S)
        client.on_connect, client.on_disconnect = self._connected, self._disconnected
        client.on_connect_fail = self._unreachable
        client.connect_async(settings.host, settings.port, KEEPALIVE_S)
        client.loop_start()

    def publish(self, now: Mapping[str, Any]) -> None:
        """Publish what has changed, every ten seconds at most; an alarm or another phase at once."""
        urgent = self._news is None or _words(now) != _words(self._news)
        self._news = now
        if urgent or time.monotonic() - self._sent_s >= self._every_s:
            self._send_changed()

    def close(self) -> None:
        """Say "offline" and hang up."""
        if self._client.is_connected():
            self._client.publish(f"{self._topic}/status", "offline", qos=1, retain=True).wait_for_publish(1.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _send_changed(self) -> None:
        if self._news is None or not self._client.is_connected():
            return
        self._sent_s = time.monotonic()
        for topic, value in values(self._news):
            if self._sent.get(topic) != value:
                self._sent[topic] = value
                self._client.publish(f"{self._topic}/{topic}", value, qos=1, retain=True)

    def _connected(self, client: paho.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._say(f"mqtt: {self._where} refuses: {reason}")
            return
        self._told_unreachable = False
        self._sent = {}  # a broker that was restarted may have forgotten everything
        client.publish(f"{self._topic}/status", "online", qos=1, retain=True)
        self._say(f"mqtt: publishing to {self._where}")
        self._send_changed()

    def _unreachable(self, client: paho.Client, data: Any) -> None:
        if not self._told_unreachable:
            self._told_unreachable = True
            # the client calls this while it handles what went wrong, and tells it nowhere else
            wrong = sys.exception()
            why = "cannot be reached"
            if isinstance(wrong, ssl.SSLCertVerificationError):
                why = f"shows a certificate that this board does not trust ({wrong.verify_message})"
            self._say(f"mqtt: {self._where} {why}; it is tried again, control does not wait for it")

    def _disconnected(self, client: paho.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._say(f"mqtt: {self._where} is away ({reason}); it is tried again")


def values(now: Mapping[str, Any]) -> Iterable[tuple[str, str]]:
    """Every topic, below the first part, with its value."""
    for group, folder in (("readings", "reading"), ("estimate", "estimate")):
        for name, value in now[group].items():
            yield f"{folder}/{name}", NO_READING if value is None else f"{value:.6g}"
    for name in ("pump_duty", "fan_duty"):
        yield name, f"{now[name]:.3f}"
    yield "phase", now["phase"]
    yield "limit", now["limit"]
    yield "reason", now["reason"]
    yield (
        "alarms",
        json.dumps([{k: a[k] for k in ("code", "severity", "seen", "do", "since_s")} for a in now["alarms"]]),
    )
    yield "time_s", f"{now['wall_s']:.0f}"


def _words(now: Mapping[str, Any]) -> tuple[Any, ...]:
    return now["phase"], now["limit"], tuple(a["code"] for a in now["alarms"])
