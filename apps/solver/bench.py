"""Measures the solver, each figure against its baseline in the same run.

    python -m apps.solver.bench [WHAT…] [--seconds S] [--workers N] [--recount PROGRAM]

WHAT is a file with a problem or one of the rows below; none means all rows. A file is solved, recounted by `verify` (or by
PROGRAM PROBLEM RESULT), and its line says how much was placed, at what penalty, in what time and memory, and the ratio of
solving to recounting. The rows `newcomers` and `ask` use the files that are named beside them. Times are this process's own
seconds on a processor and, behind them, by the clock: on a busy machine the two part.
"""

import argparse
import json
import resource
import shlex
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from apps.solver import MalformedProblem, Problem, Result, read_problem, solve, verify
from apps.solver.ask import ask
from apps.solver.axis import Axis, Ints, bands_hz
from apps.solver.events import event
from apps.solver.maps import Maps
from apps.solver.problem import Carrier, ProductRule, Tuning, read_json
from apps.solver.published import (
    CHANNEL_HZ,
    DISTINCT_DIFFERENCES,
    LOWEST_HZ,
    PHILADELPHIA,
    coupled,
    philadelphia,
)

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


@dataclass(frozen=True)
class Given:
    """What the command line says besides what to measure."""

    seconds: float
    workers: int
    recount: str | None
    problems: list[tuple[str, Problem, dict[str, Any]]]


class Watch:
    """Seconds on the processor and by the clock since it was made."""

    def __init__(self) -> None:
        self.processor, self.clock = time.process_time(), time.monotonic()

    def stop(self) -> "Watch":
        self.processor = time.process_time() - self.processor
        self.clock = time.monotonic() - self.clock
        return self

    def __str__(self) -> str:
        return f"{self.processor:.2f} s ({self.clock:.2f} s by the clock)"


def solving(name: str, document: dict[str, Any], given: Given) -> Result:
    problem, watch = read_problem(document), Watch()
    result = solve(problem, seconds=given.seconds, workers=given.workers)
    watch.stop()
    recount, ok = Watch(), verify(problem, result.assignments).ok
    recount.stop()
    if given.recount:
        recount, ok = recounted(given.recount, document, result)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{name}: {len(result.assignments)} placed, {len(result.unplaced)} out (at least "
        f"{result.bound.unplaced_at_least}), penalty {result.cost['penalty']:.0f}, {'clean' if ok else 'BREACHES'}; {watch}, "
        f"{1000 * watch.processor / max(1, len(problem.carriers)):.1f} ms a carrier, recount {recount}, "
        f"ratio {watch.clock / max(recount.clock, 1e-9):.2f} by the clock; {peak:.0f} MB; {result.stopped}",
        flush=True,
    )
    return result


def recounted(program: str, document: dict[str, Any], result: Result) -> tuple[Watch, bool]:
    """A program of somebody else's, called with the problem and the result: its time, and whether it is content."""
    with tempfile.TemporaryDirectory() as place:
        files = [Path(place) / name for name in ("problem.json", "result.json")]
        for file, content in zip(files, (document, result.document()), strict=True):
            file.write_text(json.dumps(content), encoding="utf-8")
        watch, before = Watch(), resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
        done = subprocess.run([*shlex.split(program), *map(str, files)], capture_output=True, check=False)  # noqa: S603 - named by who measures
        watch.stop()
        watch.processor = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before
    return watch, done.returncode == 0


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


def adding(given: Given) -> None:
    """One more carrier into the maps, both directions with levels, among 50 and among 800."""
    random, spent = np.random.default_rng(1), {}
    for n in (50, 800):
        hz = LOW_HZ + BIN_HZ * random.choice(BINS, n, replace=False)
        maps = maps_of(hz, 10 ** -random.uniform(0, 4, n))
        weights = np.array([[0.3], [0.3], [1.0]])

        def once(maps: Maps = maps, n: int = n, weights: np.ndarray = weights) -> None:
            for _ in range(50):
                maps.add(n, LOW_HZ + 7777 * BIN_HZ, 7777, weights)
                maps.remove(n)

        spent[n] = timed(once, 20) / 100
    print(
        f"adding a carrier, both directions: n=50 {spent[50] * 1e6:.0f} µs, n=800 {spent[800] * 1e6:.0f} µs, "
        f"ratio {spent[800] / spent[50]:.2f}"
    )


def whole_map(given: Given, n: int = 800) -> None:
    """How many products A+B−C land near each of n carriers: convolution against enumeration in lots with sorted search."""
    at = np.sort(np.random.default_rng(2).choice(32_000, n, replace=False))
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


def own_events(given: Given) -> None:
    """Events of the repository's own generator."""
    for carriers, stages, slots in ((300, 4, 8), (1000, 12, 20)):
        document = event(carriers=carriers, stages=stages, slots=slots, seed=1)
        solving(f"event of {carriers} carriers, {stages} stages, {slots} slots", document, given)


def large(given: Given) -> None:
    """Ten times as large: time per carrier, and memory."""
    for carriers, stages, slots in ((1000, 12, 40), (10_000, 120, 40)):
        document = event(carriers=carriers, stages=stages, slots=slots, seed=1)
        solving(f"event of {carriers} carriers, {stages} stages, {slots} slots", document, given)


def published_spans(given: Given) -> None:
    for name, (_, _, span) in PHILADELPHIA.items():
        solving(f"Philadelphia {name}, span {span}", philadelphia(name), given)


def rulers(given: Given) -> None:
    for marks, length in DISTINCT_DIFFERENCES.items():
        solving(
            f"{marks} distinct differences in {length}",
            coupled(marks, LOWEST_HZ + length * CHANNEL_HZ),
            given,
        )


