"""``python -m warmheap.page FD``: started by ``warmheap run``, ends when that does."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sys
from pathlib import Path
from typing import Any

from ..fuel_choice import FuelSettings
from ..outside_settings import MqttSettings, PageSettings, address
from . import UNABLE
from .link import LARGEST, Link

INSTALL = "pip install 'warmheap[{}]'"


def main(fd: int) -> int:
    """Serve until the loop hangs up; returns the exit code."""
    end = socket.socket(fileno=fd)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the loop; this ends with it
    try:
        begin = json.loads(end.recv(LARGEST))
    except (OSError, ValueError):
        return UNABLE
    link = Link(end)
    publisher = _publisher(link, MqttSettings(**begin["begin"]["mqtt"]))
    page = PageSettings(**begin["begin"]["page"])
    server = _server(link, page, begin) if page.serve else None
    if server is None and publisher is None:
        return UNABLE
    try:
        return asyncio.run(_serve(link, server))
    finally:
        if publisher is not None:
            publisher.close()


def _publisher(link: Link, settings: MqttSettings) -> Any:
    if not settings.host:
        return None
    try:
        from ..mqtt import Publisher
    except ModuleNotFoundError:
        link.say(f"nothing is published: {INSTALL.format('mqtt')}")
        return None
    publisher = Publisher(settings, link.complain)
    link.on_news.append(publisher.publish)
    return publisher


def _server(link: Link, page: PageSettings, begin: dict[str, Any]) -> Any:
    try:
        import uvicorn

        from .app import build
        from .impatient import Impatient
    except ModuleNotFoundError:
        link.say(f"no status page: {INSTALL.format('page')}")
        return None
    host, port = address(page.listen)
    listening = _listening(link, host, port)
    if listening is None:
        return None
    where = f"http://{host if ':' not in host else f'[{host}]'}:{listening.getsockname()[1]}/"
    link.say(f"status page: {where}" + ("" if page.token else " (shows only: no page.token is set)"))
    app = build(
        link,
        page,
        Path(begin["ledger"]),
        simulated=begin["simulated"],
        fuel=FuelSettings.from_json(begin["begin"]["fuel"]),
    )
    config = uvicorn.Config(
        app, log_level="error", access_log=False, lifespan="off", proxy_headers=False, server_header=False,
        limit_concurrency=64, timeout_keep_alive=5, h11_max_incomplete_event_size=16384, loop="asyncio", http=Impatient,
        ws="none",
    )  # fmt: skip
    return uvicorn.Server(config), listening


def _listening(link: Link, host: str, port: int) -> socket.socket | None:
    try:
        return socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as wrong:
        link.say(f"no status page: cannot listen at {host}:{port}: {wrong.strerror}; change page.listen")
        return None


async def _serve(link: Link, server: Any) -> int:
    if server is None:
        await link.listen()
        return 0
    uvicorn_server, listening = server
    serving = asyncio.create_task(uvicorn_server.serve(sockets=[listening]))
    hearing = asyncio.create_task(link.listen())
    await asyncio.wait({serving, hearing}, return_when=asyncio.FIRST_COMPLETED)
    uvicorn_server.should_exit = uvicorn_server.force_exit = True
    hearing.cancel()
    await serving
    return 0


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1])))
