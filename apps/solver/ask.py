"""What one carrier could be set to: every point of its raster with its state, who takes it, and what it would cost.

    python -m apps.solver.ask PROBLEM RESULT --carrier ID

Prints {points: [{hz, state, by, penalty}]}: state is free, blocked, separation, product, pair or span; `by` names the blocked
ranges, carriers or product rows that take the point; `penalty` is what wishes, noise and penalised products would cost there.
Only the places and slots that the carrier touches are built, so it is fast enough to be drawn while somebody waits.
"""

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from apps.solver.arrays import Arrays
from apps.solver.explain import causes_along
from apps.solver.problem import MalformedProblem, Problem, read_json, read_problem
from apps.solver.standing import beside
from apps.solver.verify import Breach, verify

STATES = ("blocked", "separation", "product", "pair", "span")


def ask(problem: Problem, assignments: Mapping[str, int], carrier: str) -> list[dict[str, Any]]:
    """Every point of a carrier's raster as {hz, state, by, penalty}, all others staying where `assignments` has them.

    `state` is the first cause that takes the point, in the order of STATES; `by` names everything of that kind. Raises KeyError
    for an unknown carrier.
    """
    arrays = Arrays(problem)
    i = arrays.number[carrier]
    hz = np.array([assignments.get(c.id, 0) for c in problem.carriers], np.int64)
    search = beside(problem, arrays, hz, (i,))
    raster = arrays.raster(i)
    causes = causes_along(search, i, raster, named=False) + _unpaired(problem, arrays, hz, i)
    _, _, cost = search.surveyed(i, np.ones(len(raster), bool))
    states = np.zeros(len(raster), np.int8)
    names: list[list[str]] = [[] for _ in raster]
    for rank, state in enumerate(STATES, 1):
        mine = [(cause, struck & (states == 0)) for cause, struck in causes if cause["cause"] == state]
        for cause, struck in mine:
            states[struck] = rank
            who = str(cause.get("carrier") or cause.get("blocked") or cause.get("family") or "")
            for at in np.flatnonzero(struck) if who else ():
                names[at].append(who)
    labels = ("free", *STATES)
    return [
        {"hz": int(hertz), "state": labels[states[at]], "by": names[at], "penalty": round(float(cost[at]), 6)}
        for at, hertz in enumerate(raster)
    ]


def _unpaired(
    problem: Problem, arrays: Arrays, hz: np.ndarray, i: int
) -> list[tuple[dict[str, Any], np.ndarray]]:
    """Where a placed partner leaves no room."""
    raster, found = arrays.raster(i), []
    for pair in problem.pairs:
        a, b = arrays.number[pair.first], arrays.number[pair.second]
        if i in (a, b) and hz[other := b if i == a else a]:
            at = [hz[other] + (offset if i == b else -offset) for offset in pair.offsets_hz]
            cause = {"cause": "pair", "carrier": arrays.carriers[other].id}
            found.append((cause, ~np.isin(raster, at)))
    return found


def effect(problem: Problem, assignments: Mapping[str, int], carrier: str, hz: int | None) -> dict[str, Any]:
    """What setting one carrier to hz (None: switching it off) does to everybody else.

    {ok, broken: [breaches that were not there before], mended: [those that end], penalty: change}.
    """
    changed = {code: at for code, at in assignments.items() if code != carrier}
    if hz is not None:
        changed[carrier] = hz
    before, after = verify(problem, assignments), verify(problem, changed)
    was, now = {_named(b): b for b in before.breaches}, {_named(b): b for b in after.breaches}
    broken = [_breach(b) for key, b in now.items() if key not in was]
    mended = [_breach(b) for key, b in was.items() if key not in now]
    return {"ok": not broken, "broken": broken, "mended": mended, "penalty": after.penalty - before.penalty}


def _named(breach: Breach) -> tuple[object, ...]:
    return breach.rule, breach.row, breach.zone, breach.slot, breach.victim, breach.others


def _breach(breach: Breach) -> dict[str, Any]:
    return {
        "rule": breach.rule,
        "carrier": breach.victim,
        "by": list(breach.others),
        "zone": breach.zone,
        "slot": breach.slot,
    }


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m apps.solver.ask", description="Where could one carrier go?"
    )
    parser.add_argument("problem", type=Path)
    parser.add_argument("result", type=Path)
    parser.add_argument("--carrier", required=True)
    given = parser.parse_args(arguments)
    try:
        problem = read_problem(read_json(given.problem.read_text(encoding="utf-8")))
        result = json.loads(given.result.read_text(encoding="utf-8"))
        points = ask(problem, result["assignments"], given.carrier)
    except MalformedProblem as malformed:
        print(malformed, file=sys.stderr)
        return 2
    except KeyError as missing:
        print(f"there is no carrier or key {missing}", file=sys.stderr)
        return 2
    except (OSError, ValueError, TypeError) as refused:
        print(refused, file=sys.stderr)
        return 2
    json.dump({"points": points}, sys.stdout, ensure_ascii=False)
    return 0


if __name__ == "__main__":
    sys.exit(main())
