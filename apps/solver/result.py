"""What a run of the solver says: planning-result/1."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

FORMAT = "planning-result/1"
VERSION = "0.1.0"


@dataclass(frozen=True)
class Progress:
    """How far the search is. `share` of the work runs from 0 to 1."""

    stage: str
    placed: int
    left_out: int
    penalty: float
    share: float


@dataclass(frozen=True)
class Unplaced:
    """A carrier left out, with the shares of its raster by cause; each cause is an object of the format."""

    id: str
    blocked_by: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class Load:
    """A load over its rule's limit: where it is worst, how high, and at most five of its products."""

    id: str
    row: int
    zone: str
    slot: str
    level_db: float
    products: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Bound:
    """A proved lower bound on how many carriers must stay out, with its reason in words."""

    unplaced_at_least: int
    why: str


@dataclass(frozen=True)
class Result:
    assignments: Mapping[str, int]
    unplaced: tuple[Unplaced, ...]
    moved: tuple[str, ...]
    loads: tuple[Load, ...]
    bound: Bound
    cost: dict[str, Any]
    elapsed_s: float
    seed: int
    stopped: str

    def document(self) -> dict[str, Any]:
        """The JSON document of the format."""
        return {
            "format": FORMAT,
            "assignments": dict(self.assignments),
            "unplaced": [{"id": row.id, "blocked_by": list(row.blocked_by)} for row in self.unplaced],
            "moved": list(self.moved),
            "loads": [
                {
                    "id": row.id, "row": row.row, "zone": row.zone, "slot": row.slot, "level_db": row.level_db,
                    "products": [list(product) for product in row.products],
                }
                for row in self.loads
            ],
            "bound": {"unplaced_at_least": self.bound.unplaced_at_least, "why": self.bound.why},
            "cost": self.cost,
            "elapsed_s": self.elapsed_s,
            "seed": self.seed,
            "stopped": self.stopped,
            "solver": VERSION,
        }  # fmt: skip


def merit(document: Mapping[str, Any]) -> tuple[object, ...]:
    """The objective in its order, then the seed: of several results for one problem the smallest is the best."""
    cost = document["cost"]
    left = [cost["unplaced"].get(str(priority), 0) for priority in range(1, 10)]
    return (*left, cost["moved"], cost["penalty"], document["seed"])
