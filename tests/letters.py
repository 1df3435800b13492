"""Servers that messages are sent to in tests: they take, refuse, hang, drop, and heal."""

import asyncio
import json
import threading
import time
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.smtp import SMTP

HANG_S = 3.0  # longer than tests let anybody wait


@dataclass
class Webhook:
    """A web server on a free port; `mode`: ok, refuse, hang, drop (before it has taken anything)."""

    mode: str = "ok"
    got: list[tuple[str, dict[str, Any]]] = field(default_factory=list)  # (id, payload)
    calls: int = 0

    def __post_init__(self) -> None:
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                hook.calls += 1
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if hook.mode == "hang":
                    time.sleep(HANG_S)
                if hook.mode in {"drop", "hang"}:
                    self.wfile.write(b"HTTP/1.1 20")
                    self.connection.close()
                    return
                if hook.mode == "ok":
                    hook.got.append((self.headers["Idempotency-Key"], json.loads(body)))
                self.send_response(200 if hook.mode == "ok" else 500)
                self.end_headers()

            def do_GET(self) -> None:
                hook.calls += 1
                self.send_response(200 if hook.mode == "ok" else 500)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

            def handle(self) -> None:
                try:
                    super().handle()
                except (OSError, ValueError):
                    pass  # it hung up on itself

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.thread = threading.Thread(
            target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        self.thread.start()

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.server.server_address[1]}"

    @property
    def url(self) -> str:
        return f"json://{self.host}/told"

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@dataclass
class Mailbox:
    """An SMTP server on a free port; `mode`: ok, refuse, hang, drop (before it says 250)."""

    mode: str = "ok"
    got: list[Any] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.server = self.loop.run_until_complete(
            self.loop.create_server(lambda: SMTP(self, loop=self.loop), "127.0.0.1", 0)
        )
        self.port = self.server.sockets[0].getsockname()[1]
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()

    async def handle_DATA(self, server: SMTP, _session: object, envelope: Any) -> str:  # noqa: N802
        if self.mode == "hang":
            await asyncio.sleep(HANG_S)
        if self.mode in {"drop", "hang"}:
            assert server.transport is not None
            server.transport.close()
            return "421 gone"
        if self.mode == "refuse":
            return "451 not now"
        self.got.append(message_from_bytes(envelope.content, policy=policy.default))
        return "250 taken"

    @property
    def url(self) -> str:
        return f"mailto://127.0.0.1:{self.port}/ann@lot.example?from=sillkeep@lot.example"

    def close(self) -> None:
        self.loop.call_soon_threadsafe(self.server.close)
        self.loop.call_soon_threadsafe(self._end)
        self.thread.join()
        self.loop.run_until_complete(asyncio.sleep(0))
        self.loop.close()

    def _end(self) -> None:
        for task in asyncio.all_tasks(self.loop):
            task.cancel()
        self.loop.call_soon(self.loop.stop)