def too_short(given: Given) -> None:
    for marks in (4, 5, 6, 7):
        length = DISTINCT_DIFFERENCES[marks] - 1
        solving(
            f"{marks} distinct differences in {length}",
            coupled(marks, LOWEST_HZ + length * CHANNEL_HZ),
            given,
        )


def bands(given: Given) -> None:
    """One place, everybody coupled, 350 kHz apart, free of 2A−B to 100 kHz and of A+B−C to 50 kHz; against first fit."""
    television = [(LOWEST_HZ + 8_000_000 * k, LOWEST_HZ + 8_000_000 * (k + 1)) for k in range(28)]
    taken = sorted(np.random.default_rng(1).choice(28, 12, replace=False).tolist())
    for name, width, blocked in (
        ("24 MHz", 24_000_000, []),
        ("48 MHz", 48_000_000, []),
        ("16 of 28 television channels", 224_000_000, [television[k] for k in taken]),
    ):
        document = coupled(
            60, LOWEST_HZ + width, spacing_hz=350_000, guards_hz=(100_000, 50_000), blocked=blocked
        )
        solving(f"coupled in {name} (first fit {first_fit(width, blocked)})", document, given)


def first_fit(width: int, blocked: list[tuple[int, int]]) -> int:
    """How many carriers fit if each in turn takes the lowest free point of the 25 kHz raster."""
    free = np.ones(width // CHANNEL_HZ + 1, bool)
    for low, high in blocked:
        free[(low - LOWEST_HZ) // CHANNEL_HZ + 1 : (high - LOWEST_HZ) // CHANNEL_HZ] = False
    marks: list[int] = []
    differences: set[int] = set()
    for x in np.flatnonzero(free).tolist():
        if marks and x - marks[-1] < 14:
            continue
        fresh = [x - mark for mark in marks]
        gaps = [abs(d - e) for d in fresh for e in differences]
        two = [abs((x - a) - (a - b)) for a in marks for b in marks if b < a]
        if min(gaps, default=9) >= 2 and min(two, default=9) >= 4:
            marks.append(x)
            differences.update(fresh)
    return len(marks)


def planned(given: Given) -> Iterator[tuple[str, Problem, dict[str, int]]]:
    """The problems given, or an event of 1,000 carriers, each with a plan."""
    documents = [(name, document) for name, _, document in given.problems]
    if not documents:
        documents = [("event of 1000 carriers", event(carriers=1000, stages=12, slots=20, seed=1))]
    for name, document in documents:
        result = solving(name, document, given)
        yield name, read_problem(document), dict(result.assignments)


def newcomers(given: Given) -> None:
    """Five more into a plan whose carriers are all fixed, against solving anew."""
    for name, problem, plan in planned(given):
        bound = {code for pair in problem.pairs for code in (pair.first, pair.second)}
        movable = [
            c.id for c in problem.carriers if c.id in plan and c.fixed_hz is None and c.id not in bound
        ]
        new = set(movable[:: max(1, len(movable) // 5)][:5])
        carriers = tuple(
            replace(c, fixed_hz=None if c.id in new else plan[c.id]) for c in problem.carriers if c.id in plan
        )
        kept = {c.id for c in carriers}
        spans = tuple(s for s in problem.spans if set(s.carriers) <= kept)
        pairs = tuple(p for p in problem.pairs if {p.first, p.second} <= kept)
        later = replace(problem, carriers=carriers, spans=spans, pairs=pairs)
        watch = Watch()
        result = solve(later, seconds=given.seconds)
        print(
            f"{name}, five newcomers: {len(new & result.assignments.keys())} placed in {watch.stop()}",
            flush=True,
        )


def asking(given: Given) -> None:
    """Where one carrier could go, cold: one that is on for a while, and one that is on all day; against one recount."""
    for name, problem, plan in planned(given):
        recount, _ = Watch(), verify(problem, plan)
        recount.stop()
        rows = sorted(
            (c for c in problem.carriers if c.fixed_hz is None and c.id in plan), key=lambda c: len(c.slots)
        )
        for what, carrier in (("briefly", rows[0]), ("all day", rows[-1])):
            watch = Watch()
            points = ask(problem, plan, carrier.id)
            print(
                f"{name}, ask for {carrier.id}, on {what}: {len(points)} points in {watch.stop()}, "
                f"recount {recount}, ratio {watch.processor / recount.processor:.2f}",
                flush=True,
            )


ROWS: dict[str, Callable[[Given], None]] = {
    "adding": adding, "map": whole_map, "events": own_events, "large": large, "philadelphia": published_spans,
    "rulers": rulers, "too-short": too_short, "bands": bands, "newcomers": newcomers, "ask": asking,
}  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m apps.solver.bench", description="Measure the solver.")
    parser.add_argument("what", nargs="*", help=f"files with problems, or {', '.join(ROWS)}")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument(
        "--recount", help="a program that is called with problem and result instead of verify"
    )
    said = parser.parse_args(arguments)
    rows = [name for name in said.what if name in ROWS]
    problems = []
    try:
        for path in (Path(name) for name in said.what if name not in ROWS):
            document = read_json(path.read_text(encoding="utf-8"))
            problems.append((path.name, read_problem(document), cast(dict[str, Any], document)))
    except (MalformedProblem, OSError, UnicodeDecodeError) as refused:
        print(refused, file=sys.stderr)
        return 2
    given = Given(said.seconds, said.workers, said.recount, problems)
    for name in rows or ([] if problems else ROWS):
        ROWS[name](given)
    for name, _, document in [] if rows else problems:
        solving(name, document, given)
    return 0


if __name__ == "__main__":
    sys.exit(main())
