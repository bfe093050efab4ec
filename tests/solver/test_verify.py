"""The recount against loops that try every combination, the published counts of products, and the claims of a result."""

import itertools
import json
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.solver.problem import coefficients, read_problem
from apps.solver.verify import breaches_anywhere, breaches_at, products, verify
from apps.solver.verify.__main__ import main
from apps.solver.verify.products import Sources
from tests.solver.plain import FAMILIES, Plain
from tests.solver.strategies import documents, plans


def as_told(breaches):
    """Breaches as the plain oracle tells them."""
    told = set()
    for breach in breaches:
        match breach.rule:
            case "product":
                told.add(("product", breach.row, breach.victim, breach.zone, breach.slot))
            case "separation":
                told.add(("separation", frozenset((breach.victim, *breach.others))))
            case "pair" | "span":
                told.add((breach.rule, breach.row))
            case "blocked":
                told.add(("blocked", breach.victim, breach.row))
            case _:
                told.add((breach.rule, breach.victim))
    return told


@given(st.data())
@settings(max_examples=120)
def test_every_clause_as_read_aloud(data):
    document = data.draw(documents())
    plan = data.draw(plans(document))
    plain, verdict = Plain(document), verify(read_problem(document), plan)
    assert as_told(verdict.breaches) == plain.broken(plan)
    assert verdict.penalty == pytest.approx(plain.penalty(plan), abs=1e-9)
    over = {
        (n, v) for n, v, _, _, load, _ in plain.loads(plan) if load > plain.limit(document["products"][n])
    }
    assert set(verdict.loads) == over


@given(st.data())
@settings(max_examples=30)
def test_places_and_slots_add_up_to_the_whole(data):
    document = data.draw(documents())
    plan = data.draw(plans(document))
    problem = read_problem(document)
    parts = set(breaches_anywhere(problem, plan))
    for zone, slot in itertools.product(problem.zones, problem.slots):
        parts |= set(breaches_at(problem, plan, zone.id, slot))
    verdict = verify(problem, plan)
    assert rounded(parts) == rounded(verdict.breaches)
    assert len(verdict.breaches) == len(set(verdict.breaches))


def rounded(breaches):
    """Loads to nine digits: they are summed in another order where several slots are looked at together."""
    return {replace(breach, measured=float(f"{breach.measured:.9g}")) for breach in breaches}


def test_more_slots_than_are_looked_at_together():
    """Products differ from slot to slot; 150 slots are three lots."""
    random = np.random.default_rng(11)
    slots = [f"s{t}" for t in range(150)]
    document = json.loads(json.dumps(PROBLEM))
    document["slots"] = slots
    document["products"] = [{"family": f, "guard_hz": 150, "treatment": "forbid"} for f in ("2A-B", "A+B-C")]
    document["carriers"] = [
        {**document["carriers"][0], "id": f"m{i}", "slots": random.permutation(slots)[:60].tolist()}
        for i in range(9)
    ]
    problem, plan = read_problem(document), {f"m{i}": 1000 + 100 * int(random.integers(10)) for i in range(9)}
    verdict = verify(problem, plan)
    broken = as_told(verdict.breaches)
    assert len({slot for rule, *_, slot in broken if rule == "product"}) > 64
    assert broken == Plain(document).broken(plan)


def always(n):
    """On in the only slot that there is."""
    return np.ones((n, 1), bool)


# Counts of products of n carriers: n(n−1) and n(n−1)(n−2)/2 as in Babcock, Bell System Technical Journal, January 1953;
# the five-letter-sum families by choosing letters in order, the two of equal coefficient unordered.
COUNTS = {
    "2A-B": lambda n: n * (n - 1),
    "3A-2B": lambda n: n * (n - 1),
    "4A-3B": lambda n: n * (n - 1),
    "A+B-C": lambda n: n * (n - 1) * (n - 2) // 2,
    "3A-B-C": lambda n: n * (n - 1) * (n - 2) // 2,
    "2A+B-2C": lambda n: n * (n - 1) * (n - 2),
}


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("n", [2, 3, 7, 40])
def test_how_many_products_there_are(family, n):
    """With a guard wider than everything, each product hits a victim that does not mix itself, with weight 1."""
    sources = Sources(np.arange(n), np.arange(n) * 1_000_000 + 470_000_000, np.ones(n), always(n))
    load = sources.loads(family, 10**12, np.array([n]), np.array([500_000_000]), always(1))
    assert load == [COUNTS[family](n)]
    # A victim that is one of the sources sees the products of the others only.
    with_itself = sources.loads(family, 10**12, np.array([0]), np.array([470_000_000]), always(1))
    assert with_itself == [COUNTS[family](n - 1)]


