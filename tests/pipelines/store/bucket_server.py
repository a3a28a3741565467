"""An S3-compatible server on this machine that can be told to fail, shared by the tests of buckets.

The server is moto's. Taken one request at a time: its look at a condition and its write are not
one step, which they are at the services that state conditional writes.
"""

from __future__ import annotations

import threading
import urllib.request
import uuid

from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import WSGIRequestHandler, make_server

KEYS = {"AWS_ACCESS_KEY_ID": "key-of-the-tests", "AWS_SECRET_ACCESS_KEY": "secret-of-the-tests",
        "AWS_REGION": "us-east-1", "AWS_ALLOW_HTTP": "true"}


class _Silent(WSGIRequestHandler):
    def log(self, *_args):
        pass


class BucketServer:
    """``faults``: each is asked about a request (method, path) and may answer in its place."""

    def __init__(self):
        self.moto = DomainDispatcherApplication(create_backend_app)
        self.faults = []
        self.seen = []
        self.server = make_server("127.0.0.1", 0, self._answer, request_handler=_Silent)
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        self.keys = {**KEYS, "AWS_ENDPOINT_URL": self.url}

    def stop(self):
        self.server.shutdown()
        self.server.server_close()

    def _answer(self, environ, start):
        what = environ["REQUEST_METHOD"], environ["PATH_INFO"]
        self.seen.append(what)
        for fault in list(self.faults):
            told = fault(*what, environ, self._carry_out)
            if told is not None:
                status, body = told
                start(status, [("Content-Type", "application/xml")])
                return [body]
        return self.moto(environ, start)

    def _carry_out(self, environ):
        """Do what a request asks for, and keep the answer."""
        for _ in self.moto(environ, lambda *_: None):
            pass

    def bucket(self):
        """A new bucket."""
        name = f"b{uuid.uuid4().hex[:12]}"
        request = urllib.request.Request(f"{self.url}/{name}", method="PUT")
        with urllib.request.urlopen(request):
            return name


def once(status, method, ends):
    """Answer the first request of a kind with a failure."""
    left = [True]

    def fault(seen, path, _environ, _do):
        if left and seen == method and path.endswith(ends):
            left.clear()
            return status, b"<Error><Code>Trouble</Code></Error>"
        return None

    return fault
