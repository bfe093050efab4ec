"""The group of real processes that a small installation is: a web server and workers, kept alive and ended together.

One data folder has one group at a time. A process that dies is started again, later each time it dies young. Nothing is
left behind: not by Ctrl-C or SIGTERM, and on Linux not even when the supervisor itself is killed.
"""

import contextlib
import ctypes
import fcntl
import http.client
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from django.conf import settings
from django.core.management import call_command
from django.db import DatabaseError

ANSWERS_WITHIN_S = 60
GRACE_S = 5
YOUNG_S = 30
LONGEST_PAUSE_S = 30
PR_SET_PDEATHSIG = 1
ENDING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Busy(Exception):
    """Another group serves the same data folder."""


class Failed(Exception):
    """The group cannot be started; the text says why, and where to look."""


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
    keeper: threading.Thread | None = None
    answers: bool = False

    def answer(self) -> None:
        """Wait until the web server answers, then start the workers: together they would only slow it down.

        Raises Failed when it does not answer, KeyboardInterrupt when the group was asked to end meanwhile.
        """
        _wait_for_answer(self)
        for child in self.children[1:]:
            if not self.ending.is_set():
                self.start(child)
        self.keeper = threading.Thread(target=self.keep, daemon=True)
        self.keeper.start()
        self.answers = True
        if self.ending.is_set():
            raise KeyboardInterrupt

    def wait(self) -> None:
        """Return when the group is asked to end."""
        with contextlib.suppress(KeyboardInterrupt):
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

    def keep(self) -> None:
        """Start again whoever died, until the group ends; then end it. Runs in a thread of its own.

        The kernel takes the thread that started a process for its parent, so this one must outlive its processes.
        """
        while not self.ending.wait(0.2):
            for child in self.children:
                self._look_after(child, time.monotonic())
        self._end_all()

    def _look_after(self, child: Child, now: float) -> None:
        # Nobody may read the screen any more and the disk may be full: neither ends the keeping.
        with contextlib.suppress(OSError):
            if child.process is None and now >= child.due_at:
                child.due_at = now + LONGEST_PAUSE_S  # in case it cannot be started at all
                self.start(child)
            elif child.process is not None and child.process.poll() is not None:
                code = child.process.returncode
                child.deaths = child.deaths + 1 if now - child.started_at < YOUNG_S else 1
                child.process, child.due_at = None, now + min(LONGEST_PAUSE_S, 0.25 * 2**child.deaths)
                self.say(f"{child.name} ended ({code}); starting it again. See {log_path(child.name)}.")

    def stop(self) -> None:
        """End the group and return when nothing of it runs."""
        self.ending.set()
        if self.keeper is not None and self.keeper.is_alive():
            self.keeper.join()
        else:
            self._end_all()
        self.listener.close()

    def _end_all(self) -> None:
        """End every process: politely, then not."""
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
    def worker(queue: str, number: int = 1) -> Child:
        name = f"worker-{queue}" if number == 1 else f"worker-{queue}-{number}"
        command = [
            sys.executable, "-m", "celery", "--app", "coordinator.celery", "worker", "--pool", "solo", "--concurrency", "1",
            "--queues", queue, "--hostname", f"{name}-{os.getpid()}@%h", "--loglevel", "INFO",
            "--without-gossip", "--without-mingle",
        ]  # fmt: skip
        return Child(name, command, signal.SIGKILL)

    web = [
        sys.executable, "-m", "gunicorn", "coordinator.wsgi:application", "--bind", f"fd://{listener.fileno()}",
        "--worker-class", "gthread", "--workers", "2", "--threads", "2", "--timeout", "120", "--preload",
    ]  # fmt: skip
    return [
        Child("web", web, signal.SIGTERM),
        *(worker("runs", number) for number in range(1, settings.RUN_WORKERS + 1)),
        worker("quick"),
    ]


@contextlib.contextmanager
def running(*, host: str = "127.0.0.1", port: int = 0, say: Callable[[str], None] = print) -> Iterator[Group]:
    """Migrate and start the web server; `Group.answer` in the block starts the rest; end all at the end. Port 0 is a free one.

    SIGINT, SIGTERM and SIGHUP end `Group.wait`; after `Group.answer` they raise KeyboardInterrupt anywhere else in the block.
    Raises Busy when a group serves this data folder already, Failed when it cannot be started.
    """
    with _only_one():
        listener = _listen(host, port)
        shown = f"[{host}]" if ":" in host else host
        group = Group(f"http://{shown}:{listener.getsockname()[1]}", listener, _children(listener), say)
        before = {number: signal.signal(number, _ender(group)) for number in ENDING_SIGNALS}
        try:
            _migrate()
            group.start(group.children[0])
            yield group
        finally:
            group.stop()
            for number, handler in before.items():
                signal.signal(number, handler)


def _ender(group: Group) -> Callable[[int, object], None]:
    """A handler that is quiet while the group starts, for what is raised amid a fork is lost, and afterwards raises
    once: a second Ctrl-C does not cut the ending short."""

    def end(number: int, frame: object) -> None:
        asked_before = group.ending.is_set()
        group.ending.set()
        if group.answers and not asked_before:
            raise KeyboardInterrupt

    return end


def _listen(host: str, port: int) -> socket.socket:
    """The socket that the web server inherits: whoever comes while it is started again waits instead of failing."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=128)
    except (OSError, OverflowError) as error:
        raise Failed(
            f"Cannot listen on {host} port {port}: {error}. Choose others with --host and --port."
        ) from None


def _migrate() -> None:
    try:
        call_command("migrate", verbosity=0, interactive=False)
    except DatabaseError as error:
        raise Failed(f"The database cannot be brought up to date: {str(error).strip()}") from None


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
    """Any answer will do that is not an error of the server: a refusal, or being sent to the public address."""
    host, port = group.listener.getsockname()[:2]
    until = time.monotonic() + ANSWERS_WITHIN_S
    while not group.ending.is_set():
        if time.monotonic() > until:
            raise Failed(f"The web server does not answer; see {log_path('web')}.")
        connection = http.client.HTTPConnection(host, port, timeout=5)  # asks no proxy, follows no redirect
        try:
            connection.request("GET", "/api/v1/events/")
            if connection.getresponse().status < 500:
                return
        except (OSError, http.client.HTTPException):
            pass
        finally:
            connection.close()
        time.sleep(0.05)