def test_third_order_products_of_two_tones():
    """The textbook pair: f1 and f2 make 2f1 − f2 and 2f2 − f1, one spacing outside (ITU-R SM.1134, two-signal case)."""
    assert coefficients("2A-B") == (2, -1)
    sources = Sources(np.array([0, 1]), np.array([600_000_000, 600_400_000]), np.array([1.0, 0.1]), always(2))
    below = sources.strongest("2A-B", 1, 9, 599_600_000, 0)
    above = sources.strongest("2A-B", 1, 9, 600_800_000, 0)
    assert below == [(pytest.approx(0.1), (0, 1))]
    assert above == [(pytest.approx(0.01), (1, 0))]


def test_a_product_exactly_at_the_guard_does_not_count():
    sources = Sources(np.array([0, 1]), np.array([1000, 1100]), np.ones(2), always(2))
    victims, at = np.array([7]), np.array([1300])  # 2B − A = 1200
    assert sources.loads("2A-B", 100, victims, at, always(1)) == [0.0]
    assert sources.loads("2A-B", 101, victims, at, always(1)) == [1.0]


@pytest.mark.parametrize("family", FAMILIES)
def test_many_lots_give_what_one_gives(family, monkeypatch):
    """Sums and hits are taken in bounded lots; the lot size must not show."""
    random = np.random.default_rng(5)
    hz, level, on = random.integers(0, 60, 14), random.random(14), random.random((14, 5)) < 0.8
    whole = Sources(np.arange(14), hz, level, on).loads(family, 3, np.arange(14), hz, on)
    # Slot by slot: what is on together is all that there is.
    for t in range(5):
        now = np.flatnonzero(on[:, t])
        alone = Sources(now, hz[now], level[now], always(len(now)))
        there = alone.loads(family, 3, now, hz[now], always(len(now)))[:, 0]
        assert whole[now, t] == pytest.approx(there, rel=1e-12)
        assert not whole[~on[:, t], t].any()
    monkeypatch.setattr(products, "SUMS_AT_ONCE", 30)
    monkeypatch.setattr(products, "HITS_AT_ONCE", 7)
    again = Sources(np.arange(14), hz, level, on).loads(family, 3, np.arange(14), hz, on)
    assert again == pytest.approx(whole, rel=1e-12)


def test_cubic_spectrum():
    """Loads at 0 dB against the spectrum of a cubed multi-tone: z·z·conj(z) by FFT counts all ordered A+B−C and 2A−B.

    For z = Σ exp(i·2π·f·t) the coefficient of z²·conj(z) at k is the number of ordered triples (a, b, c) with a + b − c = k:
    two for each unordered A+B−C, one for each 2A−B, and those in which c equals a or b, which land on a carrier itself.
    """
    carriers = np.array([3, 10, 22, 27, 45, 61])
    size = 1024
    z = np.exp(2j * np.pi * np.outer(carriers, np.arange(size)) / size).sum(axis=0)
    counted = np.rint((np.fft.fft(z * z * z.conj()) / size).real).astype(int)
    sources = Sources(np.arange(6), carriers, np.ones(6), always(6))
    for k in range(130):
        three = sources.loads("A+B-C", 1, np.array([99]), np.array([k]), always(1))[0, 0]
        two = sources.loads("2A-B", 1, np.array([99]), np.array([k]), always(1))[0, 0]
        through_itself = 2 * len(carriers) - 1 if k in carriers else 0
        assert counted[k] == 2 * three + two + through_itself


# -- the command ------------------------------------------------------------------------------------

PROBLEM = {
    "format": "planning-problem/1",
    "zones": [{"id": "stage"}],
    "carriers": [
        {"id": f"m{k}", "zone": "stage", "kind": "mic", "bandwidth_hz": 10, "priority": 1, "previous_hz": 1000,
         "tuning": [{"low_hz": 1000, "high_hz": 2000, "step_hz": 10}]}
        for k in range(3)
    ],
    "separations": [{"zones": ["stage", "stage"], "kinds": ["mic", "mic"], "min_hz": 50}],
    "products": [{"family": "2A-B", "guard_hz": 20, "treatment": "forbid"}],
}  # fmt: skip
RESULT = {
    "format": "planning-result/1",
    "assignments": {"m0": 1000, "m1": 1100},
    "unplaced": [{"id": "m2", "blocked_by": [{"cause": "separation", "carrier": "m0", "share": 1.0}]}],
    "moved": ["m1"],
    "loads": [],
    "bound": {"unplaced_at_least": 0, "why": "nothing"},
    "cost": {"unplaced": {"1": 1}, "moved": 1, "penalty": 0.0},
    "elapsed_s": 0.1,
    "seed": 0,
    "stopped": "no better found",
    "solver": "0",
}


@pytest.fixture
def run(tmp_path, capsys):
    """Run the command on two documents: (exit code, what it printed, what it complained of)."""

    def command(problem, result):
        code = main(_written(tmp_path, problem, result))
        told, errors = capsys.readouterr()
        return code, json.loads(told) if told else None, errors

    return command


def _written(tmp_path, problem, result):
    paths = []
    for name, content in (("problem", problem), ("result", result)):
        path = tmp_path / f"{name}.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
        paths.append(str(path))
    return paths


