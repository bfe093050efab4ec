"""The group of real processes that a small installation is: a web server and two workers, kept alive and ended together.

One data folder has one group at a time. A process that dies is started again, later each time it dies young. Nothing is
left behind: not by Ctrl-C or SIGTERM, and on Linux not even when the supervisor itself is killed.
"""

import contextlib
import ctypes
import fcntl
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from django.conf import settings
from django.core.management import call_command

ANSWERS_WITHIN_S = 60
GRACE_S = 5
YOUNG_S = 30
LONGEST_PAUSE_S = 30
PR_SET_PDEATHSIG = 1


class Busy(Exception):
    """Another group serves the same data folder."""


@dataclass
class Child:
    """One process of the group and how to start it again."""

    name: str
    command: list[str]
    last_signal: signal.Signals
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0.0
    deaths: int = 0
    due_at: float = 0.0


@dataclass
class Group:
    """Processes that run for one data folder, and the address at which they answer."""

    address: str
    listener: socket.socket
    children: list[Child]
    say: Callable[[str], None]
    ending: threading.Event = field(default_factory=threading.Event)

    def wait(self) -> None:
        """Return when the group is asked to end."""
        while not self.ending.wait(0.5):
            pass

    def start(self, child: Child) -> None:
        log = log_file(child.name)
        child.process = subprocess.Popen(
            child.command,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            pass_fds=[self.listener.fileno()],
            start_new_session=True,  # Ctrl-C reaches the supervisor alone, which ends the others in order
            env=os.environ | {"FAIRBAND_ADDRESS": settings.PUBLIC_ADDRESS or self.address},
            preexec_fn=_die_with_parent(child.last_signal),
            cwd=settings.BASE_DIR,
        )
        log.close()
        child.started_at = time.monotonic()

    def look_after(self) -> None:
        """Start again whoever died, until the group ends. Runs in a thread of its own."""
        while not self.ending.wait(0.2):
            now = time.monotonic()
            for child in self.children:
                if child.process is not None and child.process.poll() is not None:
                    child.deaths = child.deaths + 1 if now - child.started_at < YOUNG_S else 1
                    pause = min(LONGEST_PAUSE_S, 0.25 * 2**child.deaths)
                    self.say(
                        f"{child.name} ended ({child.process.returncode}); starting it again. See {log_path(child.name)}."
                    )
                    child.process, child.due_at = None, now + pause
                elif child.process is None and now >= child.due_at:
                    self.start(child)

    def stop(self) -> None:
        """End every process: politely, then not."""
        self.ending.set()
        alive = [child.process for child in self.children if child.process is not None]
        for process in alive:
            _signal(process, signal.SIGTERM)
        until = time.monotonic() + GRACE_S
        for process in alive:
            try:
                process.wait(max(0.0, until - time.monotonic()))
            except subprocess.TimeoutExpired:
                # A run that is cut short is taken up again by the next worker; nothing is lost.
                _signal(process, signal.SIGKILL)
                process.wait()
        self.listener.close()


def _signal(process: "subprocess.Popen[bytes]", number: signal.Signals) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, number)


def _die_with_parent(number: signal.Signals) -> Callable[[], None] | None:
    """On Linux the kernel itself signals a child whose parent is gone; loaded here, before the fork."""
    if not sys.platform.startswith("linux"):
        return None
    libc = ctypes.CDLL(None)
    parent = os.getpid()

    def ask() -> None:
        libc.prctl(PR_SET_PDEATHSIG, int(number))
        if os.getppid() != parent:
            os._exit(1)

    return ask


def log_path(name: str) -> Path:
    return Path(settings.DATA_DIR) / "log" / f"{name}.log"


def log_file(name: str) -> IO[bytes]:
    log_path(name).parent.mkdir(exist_ok=True)
    return log_path(name).open("ab")


def _children(listener: socket.socket) -> list[Child]:
    def worker(queue: str) -> list[str]:
        return [
            sys.executable, "-m", "celery", "--app", "coordinator.celery", "worker", "--pool", "solo", "--concurrency", "1",
            "--queues", queue, "--hostname", f"{queue}-{os.getpid()}@%h", "--loglevel", "INFO",
            "--without-gossip", "--without-mingle",
        ]  # fmt: skip

    web = [
        sys.executable, "-m", "gunicorn", "coordinator.wsgi:application", "--bind", f"fd://{listener.fileno()}",
        "--worker-class", "gthread", "--workers", "2", "--threads", "2", "--timeout", "120",
    ]  # fmt: skip
    return [
        Child("web", web, signal.SIGTERM),
        Child("worker-runs", worker("runs"), signal.SIGKILL),
        Child("worker-quick", worker("quick"), signal.SIGKILL),
    ]


@contextlib.contextmanager
def running(*, host: str = "127.0.0.1", port: int = 0, say: Callable[[str], None] = print) -> Iterator[Group]:
    """Migrate, start the group, wait until it answers; end it at the end. Port 0 is a free one.

    Raises Busy when a group serves this data folder already, OSError when the port cannot be had.
    """
    with _only_one():
        call_command("migrate", verbosity=0, interactive=False)
        listener = socket.create_server((host, port), backlog=128)
        shown = f"[{host}]" if ":" in host else host
        group = Group(f"http://{shown}:{listener.getsockname()[1]}", listener, _children(listener), say)
        before = {number: signal.signal(number, _ender(group)) for number in (signal.SIGTERM, signal.SIGINT)}
        try:
            for child in group.children:
                group.start(child)
            threading.Thread(target=group.look_after, daemon=True).start()
            _wait_for_answer(group)
            yield group
        except KeyboardInterrupt:
            pass
        finally:
            group.stop()
            for number, handler in before.items():
                signal.signal(number, handler)


def _ender(group: Group) -> Callable[[int, object], None]:
    def end(number: int, frame: object) -> None:
        group.ending.set()
        raise KeyboardInterrupt

    return end


@contextlib.contextmanager
def _only_one() -> Iterator[None]:
    path = Path(settings.DATA_DIR) / "serving.lock"
    with path.open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Busy(
                f"{settings.DATA_DIR} is served already by another process; stop that, or give --data another folder."
            ) from None
        yield


def _wait_for_answer(group: Group) -> None:
    """The service answers when it refuses a request without credentials."""
    until = time.monotonic() + ANSWERS_WITHIN_S
    while time.monotonic() < until and not group.ending.is_set():
        try:
            urllib.request.urlopen(f"{group.address}/api/v1/events/", timeout=5)  # noqa: S310 - our own http address
        except urllib.error.HTTPError as error:
            if error.code in (400, 401):
                return
        except OSError:
            pass
        time.sleep(0.05)
    raise RuntimeError(f"The web server does not answer; see {log_path('web')}.")
