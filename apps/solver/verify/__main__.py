"""python -m apps.solver.verify PROBLEM RESULT

Prints {ok, faults: {rule: […]}, penalty}. Exit 0 when the plan breaks no rule and the result tells no untruth, else 1;
2, with one line per fault on standard error, when a document cannot be read.
"""

import json
import sys
from collections import defaultdict
from pathlib import Path

from apps.solver.problem import MalformedProblem, read_json, read_problem
from apps.solver.verify.claims import untruths
from apps.solver.verify.counting import Breach, verify


def main(arguments: list[str]) -> int:
    if len(arguments) != 2:
        print("usage: python -m apps.solver.verify PROBLEM RESULT", file=sys.stderr)
        return 2
    documents = []
    for path in arguments:
        try:
            documents.append(read_json(Path(path).read_text(encoding="utf-8")))
        except (OSError, UnicodeDecodeError) as error:
            print(f"{path}: {error}", file=sys.stderr)
        except MalformedProblem as malformed:
            print("\n".join(f"{path}: {fault}" for fault in malformed.faults), file=sys.stderr)
    if len(documents) != 2:
        return 2
    document, result = documents
    try:
        problem = read_problem(document)
    except MalformedProblem as malformed:
        print(malformed, file=sys.stderr)
        return 2
    if not isinstance(result, dict) or not isinstance(result.get("assignments"), dict):
        print(f"{arguments[1]}: assignments: missing; a result maps carriers to whole hertz", file=sys.stderr)
        return 2
    known = {carrier.id for carrier in problem.carriers}
    verdict = verify(
        problem, {code: hz for code, hz in result["assignments"].items() if code in known and type(hz) is int}
    )
    faults: dict[str, list[object]] = defaultdict(list)
    for breach in verdict.breaches:
        faults[breach.rule].append(_told(breach))
    for rule, told in untruths(problem, result, verdict).items():
        faults[rule] += told
    print(json.dumps({"ok": not faults, "faults": faults, "penalty": round(verdict.penalty, 6)}, indent=1))
    return 1 if faults else 0


def _told(breach: Breach) -> dict[str, object]:
    """A breach as JSON: who, by whom, which row, where, when, how much."""
    told = {
        "carrier": breach.victim, "others": list(breach.others), "row": breach.row, "zone": breach.zone,
        "slot": breach.slot, "measured": breach.measured, "limit": breach.limit,
    }  # fmt: skip
    return {key: value for key, value in told.items() if value is not None}


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
