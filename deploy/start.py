"""Start Fairband from a fresh checkout: make .venv, install the hashed requirements, hand over.

    python3 deploy/start.py demo    [--once --out DIR] [--data DIR] [--host HOST] [--port PORT]
    python3 deploy/start.py serve   [--data DIR] [--host HOST] [--port PORT]
    python3 deploy/start.py test    [arguments for pytest]
    python3 deploy/start.py install [--tests]

Standard library only, because it runs before anything is installed; and no syntax that an older Python 3
cannot read, so that its user is told what to install instead of being shown a line of this file.

Exit codes: 1 when something failed, 2 when something has to be installed first or an argument is wrong.
"""

import argparse
import contextlib
import fcntl
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

OLDEST = (3, 11)
ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "installed"
PLAIN = ROOT / "deploy" / "requirements.txt"
WITH_TESTS = ROOT / "deploy" / "requirements-test.txt"

PACKAGES = "Debian 12 or newer: apt install python3 python3-venv; macOS: brew install python"


class Refused(Exception):
    """What somebody can mend: one line for the screen, and the exit code."""

    def __init__(self, line, code=1):
        super().__init__(line)
        self.code = code


def main(arguments):
    """Do what the command line asks; return only when the work ends here."""
    try:
        require_python(sys.version_info[:3])
        command, rest = read(arguments)
        install(WITH_TESTS if command == "test" or "--tests" in rest else PLAIN)
        if command == "install":
            say(f"Installed in {VENV}.")
            return 0
        hand_over(["-m", "tests", *rest] if command == "test" else ["-m", "coordinator", command, *rest])
    except Refused as refused:
        say(str(refused))
        return refused.code
    except OSError as error:
        say(f"Cannot go on: {error}")
        return 1
    except KeyboardInterrupt:
        say("Stopped. The next start takes up what was not finished.")
        return 130


def require_python(version):
    """Refuse a Python older than OLDEST. `version` is (major, minor, micro)."""
    if version < OLDEST:
        oldest, this = (".".join(map(str, numbers)) for numbers in (OLDEST, version))
        raise Refused(
            f"Fairband needs Python {oldest} or newer and this is {this}. Install one ({PACKAGES}).", 2
        )


def read(arguments):
    """The command, and the arguments to hand on, with paths that hold from any folder."""
    parser = argparse.ArgumentParser(prog="start.py", description="Install Fairband in .venv and start it.")
    commands = parser.add_subparsers(dest="command", required=True, metavar="demo|serve|test|install")
    demo = commands.add_parser("demo", help="an invented event through every station, then served")
    demo.add_argument("--once", action="store_true", help="end when the sheets are written")
    demo.add_argument("--out", type=Path, metavar="DIR", help="folder for --once (var/demo)")
    serve = commands.add_parser("serve", help="the service: web server and workers")
    for server in (demo, serve):
        server.add_argument("--data", type=Path, metavar="DIR", help="folder of the data (var/data)")
        server.add_argument("--host", help="address to listen on (127.0.0.1)")
        port = "8000" if server is serve else "a free one"
        server.add_argument("--port", type=int, help=f"port to listen on ({port})")
    commands.add_parser("test", add_help=False, help="the whole suite; further arguments go to pytest")
    setup = commands.add_parser("install", help="set up .venv and end")
    setup.add_argument("--tests", action="store_true", help="with what the tests and checks need")
    options, unknown = parser.parse_known_args(arguments)
    if options.command == "test":
        return "test", unknown
    if unknown:
        parser.error(f"unknown: {' '.join(unknown)}")
    rest = []
    for name, value in vars(options).items():
        if name == "command" or value in (None, False):
            continue
        rest.append("--" + name)
        if value is not True:
            rest.append(str(value.absolute() if isinstance(value, Path) else value))
    return options.command, rest


def install(wanted):
    """Make .venv hold the requirements file `wanted`, unless it does already.

    The stamp goes first and comes back last, so an install that was killed is begun again from nothing. Only
    adding the test set to a complete plain set leaves the folder in place: a service may be running from it.
    """
    if installed(wanted):
        return
    with one_at_a_time():
        if installed(wanted):
            return
        afresh = not installed(PLAIN)
        STAMP.unlink(missing_ok=True)
        if not fill_with_uv(wanted, afresh):
            fill_with_pip(wanted, afresh)
        STAMP.write_text(stamp(wanted, version_of(PYTHON)))


def installed(wanted):
    """Whether .venv was filled to the end from `wanted`, or from the test set, which holds every other."""
    try:
        found = STAMP.read_text()
    except (OSError, UnicodeDecodeError):
        return False
    version = version_of(PYTHON)
    return found in (stamp(wanted, version), stamp(WITH_TESTS, version))


def stamp(requirements, version):
    """One line that changes with the requirements and with the Python they were installed for."""
    return f"python {version} requirements {hashlib.sha256(requirements.read_bytes()).hexdigest()}\n"


def version_of(python):
    """Major and minor version of an interpreter, or "" where it cannot be started."""
    ask = [str(python), "-c", "import sys; print('%d.%d' % sys.version_info[:2])"]
    try:
        answer = subprocess.run(ask, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=False)
    except OSError:
        return ""
    return answer.stdout.decode().strip()


def fill_with_uv(wanted, afresh):
    """Fill .venv with uv. False where there is none or it fails: pip may still find a way."""
    uv = shutil.which("uv")
    if uv is None:
        return False
    say(f"Installing the packages of {wanted.name} with uv.")
    if afresh:
        clear()
    make = [uv, "venv", "--quiet", "--python", sys.executable, str(VENV)]
    fill = [uv, "pip", "install", "--quiet", "--python", str(PYTHON), "--require-hashes", "-r", str(wanted)]
    if (not afresh or run(make)) and run(fill):
        return True
    say("uv did not manage, for the reason above; trying pip.")
    return False


def fill_with_pip(wanted, afresh):
    """Fill .venv with pip, which Python brings along unless a distribution has taken it out."""
    if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
        raise Refused(f"This Python has no venv with pip (ensurepip). Install it ({PACKAGES}).", 2)
    say(f"Installing the packages of {wanted.name} with pip; this takes a minute or two.")
    if afresh:
        clear()
    if not run([sys.executable, "-m", "venv", str(VENV)]):
        raise Refused(f"Making {VENV} failed, for the reason above.")
    pip = [str(PYTHON), "-m", "pip", "--quiet", "--disable-pip-version-check"]
    if not run([*pip, "install", "--require-hashes", "-r", str(wanted)]):
        raise Refused("Installing the packages failed, for the reason above (is there a network, and room?).")


def clear():
    """Begin .venv from nothing; an error here names the folder before any program is started in vain."""
    with contextlib.suppress(FileNotFoundError):
        shutil.rmtree(VENV)
    VENV.mkdir()


def run(command):
    """Run a program to its end with its words on standard error. True when it ends with 0."""
    return subprocess.run(command, stdin=subprocess.DEVNULL, stdout=sys.stderr, check=False).returncode == 0


@contextlib.contextmanager
def one_at_a_time():
    """Let a second start wait until the first has installed."""
    lock = ROOT / "var" / "install.lock"
    lock.parent.mkdir(exist_ok=True)
    with lock.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def hand_over(arguments):
    """Become the interpreter of .venv, in the folder of the checkout."""
    os.chdir(str(ROOT))
    sys.stdout.flush()
    os.execv(str(PYTHON), [str(PYTHON), *arguments])


def say(line):
    """One line about the start itself; standard output belongs to what is started."""
    print(line, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
