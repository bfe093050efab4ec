"""The command line as a process of its own: exit codes, faults, signals, odd problems, bounded memory."""

import json
import os
import resource
import signal
import subprocess
import sys

import pytest

from apps.solver import solve
from apps.solver.events import event
from apps.solver.problem import read_problem
from apps.solver.verify import verify
from apps.solver.verify.claims import untruths

FIELDS = {
    "format", "assignments", "unplaced", "moved", "loads", "bound", "cost", "elapsed_s", "seed", "stopped", "solver"
}  # fmt: skip
RANGE = {"low_hz": 470_100_000, "high_hz": 471_000_000, "step_hz": 25_000}


def problem(*carriers, **parts):
    rows = [
        {"id": f"c{k}", "zone": "z", "kind": "k", "tuning": [dict(RANGE)], **c}
        for k, c in enumerate(carriers)
    ]
    return {"format": "planning-problem/1", "zones": [{"id": "z"}], "carriers": rows, **parts}


@pytest.fixture
def command(tmp_path):
    """Run the command on a document: exit code, the result if one was written, and what it said."""
    out = tmp_path / "result.json"

    def run(document, *arguments, **options):
        path = tmp_path / "problem.json"
        path.write_text(document if isinstance(document, str) else json.dumps(document), encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-m", "apps.solver", str(path), "--out", str(out), "--workers", "1", *arguments],
            capture_output=True, text=True, check=False, **options,
        )  # fmt: skip
        result = json.loads(out.read_text(encoding="utf-8")) if out.exists() else None
        return done.returncode, result, done.stdout + done.stderr

    return run


def holds(document, result):
    """Whether a result keeps the rules and tells the truth."""
    read = read_problem(document)
    verdict = verify(read, result["assignments"])
    return verdict.ok and not untruths(read, result, verdict)


@pytest.mark.parametrize("workers", ["1", "2"])
def test_writes_a_whole_result(command, workers):
    document = event(carriers=60, stages=2, slots=3, seed=7)
    code, result, told = command(document, "--seconds", "20", "--seed", "5", "--workers", workers)
    assert (code, told) == (0, "")
    assert set(result) == FIELDS
    assert result["format"] == "planning-result/1"
    assert holds(document, result)


def test_every_fault_on_a_line_of_its_own(command):
    document = problem({"tuning": [{**RANGE, "step_hz": 0}]}, {"zone": "attic"}, colour="red")
    code, result, told = command(document)
    assert (code, result) == (2, None)
    places = sorted(line.split(":")[0] for line in told.splitlines())
    assert places == ["carriers[0].tuning[0].step_hz", "carriers[1].zone", "colour"]


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"format": "planning-problem/2"}', "\x00"])
def test_what_is_no_problem(command, text):
    code, result, told = command(text)
    assert (code, result) == (2, None)
    assert told
    assert "Traceback" not in told


