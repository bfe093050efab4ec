"""The two requirements files: every package held by a hash, no address, and the test set on top of the plain one."""

import re
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
FILES = ("requirements.txt", "requirements-test.txt")


def pins(name: str) -> dict[str, set[str]]:
    """Package with its conditions -> the hashes that may be installed for it."""
    text = (DEPLOY / name).read_text().replace("\\\n", " ")
    lines = [line.split("#")[0].strip() for line in text.splitlines()]
    return {
        re.sub(r"\s+", " ", line.split("--hash=")[0]).strip(): set(re.findall(r"--hash=(\S+)", line))
        for line in lines
        if line
    }


@pytest.mark.parametrize("name", FILES)
def test_every_package_has_one_version_and_a_hash(name):
    for package, hashes in pins(name).items():
        assert re.match(r"[a-z0-9-]+(\[[a-z,]+\])?==", package), package
        assert hashes and all(hash_.startswith("sha256:") for hash_ in hashes), package


@pytest.mark.parametrize("name", FILES)
def test_no_address_is_written_down(name):
    assert "://" not in (DEPLOY / name).read_text()


def test_the_test_set_holds_the_plain_set():
    """start.py lets a .venv with the test set serve every command."""
    plain, with_tests = pins(FILES[0]), pins(FILES[1])
    missing = {
        package for package in plain if package.split(" ;")[0] not in {p.split(" ;")[0] for p in with_tests}
    }
    assert not missing
