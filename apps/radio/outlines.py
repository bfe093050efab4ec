"""Outlines on the ground: how near and how far two areas, or an area and a point, come to each other.

An outline is a ring of corners and the rings of its holes, in metres east and north; a point is a ring of one corner.
Distances are over the ground; heights are added where they are needed.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Ring = tuple[tuple[float, float], ...]
Outline = tuple[Ring, ...]

Points = NDArray[np.float64]


def point(east_m: float, north_m: float) -> Outline:
    return (((east_m, north_m),),)


@lru_cache(maxsize=4096)
def apart_m(one: Outline, other: Outline) -> tuple[float, float]:
    """(nearest, farthest) distance between any two places of two outlines; nearest 0 where they meet.

    The nearest two places of areas that do not meet lie on their edges, one of them at a corner; the farthest two are corners.
    """
    a, b = _corners(one), _corners(other)
    farthest = math.sqrt(float(_squares(a, b).max()))
    meet = _inside(a[:1], other)[0] or _inside(b[:1], one)[0] or _cross(one, other)
    if meet:
        return 0.0, farthest
    return math.sqrt(min(_to_edges(a, other), _to_edges(b, one))), farthest


def _corners(outline: Outline) -> Points:
    return np.array([corner for ring in outline for corner in ring], dtype=np.float64)


def _edges(outline: Outline) -> tuple[Points, Points]:
    """(starts, ends) of all edges; a point has one edge of no length."""
    starts = _corners(outline)
    ends = np.array([corner for ring in outline for corner in ring[1:] + ring[:1]], dtype=np.float64)
    return starts, ends


def _squares(a: Points, b: Points) -> NDArray[np.float64]:
    """Squared distances (corners of a, corners of b)."""
    return np.asarray(((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=2))


def _to_edges(corners: Points, outline: Outline) -> float:
    """The least squared distance from any of the corners to any edge."""
    starts, ends = _edges(outline)
    along = ends - starts
    length = (along**2).sum(axis=1)
    towards = ((corners[:, None, :] - starts) * along).sum(axis=2)
    share = np.clip(towards / np.where(length > 0, length, 1.0), 0.0, 1.0)
    nearest = starts + share[:, :, None] * along
    return float(((corners[:, None, :] - nearest) ** 2).sum(axis=2).min())


def _inside(places: Points, outline: Outline) -> NDArray[np.bool_]:
    """Which places lie within an outline and in none of its holes: a ray to the east crosses its edges an odd number of times."""
    starts, ends = _edges(outline)
    x, y = places[:, :1], places[:, 1:]
    spans = (starts[:, 1] > y) != (ends[:, 1] > y)
    rise = np.where(ends[:, 1] == starts[:, 1], 1.0, ends[:, 1] - starts[:, 1])
    crossing = starts[:, 0] + (y - starts[:, 1]) / rise * (ends[:, 0] - starts[:, 0])
    odd: NDArray[np.bool_] = (spans & (x < crossing)).sum(axis=1) % 2 == 1
    return odd


def _cross(one: Outline, other: Outline) -> bool:
    """Whether an edge of one crosses an edge of the other."""
    (a, b), (c, d) = _edges(one), _edges(other)

    def side(p: Points, q: Points, r: Points) -> NDArray[np.float64]:
        return np.sign(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
            - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    a, b, c, d = a[:, None], b[:, None], c[None], d[None]
    return bool(((side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)).any())
