"""What this machine lends to the suite: a browser, a PostgreSQL, a Redis. What is missing is said, never skipped over."""

import os
import shutil
import socket
from functools import cache
from urllib.parse import urlsplit

import psycopg


@cache
def browser() -> str | None:
    """The path of Debian's chromium, where it is installed."""
    return shutil.which("chromium")


@cache
def postgres() -> str | None:
    """The address of a PostgreSQL in which databases can be made: the one of the environment, or a local one."""
    given = os.environ.get("DATABASE_URL", "")
    candidates = [given] if given else [
        "postgresql:///postgres?host=/var/run/postgresql",
        "postgresql://postgres@127.0.0.1:5432/postgres",
    ]  # fmt: skip
    return next((url for url in candidates if _may_create(url)), None)


def _may_create(url: str) -> bool:
    try:
        with psycopg.connect(url, connect_timeout=3) as connection:
            row = connection.execute(
                "SELECT rolcreatedb OR rolsuper FROM pg_roles WHERE rolname = current_user"
            ).fetchone()
            return bool(row and row[0])
    except psycopg.Error:
        return False


@cache
def redis() -> str | None:
    """The address of a Redis that answers."""
    url = os.environ.get("REDIS_URL") or "redis://127.0.0.1:6379/0"
    parts = urlsplit(url)
    try:
        with socket.create_connection(
            (parts.hostname or "127.0.0.1", parts.port or 6379), timeout=3
        ) as connection:
            connection.sendall(b"PING\r\n")
            return url if connection.recv(16).startswith(b"+PONG") else None
    except OSError:
        return None


def not_run_here() -> list[str]:
    """What cannot run on this machine, with what to install."""
    missing = []
    if browser() is None:
        missing.append("tests in a browser: chromium is not installed (Debian: apt install chromium)")
    if postgres() is None:
        missing.append("the second pass: no PostgreSQL in which databases can be made (set DATABASE_URL)")
    if redis() is None:
        missing.append("the second pass: no Redis answers (set REDIS_URL)")
    return missing
