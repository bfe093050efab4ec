"""Framework-free frequency assignment: problem, load maps, search, explanation, verification.

problem = read_problem(document)
result = solve(problem, seconds=10, seed=0)
result.document()
"""

from apps.solver.problem import Fault, MalformedProblem, Problem, read_problem
from apps.solver.result import Progress, Result, merit
from apps.solver.solving import solve
from apps.solver.verify import Breach, Verdict, verify

__all__ = [
    "Breach", "Fault", "MalformedProblem", "Problem", "Progress", "Result", "Verdict", "merit", "read_problem",
    "solve", "verify",
]  # fmt: skip
