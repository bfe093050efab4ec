"""Measures the solver, each figure against its baseline in the same run.

    python -m apps.solver.bench [PROBLEM…] [--seconds S]

With files: solves each, recounts it by `verify`, and prints time and quality with the ratio of solving to recounting. With none:
the repository's own events, and the arithmetic of load maps against plain enumeration.
"""

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from apps.solver import MalformedProblem, Problem, read_problem, solve, verify
from apps.solver.axis import Axis, Ints, bands_hz
from apps.solver.events import event
from apps.solver.maps import Maps
from apps.solver.problem import Carrier, ProductRule, Tuning, read_json

BIN_HZ = 12_500
LOW_HZ = 450_000_000
BINS = 19_520
GUARD_HZ = 50_000


def timed(work: Callable[[], object], repeats: int = 5) -> float:
    """The shortest of several runs, in seconds of this process's time: what others do on the machine does not count."""
    spent = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return min(spent)


def solving(name: str, problem: Problem, seconds: float) -> None:
    began = time.process_time()
    result = solve(problem, seconds=seconds)
    spent = time.process_time() - began
    recount = timed(lambda: verify(problem, result.assignments), 1)
    verdict = verify(problem, result.assignments)
    print(
        f"{name}: {len(result.assignments)} placed, {len(result.unplaced)} out (at least "
        f"{result.bound.unplaced_at_least}), penalty {result.cost['penalty']:.0f}, "
        f"{'clean' if verdict.ok else f'{len(verdict.breaches)} BREACHES'}; {spent:.2f} s, recount {recount:.2f} s, "
        f"ratio {spent / max(recount, 1e-9):.1f}; {result.stopped}"
    )


def maps_of(hz: Ints, level: np.ndarray, *, listen: bool = True) -> Maps:
    rule = ProductRule("A+B-C", GUARD_HZ, "penalise", -40.0, 1.0, "receivers", None, None)
    band = (Tuning(LOW_HZ, LOW_HZ + (BINS - 1) * BIN_HZ, BIN_HZ),)
    anybody = Carrier("c", "z", ("z",), ("z",), "c", band, 0, ("s",), 2, 0.0, True, None, None)
    axis = Axis(bands_hz(anybody), bands_hz(anybody), [rule])
    maps = Maps((1, 1, -1), axis.box(rule, (1, 1, -1)), axis, 1)
    if listen:
        maps.wake()
    for i, (at, power) in enumerate(zip(hz.tolist(), level.tolist(), strict=True)):
        maps.add(i, at, axis.bin(at), np.array([[power], [power], [1.0]]))
    return maps


def adding(random: np.random.Generator) -> None:
    """One more carrier into the maps, both directions with levels, among 50 and among 800."""
    spent = {}
    for n in (50, 800):
        hz = LOW_HZ + BIN_HZ * random.choice(BINS, n, replace=False)
        maps = maps_of(hz, 10 ** -random.uniform(0, 4, n))
        weights = np.array([[0.3], [0.3], [1.0]])

        def once(maps: Maps = maps, n: int = n, weights: np.ndarray = weights) -> None:
            for _ in range(50):
                maps.add(n, LOW_HZ + 7777 * BIN_HZ, 7777, weights)
                maps.remove(n)

        spent[n] = timed(once) / 100
    print(
        f"adding a carrier, both directions: n=50 {spent[50] * 1e6:.0f} µs, n=800 {spent[800] * 1e6:.0f} µs, "
        f"ratio {spent[800] / spent[50]:.2f}"
    )


def whole_map(random: np.random.Generator, n: int = 800) -> None:
    """How many products A+B−C land near each of n carriers: convolution against enumeration in lots with sorted search."""
    at = np.sort(random.choice(32_000, n, replace=False))
    level = np.ones(n)
    counted: dict[str, np.ndarray] = {}

    def convolved() -> None:
        counted["maps"] = third_order_map(at, level, 32_000)[at]

    def enumerated() -> None:
        first, second = np.triu_indices(n, 1)
        sums, hits = at[first] + at[second], np.zeros(n)
        for c in range(n):
            landing = np.sort((sums - at[c])[(first != c) & (second != c)])
            hits += np.searchsorted(landing, at, "right") - np.searchsorted(landing, at, "left")
        counted["plain"] = hits

    fast, slow = timed(convolved, 20), timed(enumerated, 1)
    same = np.allclose(counted["maps"], counted["plain"], atol=1e-3)
    print(
        f"third-order map of {n} carriers: {fast * 1e3:.1f} ms, enumeration {slow:.1f} s, {slow / fast:.0f} times faster, "
        f"{'same counts' if same else 'COUNTS DIFFER'}"
    )


def third_order_map(at: Ints, level: np.ndarray, bins: int) -> np.ndarray:
    """The summed weights of all products A+B−C of distinct carriers on bins 0 … bins − 1.

    A convolution of the spectrum with itself and its mirror image, less the terms whose letters coincide: A = C or B = C leave
    the other carrier, A = B leaves 2A − C. O(bins log bins).
    """
    size = next_fast_len(2 * bins, real=True)  # what wraps round falls outside 0 … bins − 1
    there = rfft(np.bincount(at, level, bins), size)
    twice = rfft(np.bincount(2 * at, level**2, size), size)
    every = irfft((there * there - twice) * there.conj(), size)[:bins]  # A = B is gone
    # A = C or B = C, less A = B = C, which went with A = B.
    every -= 2 * np.bincount(at, level * float((level**2).sum()) - level**3, bins)
    return np.asarray(every / 2)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m apps.solver.bench", description="Measure the solver.")
    parser.add_argument("problems", nargs="*", type=Path)
    parser.add_argument("--seconds", type=float, default=10.0)
    given = parser.parse_args(arguments)
    try:
        for path in given.problems:
            solving(path.name, read_problem(read_json(path.read_text(encoding="utf-8"))), given.seconds)
    except (MalformedProblem, OSError, UnicodeDecodeError) as refused:
        print(refused, file=sys.stderr)
        return 2
    if not given.problems:
        random = np.random.default_rng(1)
        adding(random)
        whole_map(random)
        own_events(given.seconds)
    return 0


def own_events(seconds: float) -> None:
    """Events of the repository's own generator."""
    for carriers, stages, slots, seed in ((300, 4, 8, 1), (1000, 12, 20, 1)):
        document = event(carriers=carriers, stages=stages, slots=slots, seed=seed)
        solving(
            f"event of {carriers} carriers, {stages} stages, {slots} slots", read_problem(document), seconds
        )


if __name__ == "__main__":
    sys.exit(main())
