"""The recount of a plan, apart from the search: nothing here knows a load map, and nothing is published without it."""

from apps.solver.problem import coefficients
from apps.solver.verify.counting import Breach, Verdict, WorstLoad, breaches_anywhere, breaches_at, verify

__all__ = ["Breach", "Verdict", "WorstLoad", "breaches_anywhere", "breaches_at", "coefficients", "verify"]