def test_command_says_ok(tmp_path):
    """As a process of its own: exit code, one JSON object, a silent standard error."""
    command = [sys.executable, "-m", "apps.solver.verify", *_written(tmp_path, PROBLEM, RESULT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout) == {"ok": True, "faults": {}, "penalty": 0.0}


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"assignments": {"m0": 1000, "m1": 1040}}, "separation"),
        ({"assignments": {"m0": 1000, "m1": 1105}}, "raster"),
        ({"assignments": {"m0": 1000, "m1": 1100, "m2": 1200}}, "product"),
        ({"assignments": {"m0": 1000, "m1": 1100, "m2": 1500}}, "twice"),
        ({"assignments": {"m0": 1000, "m1": 1100, "m9": 1500}}, "unknown"),
        ({"assignments": {"m0": 1000, "m1": 1100.0}}, "hertz"),
        ({"unplaced": []}, "missing"),
        ({"moved": []}, "untrue"),
        ({"moved": ["m1", "m1"]}, "untrue"),
        ({"cost": {"unplaced": {"1": 2}, "moved": 1, "penalty": 0.0}}, "untrue"),
        ({"cost": {"unplaced": {"1": 1}, "moved": 0, "penalty": 0.0}}, "untrue"),
        ({"cost": {"unplaced": {"1": 1}, "moved": 1, "penalty": 0.5}}, "untrue"),
        ({"bound": {"unplaced_at_least": 2, "why": "too many"}}, "untrue"),
        ({"unplaced": [{"id": "m2", "blocked_by": [{"cause": "tuning", "share": 0.9}]}]}, "untrue"),
        ({"loads": [{"id": "m0", "row": 0, "zone": "stage", "slot": "always", "level_db": 0.0, "products": [["m1"]]}]}, "untrue"),
        ({"loads": [{"id": "m0"}]}, "untrue"),
    ],
)  # fmt: skip
def test_command_finds_each_untruth(run, change, rule):
    code, told, _ = run(PROBLEM, RESULT | change)
    assert code == 1
    assert rule in told["faults"]


def test_loads_over_the_limit_must_be_told(run):
    penalised = PROBLEM | {"products": [PROBLEM["products"][0] | {"treatment": "penalise", "weight": 2.5}]}
    plan = {"m0": 1000, "m1": 1100, "m2": 1200}
    loads = [
        {
            "id": "m0",
            "row": 0,
            "zone": "stage",
            "slot": "always",
            "level_db": 0.0,
            "products": [["m1", "m2"]],
        },
        {
            "id": "m2",
            "row": 0,
            "zone": "stage",
            "slot": "always",
            "level_db": 0.0,
            "products": [["m1", "m0"]],
        },
    ]
    result = RESULT | {
        "assignments": plan, "unplaced": [], "moved": ["m1", "m2"], "loads": loads,
        "cost": {"unplaced": {}, "moved": 2, "penalty": 5.0},
    }  # fmt: skip
    assert run(penalised, result)[:2] == (0, {"ok": True, "faults": {}, "penalty": 5.0})
    silent, louder = loads[:1], [loads[0] | {"level_db": -3.0}, loads[1]]
    others = [[loads[0] | {"products": [letters]}, loads[1]] for letters in (["m2", "m1"], ["m1", "m1"])]
    for wrong in (silent, louder, [*loads, loads[0]], *others):
        code, told, _ = run(penalised, result | {"loads": wrong})
        assert (code, set(told["faults"])) == (1, {"untrue"})


@pytest.mark.parametrize(
    ("problem", "result", "words"),
    [
        ("{", RESULT, "is not JSON"),
        (PROBLEM, "[]", "assignments"),
        (PROBLEM, '{"assignments": {}, "assignments": {}}', "stands twice"),
        (PROBLEM | {"zones": []}, RESULT, "carriers[2].zone"),
    ],
)
def test_command_names_what_it_cannot_read(run, problem, result, words):
    code, told, errors = run(problem, result)
    assert (code, told) == (2, None)
    assert words in errors


def test_command_wants_files_that_exist(tmp_path, capsys):
    assert main([str(tmp_path / "no"), str(tmp_path / "none")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 2
    assert main([]) == 2


def test_a_breach_says_who_harms_whom():
    problem = read_problem(PROBLEM)
    (breach,) = breaches_at(problem, {"m0": 1000, "m1": 1030}, "stage", "always")
    assert (breach.rule, breach.victim, breach.others) == ("separation", "m0", ("m1",))
    assert (breach.row, breach.measured, breach.limit) == (0, 30, 50)
    below, above = breaches_at(problem, {"m0": 1000, "m1": 1100, "m2": 1200}, "stage", "always")
    assert (below.rule, below.victim, below.others) == ("product", "m0", ("m1", "m2"))
    assert (above.victim, above.others, above.zone, above.slot) == ("m2", ("m1", "m0"), "stage", "always")
    assert above.measured == pytest.approx(1.0)
    assert above.limit == pytest.approx(1e-4, rel=1e-5)
