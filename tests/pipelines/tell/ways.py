"""A mail server and a web server of their own, which remember what came."""

from __future__ import annotations

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from tests.pipelines.record.processes import free_port


class Mailbox:
    """An SMTP server's handler; ``answers`` are taken from the front, then all is well."""

    def __init__(self, *answers: str, refuses: str = "", closes_after_data: bool = False) -> None:
        self.answers, self.refuses = list(answers), refuses
        self.closes_after_data = closes_after_data
        self.came: list[tuple[tuple[str, ...], bytes]] = []
        self.tries = 0

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802
        if address == self.refuses:
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        self.tries += 1
        if self.answers and (answer := self.answers.pop(0)):
            return answer
        self.came.append((tuple(envelope.rcpt_tos), envelope.content))
        if self.closes_after_data:
            server.transport.abort()
        return "250 taken"


class MailServer:
    def __init__(self, box: Mailbox, password: str | None = None) -> None:
        more = {}
        if password is not None:
            def known(server, session, envelope, mechanism, data):
                right = data.password.decode() == password
                return AuthResult(success=right, handled=right)  # else it never answers

            more = {"authenticator": known, "auth_required": True, "auth_require_tls": False}
        self.box, self.port = box, free_port()
        self.controller = Controller(box, hostname="127.0.0.1", port=self.port, **more)

    def __enter__(self) -> MailServer:
        self.controller.start()
        return self

    def __exit__(self, *_) -> None:
        self.controller.stop()


class WebServer:
    """``answers`` are statuses, taken from the front, then 204; 0 breaks off without an answer."""

    def __init__(self, *answers: int) -> None:
        self.answers = list(answers)
        self.came: list[tuple[dict[str, str], dict]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["content-length"]))
                outer.came.append((dict(self.headers), json.loads(body)))
                status = outer.answers.pop(0) if outer.answers else 204
                if status == 0:
                    self.connection.close()
                    return
                self.send_response(status)
                self.send_header("content-length", "0")
                if status in (301, 302, 307):
                    self.send_header("location", "/elsewhere")
                self.end_headers()

            def log_message(self, *_):
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}/hook/secret-part"

    def __enter__(self) -> WebServer:
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_) -> None:
        self.server.shutdown()
        self.server.server_close()


def secret(folder: Path, name: str, text: str) -> None:
    home = folder / "secrets"
    home.mkdir(exist_ok=True)
    (home / name).write_text(text + "\n", encoding="utf-8")
