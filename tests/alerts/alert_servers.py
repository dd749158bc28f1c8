"""Services that take messages, on free ports of this computer."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from aiosmtpd.controller import Controller

from platelink.publish.services import free_port


class Web:
    """Takes what is posted; answers with ``status`` after ``delay_s``."""

    def __init__(self) -> None:
        self.status, self.delay_s = 200, 0.0
        self.paths: list[str] = []
        self.bodies: list[str] = []
        self.arrived = threading.Event()
        web = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("content-length", 0)))
                web.paths.append(self.path)
                web.bodies.append(body.decode())
                web.arrived.set()
                time.sleep(web.delay_s)
                self.send_response(web.status)
                self.send_header("content-length", "2")
                self.end_headers()
                self.wfile.write(b"{}")

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.place = f"127.0.0.1:{self.server.server_address[1]}"


@contextmanager
def web() -> Iterator[Web]:
    """A web server: webhooks, and push services that speak HTTP."""
    made = Web()
    thread = threading.Thread(target=made.server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield made
    finally:
        made.server.shutdown()
        thread.join()
        made.server.server_close()


class Mailbox:
    """What a mail server was given."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.answer = "250 OK"
        self.place = ""

    async def handle_DATA(self, _server, _session, envelope) -> str:  # noqa: N802 -- aiosmtpd's name
        if self.answer.startswith("250"):
            self.mails.append(message_from_bytes(envelope.content, policy=policy.default))
        return self.answer


@contextmanager
def smtp() -> Iterator[Mailbox]:
    """A mail server without a password."""
    box = Mailbox()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    box.place = f"127.0.0.1:{controller.port}"
    try:
        yield box
    finally:
        controller.stop()
