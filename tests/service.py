"""The service as a user starts it: real processes on a temporary folder and a free port.

With DATABASE_URL and REDIS_URL in the environment it runs on a database of its own there and under a queue prefix of
its own; otherwise on SQLite and the file-system queue inside the folder.
"""

import contextlib
import fcntl
import hashlib
import http.client
import json
import os
import re
import secrets
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg
from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart

ROOT = Path(__file__).resolve().parent.parent
PATIENCE_S = 90

SITE = """
import json
from apps.events import actions, queries
from tests.site import make_site
site = make_site()
tokens = {}
for who, person in site.people.items():
    if who != "stranger":
        actor = queries.actor_in(person, site.event.slug)
        tokens[who] = actions.issue_token(actor=actor, person=person, writes=True).secret
        person.set_password("a password for tests")
        person.save()
print("TOKENS " + json.dumps(tokens))
"""


def until(condition: Callable[[], Any], what: str) -> Any:
    """Poll until something is so; fail, naming it, when patience ends."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        found = condition()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"never came true: {what}")


@dataclass
class Service:
    process: subprocess.Popen[str]
    address: str
    environment: dict[str, str]
    tokens: dict[str, str]

    def call(self, who: str, method: str, path: str, content: Any = None, key: str = "") -> tuple[int, Any]:
        """Status and content of a request to the event's interface; 0 when nobody answered."""
        headers = {"Idempotency-Key": key} if key else {}
        if content is None:
            return self._ask(who, method, path, None, headers)
        headers["Content-Type"] = "application/json"
        return self._ask(who, method, path, json.dumps(content).encode(), headers)

    def send(self, who: str, path: str, fields: dict[str, Any]) -> tuple[int, Any]:
        """Status and content of a form with a file in it."""
        body = encode_multipart(BOUNDARY, fields)
        return self._ask(who, "POST", path, body, {"Content-Type": MULTIPART_CONTENT})

    def _ask(
        self, who: str, method: str, path: str, data: bytes | None, headers: dict[str, str]
    ) -> tuple[int, Any]:
        address = f"{self.address}/api/v1/events/harbour-days/{path}"
        headers = {"Authorization": f"Token {self.tokens[who]}", **headers}
        request = urllib.request.Request(address, method=method, headers=headers)
        try:
            with urllib.request.urlopen(request, data, timeout=60) as answer:
                return answer.status, json.loads(answer.read() or b"null")
        except urllib.error.HTTPError as error:
            return error.code, json.loads(error.read() or b"null")
        except (urllib.error.URLError, ConnectionError, http.client.HTTPException):
            return 0, None

    def children(self, parent: int | None = None) -> list[int]:
        """The children of the supervisor, or of one of them, by the kernel's word."""
        task = Path(f"/proc/{parent or self.process.pid}/task")
        found: list[int] = []
        for thread in task.iterdir() if task.exists() else []:
            with contextlib.suppress(OSError):
                found += [int(pid) for pid in (thread / "children").read_text().split()]
        return found


def alive(pid: int) -> bool:
    """Whether a process runs; one that has ended and only waits to be counted does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def begun_before(folder: Path) -> None:
    """A data folder as an earlier start left it, its tables made. Only tests of a first start need spend the seconds for that.

    The tables are made once for all tests on SQLite, under a name that changes with every migration.
    """
    rows = sorted(ROOT.glob("apps/*/migrations/*.py"))
    digest = hashlib.sha256(b"".join(row.read_bytes() for row in rows)).hexdigest()[:16]
    kept = Path(tempfile.gettempdir()) / f"fairband-tables-{os.getuid()}-{digest}.sqlite3"
    with open(kept.with_suffix(".lock"), "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            with tempfile.TemporaryDirectory() as first:
                environment = {k: v for k, v in os.environ.items() if k not in ("DATABASE_URL", "REDIS_URL")}
                _coordinator(environment | {"FAIRBAND_DATA": first}, "migrate", "--verbosity", "0")
                made = kept.with_suffix(".part")
                made.unlink(missing_ok=True)
                with (
                    contextlib.closing(sqlite3.connect(Path(first) / "fairband.sqlite3")) as source,
                    contextlib.closing(sqlite3.connect(made)) as copy,
                ):
                    source.backup(copy)
                made.rename(kept)
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(kept, folder / "fairband.sqlite3")


def _coordinator(environment: dict[str, str], *command: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "coordinator", *command], cwd=ROOT, env=environment, capture_output=True, text=True
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


@contextlib.contextmanager
def started(folder: Path, **settings: str) -> Iterator[Service]:
    """A service with the small event of tests/site.py, its people and their tokens."""
    with _own_database() as servers:
        environment = (
            os.environ | servers | settings | {"FAIRBAND_DATA": str(folder), "FAIRBAND_LOG_LEVEL": "WARNING"}
        )
        environment.pop("DJANGO_SETTINGS_MODULE", None)
        if servers:
            _coordinator(environment, "migrate", "--verbosity", "0")
        else:
            begun_before(folder)
        said = _coordinator(environment, "shell", "--no-imports", "-c", SITE)
        tokens = json.loads(re.search("TOKENS (.*)", said)[1])
        process = subprocess.Popen(
            [sys.executable, "-m", "coordinator", "serve", "--port", "0"],
            cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            line = ""
            while "Serving on" not in line:
                line = process.stdout.readline()
                assert line, f"the service ended: {process.wait()}"
            yield Service(process, re.search(r"http://\S+", line)[0], environment, tokens)
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                process.wait(30)
            process.stdout.close()


@contextlib.contextmanager
def _own_database() -> Iterator[dict[str, str]]:
    url = os.environ.get("DATABASE_URL")
    if not url:
        yield {}
        return
    name = f"fairband_{secrets.token_hex(6)}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
    parts = urlsplit(url)
    try:
        yield {
            "DATABASE_URL": urlunsplit(parts._replace(path=f"/{name}")),
            "FAIRBAND_QUEUE_PREFIX": f"test-{secrets.token_hex(4)}",
        }
    finally:
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')
