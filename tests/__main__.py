"""The whole suite, as `python3 deploy/start.py test` runs it: on SQLite and the file-system queue, then once more what
touches database or queue on PostgreSQL and Redis. What cannot run on this machine is listed last; with CI=true that is
a failure."""

import os
import secrets
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
from pathlib import Path

from tests import surroundings

ROOT = Path(__file__).resolve().parent.parent
SERVERS = ("DATABASE_URL", "REDIS_URL")


def run(name: str, arguments: list[str], environment: dict[str, str]) -> tuple[int, int, int]:
    """One pass of pytest: (exit code, passed, failed)."""
    print(f"\n== {name} ==", flush=True)
    with tempfile.TemporaryDirectory(prefix="fairband-tests-") as folder:
        report = Path(folder) / "report.xml"
        command = [sys.executable, "-m", "pytest", "-q", f"--junitxml={report}", *arguments]
        code = subprocess.run(
            command, cwd=ROOT, env=environment | {"FAIRBAND_DATA": folder}, check=False
        ).returncode
        suite = ElementTree.parse(report).getroot().find("testsuite") if report.exists() else None
        if suite is None:
            return code or 1, 0, 1
        counts = {key: int(suite.get(key, "0")) for key in ("tests", "failures", "errors", "skipped")}
    failed = counts["failures"] + counts["errors"]
    return code, counts["tests"] - failed - counts["skipped"], failed


def main(arguments: list[str]) -> int:
    plain = {key: value for key, value in os.environ.items() if key not in SERVERS}
    # One more than there are cores: many tests wait for a process of their own.
    given = arguments or ["-n", str(min(4, (os.cpu_count() or 1) + 1)), "--dist", "loadgroup"]
    passes = [run("SQLite and the file-system queue", given, plain)]
    database, queue = surroundings.postgres(), surroundings.redis()
    if database and queue:
        servers = plain | {
            "DATABASE_URL": database,
            "REDIS_URL": queue,
            "FAIRBAND_QUEUE_PREFIX": f"test-{secrets.token_hex(4)}",
            # What is thrown away after each test need not wait for the disk.
            "PGOPTIONS": "-c synchronous_commit=off",
        }
        passes.append(run("PostgreSQL and Redis", [*given, "-m", "store"], servers))
    missing = surroundings.not_run_here()
    if missing:
        print("\nNOT RUN HERE:")
        for line in missing:
            print(f"  {line}")
    print(f"\n{sum(p for _, p, _ in passes)} passed, {sum(f for _, _, f in passes)} failed", flush=True)
    # 5: a selection given on the command line may leave nothing for a pass.
    broken = any(code not in (0, 5) for code, _, _ in passes) or not any(p for _, p, _ in passes)
    return 1 if broken or (missing and os.environ.get("CI") == "true") else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
