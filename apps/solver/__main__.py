"""python -m apps.solver PROBLEM.json --out RESULT.json [--seconds 10] [--seed 0] [--workers N]

Exit 0 when a result was written, also when some carriers could not be placed; 2, with one line per fault on standard
error, when the problem is malformed or holds a clause that is not obeyed.
"""

import argparse
import json
import os
import signal
import sys
from pathlib import Path
from types import FrameType

from apps.solver import MalformedProblem, read_problem, solve
from apps.solver.problem import read_json


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m apps.solver", description="Assign frequencies to a planning problem."
    )
    parser.add_argument("problem", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--seconds",
        type=float,
        default=10.0,
        help="a ceiling; it stops earlier when nothing better is likely",
    )
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--workers", type=int, default=os.cpu_count() or 1, help="searches with different seeds, side by side"
    )
    given = parser.parse_args(arguments)
    stop: list[int] = []

    def asked(number: int, frame: FrameType | None) -> None:
        stop.append(number)

    signal.signal(signal.SIGTERM, asked)
    signal.signal(signal.SIGINT, asked)
    try:
        problem = read_problem(read_json(given.problem.read_text(encoding="utf-8")))
        result = solve(
            problem,
            seconds=given.seconds,
            seed=given.seed,
            workers=given.workers,
            should_stop=lambda: bool(stop),
        )
    except MalformedProblem as malformed:
        print(malformed, file=sys.stderr)
        return 2
    except (UnicodeDecodeError, OSError) as refused:
        print(f"{given.problem}: {refused}", file=sys.stderr)
        return 2
    part = given.out.with_name(given.out.name + ".part")
    part.write_text(json.dumps(result.document(), ensure_ascii=False, indent=1), encoding="utf-8")
    os.replace(part, given.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