def test_a_file_that_is_not_there(command, tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "apps.solver", str(tmp_path / "none.json"), "--out", str(tmp_path / "r.json")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "none.json" in done.stderr
    assert "Traceback" not in done.stderr


ODD = {
    "nobody": problem(),
    "one": problem({}),
    "nothing to tune": problem({"tuning": []}, {}),
    "all of it blocked": problem({}, blocked=[{"id": "tv", "low_hz": 470_000_000, "high_hz": 480_000_000}]),
    "fixed ones that contradict each other": problem(
        {"fixed_hz": 470_500_000}, {"fixed_hz": 470_500_000}, {},
        separations=[{"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 50_000}],
        products=[{"family": "2A-B", "guard_hz": 50_000, "treatment": "forbid"}],
    ),
    "a fixed pair at the wrong offset": problem(
        {"fixed_hz": 470_500_000}, {"fixed_hz": 470_700_000}, pairs=[{"carriers": ["c0", "c1"], "offset_hz": 5}]
    ),
    "at the lowest and the highest hertz": problem(
        {"tuning": [{"low_hz": 1, "high_hz": 1, "step_hz": 1}]},
        {"tuning": [{"low_hz": 10**12, "high_hz": 10**12, "step_hz": 10**12}]},
        {"tuning": [{"low_hz": 10**12 - 5, "high_hz": 10**12, "step_hz": 1}], "bandwidth_hz": 10**12},
        products=[{"family": family, "guard_hz": 10**12, "treatment": "penalise"} for family in ("4A-3B", "A+B-C")],
    ),
    "four carriers of two million points each": problem(
        *({"tuning": [{"low_hz": 470_000_000 + 7 * k, "high_hz": 490_000_000 - 10 + 7 * k, "step_hz": 10}]} for k in range(4)),
        separations=[{"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 25_000}],
        products=[{"family": "2A-B", "guard_hz": 100_000, "treatment": "forbid"}],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", ODD)
def test_odd_problems_end_with_a_true_result(command, name):
    """Within 4 GB of address space, which a table of all rasters by all carriers would not fit into."""
    limit = 4 << 30
    code, result, told = command(
        ODD[name],
        "--seconds",
        "10",
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)),
    )
    assert (code, told) == (0, "")
    assert holds(ODD[name], result)


def test_nothing_to_tune_is_said_so(command):
    _, result, _ = command(ODD["nothing to tune"])
    (left,) = result["unplaced"]
    assert left["id"] == "c0"
    assert [(cause["cause"], cause["share"]) for cause in left["blocked_by"]] == [("tuning", 1.0)]
    assert result["bound"]["unplaced_at_least"] == 1


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_with_the_best_plan_so_far(tmp_path, number):
    """The problem comes through a pipe that opens only when the command reads: by then it listens to signals."""
    document = event(carriers=100, stages=2, slots=3, seed=2)
    pipe, out = tmp_path / "problem.json", tmp_path / "result.json"
    os.mkfifo(pipe)
    process = subprocess.Popen(
        [sys.executable, "-m", "apps.solver", str(pipe), "--out", str(out), "--seconds", "600", "--workers", "1"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    with open(pipe, "w", encoding="utf-8") as writer:
        process.send_signal(number)
        json.dump(document, writer)
    told, errors = process.communicate()
    result = json.loads(out.read_text(encoding="utf-8"))
    assert (process.returncode, told, errors) == (0, "", "")
    assert result["stopped"] == "cancelled"
    assert holds(document, result)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["problem.json", "result.json"]


@pytest.mark.parametrize("asks", [1, 2, 5, 40])
def test_cancelled_at_any_moment_the_plan_is_valid(asks):
    document = event(carriers=60, stages=2, slots=3, seed=2)
    left = iter(range(asks))
    result = solve(read_problem(document), seconds=60, should_stop=lambda: next(left, None) is None)
    assert result.stopped == "cancelled"
    assert holds(document, result.document())


def test_no_time_at_all(command):
    document = event(carriers=100, stages=2, slots=3, seed=2)
    code, result, _ = command(document, "--seconds", "0")
    assert code == 0
    assert result["stopped"] == "deadline"
    assert holds(document, result)


ABANDONED = """
import json, signal, sys
from apps.solver import read_problem, solve, solving
signal.signal(signal.SIGTERM, lambda *_: None)
solving.PROMPT_S = -1.0
result = solve(read_problem(json.load(sys.stdin)), seconds=60, workers=3, should_stop=lambda: True)
print(result.stopped)
"""


def test_nobody_waits_for_searches_that_are_too_late():
    """Those beside this one hear no gentle signal and hold results that nobody takes; more of them than a pipe holds."""
    document = event(carriers=4000, stages=40, slots=2, seed=2)
    ended = subprocess.run(
        [sys.executable, "-c", ABANDONED], input=json.dumps(document), capture_output=True, text=True, timeout=60
    )  # fmt: skip
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, "cancelled\n", "")
