"""Entry point of the board: `python -m dashboards`."""

import argparse
import logging
import os
import socket
import sys
import threading
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor import accesslist, logs
from monitor.config import home_folder, load, shown
from monitor.errors import MonitorError
from monitor.store.engine import limit_cache
from monitor.store.record import open_record

if TYPE_CHECKING:
    from flask import Flask

THREADS = 4


def main() -> None:
    """Serve the board until the process is ended."""
    parser = argparse.ArgumentParser(prog="python -m dashboards", description="Serve the board.")
    parser.add_argument("--home", type=Path, help="folder of settings and record")
    parser.add_argument("--port", type=int, help="port; without it, the settings'")
    parser.add_argument("--socket", type=int, help="file number of a socket that listens already")
    options = parser.parse_args()
    try:
        serve(options.home or home_folder(), port=options.port, door=options.socket)
    except MonitorError as error:
        if not logs.is_json():
            sys.exit(f"sillkeep pages: {error}")
        logging.getLogger("sillkeep.pages").critical("%s", error)
        sys.exit(1)


def serve(home: Path, *, port: int | None = None, door: int | None = None) -> None:
    """Serve the board of a home folder; at a `door` of the supervisor's, while somebody comes."""
    import waitress

    from dashboards.app import Running, make_app
    from dashboards.claims import Told
    from dashboards.pages.begin import Broker

    settings = load(home)
    logs.configure("pages", settings.log, logs.secrets_of(settings))
    limit_cache(settings.record.cache_mb)
    folder = settings.record_home
    server = settings.record.server()
    open_record(folder, server=server).close()  # made or migrated; afterwards it is only read
    record = open_record(folder, read_only=True, server=server)
    settings.metrics.token()  # one that can be guessed is refused at once
    proxy, here = settings.pages.proxy, version("sillkeep")
    at = settings.broker
    nodes = Broker(at.address, at.port, at.prefix, embedded=at.embedded, tls=bool(at.ca_file))
    claimed = Told(
        at.address, at.port, at.prefix, at.ca_file, lambda change: accesslist.keep(change, settings)
    )
    app = make_app(
        record,
        now=_now,
        change=lambda: open_record(folder, server=server),
        secure=bool(proxy),
        keeps=True,
        runs=Running(
            shown(settings, version=here),
            nodes,
            claimed,
            version=here,
            metrics_token=settings.metrics.token,
        ),
    )
    at_door: dict[str, Any] = {"host": settings.pages.host, "port": port or settings.pages.port}
    if door is not None:
        at_door = {"sockets": [socket.socket(fileno=door)]}
    served = waitress.create_server(
        app.server, threads=THREADS, ident="", clear_untrusted_proxy_headers=True,
        **at_door, **_forwarded(proxy),
    )  # fmt: skip
    if door is not None:
        # with one socket there is one server; a connection that says nothing ends after 2 minutes
        minutes = settings.pages.idle_minutes or 1
        _end_when_idle(app.server, minutes * 60, lambda: bool(served.active_channels))
    served.print_listen("Serving on http://{}:{}")
    served.run()


def _end_when_idle(server: "Flask", longest_s: float, is_busy: Callable[[], bool]) -> None:
    """End this process when nobody came for so long; who knocks then is let in by the next one.

    Not while a connection is open: photos may come in, or a document go out, for longer than that.
    """
    seen_s = time.monotonic()

    def note() -> None:
        nonlocal seen_s
        seen_s = time.monotonic()

    def look() -> None:
        while is_busy() or time.monotonic() - seen_s < longest_s:
            pause.wait(min(15.0, longest_s / 4))
        os._exit(0)  # nothing is being answered, and the record was only read

    pause = threading.Event()
    server.before_request(note)
    threading.Thread(target=look, daemon=True, name="idle").start()


def _forwarded(proxy: str) -> dict[str, Any]:
    """Whose word is taken for where a request comes from: the named proxy's, nobody else's."""
    if not proxy:
        return {}
    try:
        address = socket.gethostbyname(proxy)
    except OSError:
        address = "127.0.0.1"  # a name of its own, on this machine
    return {
        "trusted_proxy": address,
        "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"},
    }


def _now() -> int:
    return int(time.time())  # noqa: TID251  the entry point reads the clock


if __name__ == "__main__":
    main()
