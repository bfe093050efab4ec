"""deploy/start.py, run as a stranger runs it: in a checkout of its own, by an interpreter of its own.

The checkout holds the real start.py and, in place of the long requirements, one wheel made here; so the real pip
installs something in seconds and without a network. Where a test needs uv to be there, or to fail, or to be killed,
a program called uv stands on the PATH.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow
START = Path(__file__).resolve().parents[2] / "deploy" / "start.py"
ECHO = "import json, os, sys, probe; print(json.dumps([sys.argv[1:], os.getcwd(), sys.prefix]))"


def wheel(folder: Path) -> str:
    """Write the wheel of a package `probe` into `folder`; the line that requires it, with its hash."""
    path = folder / "probe-1-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("probe.py", "")
        archive.writestr("probe-1.dist-info/METADATA", "Metadata-Version: 2.1\nName: probe\nVersion: 1\n")
        archive.writestr(
            "probe-1.dist-info/WHEEL",
            "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        )
        archive.writestr("probe-1.dist-info/RECORD", "probe.py,,\n")
    return f"probe==1 --hash=sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}\n"


@pytest.fixture
def checkout(tmp_path):
    """A checkout, in a folder with spaces, whose `coordinator` and `tests` say how they were started."""
    root = tmp_path / "a stranger's folder" / "fairband"
    (root / "deploy").mkdir(parents=True)
    shutil.copy(START, root / "deploy")
    for package in ("coordinator", "tests"):
        (root / package).mkdir()
        (root / package / "__init__.py").touch()
        (root / package / "__main__.py").write_text(ECHO)
    line = wheel(root / "deploy")
    (root / "deploy" / "requirements.txt").write_text(line)
    (root / "deploy" / "requirements-test.txt").write_text("# and the tests\n" + line)
    return root


def start(checkout, *arguments, python=sys.executable, path=None, cwd=None):
    """Run start.py with nothing on the PATH but `path`; the wheel is found through the environment only."""
    environment = {
        "PATH": str(path or checkout / "nothing"),
        "HOME": str(checkout),
        "PIP_NO_INDEX": "1",
        "PIP_FIND_LINKS": (checkout / "deploy").as_uri(),  # an address: blanks would part it
        "PIP_CONFIG_FILE": os.devnull,
    }
    command = [str(python), str(checkout / "deploy" / "start.py"), *arguments]
    return subprocess.run(
        command, env=environment, cwd=cwd or checkout, capture_output=True, text=True, check=False
    )


def program(folder: Path, name: str, lines: str) -> Path:
    """A shell program in a folder of its own, for the PATH."""
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(f"#!/bin/sh\n{lines}\n")
    (folder / name).chmod(0o755)
    return folder


def without_ensurepip(folder: Path) -> Path:
    """An interpreter like that of a bare Debian: everything but ensurepip."""
    home = folder / "bare"
    library = Path(sysconfig.get_path("stdlib"))
    copy = home / "lib" / library.name
    copy.mkdir(parents=True)
    for entry in library.iterdir():
        if entry.name not in ("ensurepip", "site-packages", "dist-packages"):
            (copy / entry.name).symlink_to(entry)
    (home / "bin").mkdir()
    real = Path(sys.executable).resolve()
    shutil.copy(real, home / "bin" / real.name)
    return home / "bin" / real.name


def test_the_command_runs_in_the_checkout_with_paths_from_where_the_user_stands(checkout, tmp_path):
    done = start(checkout, "demo", "--once", "--out", "my sheets", "--port", "8000", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    arguments, folder, prefix = json.loads(done.stdout)
    assert arguments == ["demo", "--once", "--out", str(tmp_path / "my sheets"), "--port", "8000"]
    assert Path(folder) == checkout
    assert Path(prefix) == checkout / ".venv"


def test_a_second_start_installs_nothing_and_the_test_set_serves_every_command(checkout):
    assert "requirements-test.txt" in start(checkout, "test", "tests/radio", "-k", "raster").stderr
    again = start(checkout, "test", "-x", "tests/radio")
    assert json.loads(again.stdout)[0] == ["-x", "tests/radio"]
    assert again.stderr == ""
    assert start(checkout, "serve").stderr == ""
    assert "Installing" not in start(checkout, "install", "--tests").stderr


def test_changed_requirements_are_installed(checkout):
    start(checkout, "install")
    with (checkout / "deploy" / "requirements.txt").open("a") as requirements:
        requirements.write("# changed\n")
    assert "Installing the packages" in start(checkout, "install").stderr
    assert "Installing the packages" not in start(checkout, "install").stderr


def test_an_interpreter_that_went_away_is_replaced(checkout):
    start(checkout, "install")
    (checkout / ".venv" / "bin" / "python").unlink()
    (checkout / ".venv" / "bin" / "python").symlink_to(checkout / "gone")
    assert start(checkout, "demo").returncode == 0


def test_the_test_set_is_added_without_removing_what_a_service_runs_from(checkout):
    start(checkout, "install")
    (checkout / ".venv" / "in use").touch()
    assert start(checkout, "test").returncode == 0
    assert (checkout / ".venv" / "in use").exists()


def test_a_killed_install_is_begun_again(checkout, tmp_path):
    killer = program(
        tmp_path / "bin",
        "uv",
        f'case "$1" in venv) /bin/mkdir -p "{checkout}/.venv/half";; *) kill -9 $PPID;; esac',
    )
    assert start(checkout, "install", path=killer).returncode == -9
    assert (checkout / ".venv" / "half").exists()
    done = start(checkout, "demo")
    assert done.returncode == 0, done.stderr
    assert not (checkout / ".venv" / "half").exists()


def test_an_upgrade_to_the_test_set_that_is_killed_leaves_no_stamp(checkout, tmp_path):
    start(checkout, "install")
    assert start(checkout, "test", path=program(tmp_path / "bin", "uv", "kill -9 $PPID")).returncode == -9
    assert "Installing the packages" in start(checkout, "install").stderr


def test_pip_takes_over_where_uv_fails_and_says_so(checkout, tmp_path):
    done = start(checkout, "demo", path=program(tmp_path / "bin", "uv", "echo no such thing >&2; exit 1"))
    assert done.returncode == 0, done.stderr
    assert "no such thing" in done.stderr
    assert "uv did not manage" in done.stderr and "with pip" in done.stderr


def test_a_python_without_venv_gets_one_line_and_exit_code_2(checkout, tmp_path):
    done = start(checkout, "demo", python=without_ensurepip(tmp_path))
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "apt install python3 python3-venv" in done.stderr


def test_uv_makes_the_environment_where_python_cannot(checkout, tmp_path):
    bare = without_ensurepip(tmp_path)
    made = f'cd / && exec "{sys.executable}" -m venv "{checkout}/.venv"'
    stand_in = (
        f'case "$1" in venv) {made};; *) exec "{checkout}/.venv/bin/python" -m pip install probe;; esac'
    )
    path = program(tmp_path / "bin", "uv", stand_in)
    done = start(checkout, "demo", python=bare, path=path)
    assert done.returncode == 0, done.stderr


def test_an_old_python_gets_one_line_and_exit_code_2(checkout):
    """The version is told to the program, since no old interpreter can be counted on."""
    told = "import runpy, sys; sys.version_info = (3, 10, 13, 'final', 0); sys.argv = sys.argv[1:]; "
    run = "runpy.run_path(sys.argv[0], run_name='__main__')"
    command = [sys.executable, "-c", told + run, str(checkout / "deploy" / "start.py"), "demo"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "3.11" in done.stderr and "3.10.13" in done.stderr


def test_a_package_that_cannot_be_had_is_one_line_after_the_installer_s_own(checkout):
    (checkout / "deploy" / "probe-1-py3-none-any.whl").unlink()
    done = start(checkout, "install")
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1].startswith("Installing the packages failed")
    assert "Traceback" not in done.stderr


def test_a_folder_that_cannot_be_written_is_named(checkout):
    """A file where the folder should be stands for a read-only folder, which would not stop root."""
    (checkout / "var").write_text("")
    done = start(checkout, "install")
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert str(checkout / "var") in done.stderr


@pytest.mark.parametrize("arguments", [[], ["dance"], ["demo", "--loud"], ["serve", "--port", "many"]])
def test_a_wrong_command_line_is_refused_before_anything_is_installed(checkout, arguments):
    assert start(checkout, *arguments).returncode == 2
    assert not (checkout / ".venv").exists()
