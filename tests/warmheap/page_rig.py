"""A page as `warmheap run` builds it, spoken to without a socket: the loop's end of the link is in the test's hands."""

import asyncio
import json
import re
import socket
import sqlite3

import httpx

from controller import Controller, ControllerSettings
from controller.signals import Measurements
from warmheap.desk import Desk
from warmheap.ledger import Ledger, tick_row
from warmheap.loop import Tick
from warmheap.now import as_now
from warmheap.outside_settings import PageSettings
from warmheap.page.app import build
from warmheap.page.link import Link
from warmheap.page.security import Limits

TOKEN = "a-token-made-up-for-tests"
FREE = Limits(*[(10**9, 60.0)] * 5)
BASE_S = 1.7e9


def reading(n=0, **more):
    fields = {"pile_core_c": 55.0, "water_supply_c": 38.0, "water_return_c": 20.0, "water_flow_kg_s": 0.06,
              "greenhouse_c": 8.0, "outdoor_c": -4.0, "pump_battery_v": 12.7}  # fmt: skip
    return Measurements(time_s=BASE_S + 60.0 * n, **(fields | more))


class Rig:
    """A controller behind a desk, and the page in front of it. ``seconds`` of readings a minute apart come first."""

    def __init__(self, tmp_path, limits=None, turns=3, measured=reading, **page):
        self.events = []
        self.desk = Desk(Controller(ControllerSettings()), ControllerSettings(), lambda *e: self.events.append(e))
        self.ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.ours.setblocking(False)
        self.link = Link(theirs)
        ledger = Ledger(tmp_path / "ledger.sqlite")
        for n in range(turns):
            m = measured(n)
            self.tick = Tick(m, self.desk.step(m), 0.0, 0.0)
            ledger.write([tick_row(m.time_s, m, self.tick.decision, 0.0)])
        ledger.roll_up()
        ledger.close()
        self.turns = turns
        self.show()
        settings = PageSettings(**({"token": TOKEN} | page))
        self.app = build(self.link, settings, tmp_path / "ledger.sqlite", limits=limits)
        self.logged = []

    def show(self):
        controller = self.desk.controller
        now = as_now(
            self.tick, controller.settings, controller.alarms.summary(), wall_s=BASE_S, turns=self.desk.turns,
            hand_left_s=controller.hand.left_s,
        )  # fmt: skip
        self.link._take({"now": json.loads(json.dumps(now, allow_nan=False))})

    async def loop(self):
        """What the control loop does, quickly."""
        while True:
            try:
                message = json.loads(self.ours.recv(65536))
            except BlockingIOError:
                await asyncio.sleep(0.001)
                continue
            if "said" in message:
                self.logged.append(message["said"])
                continue
            self.desk.requests.append(message)
            self.turns += 1
            m = reading(self.turns)
            self.tick = Tick(m, self.desk.step(m), 0.0, 0.0)
            self.show()
            answer = self.desk.answers.popleft()
            self.link._take({"answer": answer.number, "done": answer.done, "text": answer.text})

    def run(self, visit, client=("192.0.2.7", 4000)):
        """Run an async function with a client of the page."""

        async def main():
            transport = httpx.ASGITransport(self.app, client=client, raise_app_exceptions=True)
            looping = asyncio.create_task(self.loop())
            async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8067") as c:
                try:
                    found = await visit(c)
                    await asyncio.sleep(0.01)
                    return found
                finally:
                    looping.cancel()

        return asyncio.run(main())


async def signed_in(client):
    """Sign in; returns the secret of the forms."""
    answer = await client.post("/sign-in", data={"token": TOKEN})
    assert answer.status_code == 303, answer.text
    front = await client.get("/")
    return re.search(r'name="form" value="([^"]+)"', front.text)[1]


def rows_in(path):
    with sqlite3.connect(path) as db:
        return db.execute("SELECT count(*) FROM ticks").fetchone()[0]
