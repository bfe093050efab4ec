"""Somebody else's program at the other end of a webhook, which trusts nothing that the reference library does not verify.

https://pypi.org/project/standardwebhooks/, by the authors of the specification. In a test a thread; run as
`python -m tests.receiver PORT SECRET FILE` a process of its own, which writes one line per message that it took.
"""

import contextlib
import json
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from standardwebhooks import Webhook, WebhookVerificationError


@dataclass
class Got:
    """One request as it came in."""

    headers: dict[str, str]
    body: str

    def verified(self, secret: str) -> Any:
        return Webhook(secret).verify(self.body, self.headers)

    @property
    def content(self) -> Any:
        return json.loads(self.body)


@dataclass
class Receiver:
    """Answers with the statuses (and headers) that it is told to, one after another, then with 204."""

    address: str = ""
    got: list[Got] = field(default_factory=list)
    answers: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    hold: threading.Event | None = None

    @property
    def types(self) -> list[str]:
        return [got.content["type"] for got in self.got]

    def take(self, got: Got) -> tuple[int, dict[str, str]]:
        self.got.append(got)
        if self.hold is not None:
            self.hold.wait(60)
        return self.answers.pop(0) if self.answers else (204, {})


@contextlib.contextmanager
def receiving(receiver: Receiver | None = None, port: int = 0) -> Iterator[Receiver]:
    receiver = receiver or Receiver()

    class Door(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            status, headers = receiver.take(Got(dict(self.headers.items()), body))
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", port), Door)
    server.daemon_threads = True
    receiver.address = f"http://127.0.0.1:{server.server_port}/fairband?key=1"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        if receiver.hold is not None:
            receiver.hold.set()
        server.shutdown()
        server.server_close()
        thread.join()


class Keeping(Receiver):
    """Writes down what verifies, and refuses the rest."""

    def __init__(self, secret: str, file: Path) -> None:
        super().__init__()
        self.secret, self.file, self.lock = secret, file, threading.Lock()

    def take(self, got: Got) -> tuple[int, dict[str, str]]:
        try:
            content = got.verified(self.secret)
        except WebhookVerificationError as refusal:
            content = {"refused": str(refusal)}
        line = json.dumps({"key": got.headers.get("webhook-id"), **content})
        with self.lock, self.file.open("a") as file:
            file.write(line + "\n")
        return (401 if "refused" in content else 204), {}


if __name__ == "__main__":
    with receiving(Keeping(sys.argv[2], Path(sys.argv[3])), int(sys.argv[1])):
        print("ready", flush=True)
        threading.Event().wait()
