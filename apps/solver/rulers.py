"""How short a stretch can hold n carriers of which all suffer from each other: proved lower bounds, by exhaustive search.

On a raster without third-order products of either kind these are the optimal rulers with distinct differences (OEIS
A003022); with 2A−B alone, the progression-free sets (OEIS A065825). Spacings and guards make both longer.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

NODES = 150_000  # marks tried in all before the search gives way to counting
LOOK_UP = 4_096  # marks between two looks at whether somebody wants to stop
LONGEST = 2_000  # steps; beyond that counting alone


@dataclass
class Rulers:
    """Shortest lengths, in raster steps, of n marks at least `spacing` apart.

    `two` and `three` are the guards of 2A−B and A+B−C in steps: no product lands nearer than that to another mark
    (0: the family is not forbidden). `shortest[n]` is proved: no n marks fit into less; it is exact while the search
    was not cut short. Needs spacing of at least 1.
    """

    spacing: int
    two: int = 0
    three: int = 0
    shortest: list[int] = field(default_factory=lambda: [0, 0])
    nodes: int = NODES
    should_stop: Callable[[], bool] = lambda: False
    _lowest: list[int] = field(default_factory=lambda: [0])
    _struck_later: int = 0
    _differences: int = 0

    def holds(self, length: int, most: int) -> int:
        """How many of at most `most` marks fit into a stretch of a length, at the best."""
        while len(self.shortest) <= most and self.shortest[-1] <= length:
            self.shortest.append(self._next())
        return bisect_right(self.shortest, length, hi=min(most + 1, len(self.shortest))) - 1

    def surely_holds(self, length: int, most: int) -> int:
        """How many of at most `most` marks fit for sure: the lowest free position is taken again and again."""
        while len(self._lowest) < most and self._lowest[-1] <= length:
            marks = self._lowest
            free = ~self._struck_later & (-1 << (marks[-1] + self.spacing))
            mark = (free & -free).bit_length() - 1
            fresh = sum(1 << (mark - other) for other in marks)
            self._struck_later |= self._struck(mark, fresh, self._differences)
            self._differences |= fresh
            marks.append(mark)
        return bisect_right(self._lowest, length, hi=min(most, len(self._lowest)))

    def _struck(self, mark: int, fresh: int, differences: int) -> int:
        """What later marks may not be: mark + (b − a) for A+B−C, mark + (mark − a) for 2A−B; a, b the marks before."""
        struck = near(differences << mark, self.three) if self.three else 0
        return struck | near(fresh << mark, self.two) if self.two else struck

    def _next(self) -> int:
        """The shortest length of one mark more."""
        n = len(self.shortest)
        low = max(self._counted(n), *self._joined(n))
        if self.two or self.three:
            while low <= LONGEST and self.nodes > 0 and not self._fits(n, low):
                low += 1
        return low

    def _joined(self, n: int) -> Iterator[int]:
        """n marks are k marks and the n + 1 − k from the last of them on."""
        yield self.shortest[n - 1] + self.spacing
        for k in range(2, n // 2 + 1):
            yield self.shortest[k] + self.shortest[n + 1 - k]

    def _counted(self, n: int) -> int:
        """By counting: where both families are forbidden all n(n−1)/2 differences are a guard apart from each other."""
        apart = min(self.two, self.three, self.spacing)
        return self.spacing + (n * (n - 1) // 2 - 1) * apart

    def _fits(self, n: int, length: int) -> bool:
        """Whether n marks fit into a length, by trying every one; True as well when the nodes run out."""
        everywhere = (1 << (length + 1)) - 1

        def place(marks: list[int], taken: int, differences: int) -> bool:
            left = n - len(marks)
            if left == 0:
                return True
            last = length - self.shortest[left]
            free = ~taken & everywhere & ((1 << (last + 1)) - 1)
            free &= -1 << (marks[-1] + self.spacing)
            while free:
                self.nodes -= 1
                if self.nodes % LOOK_UP == 0 and self.should_stop():
                    self.nodes = 0
                if self.nodes <= 0:
                    return True
                mark = (free & -free).bit_length() - 1
                free &= free - 1
                fresh = sum(1 << (mark - other) for other in marks)
                struck = taken | self._struck(mark, fresh, differences)
                if place([*marks, mark], struck, differences | fresh):
                    return True
            return False

        return place([0], 0, 0)


def near(bits: int, guard: int) -> int:
    """Every position nearer than the guard to one that is marked."""
    by = min(guard, LONGEST + 1) - 1
    width, done = 2 * by + 1, 1
    while done < width:
        step = min(done, width - done)
        bits |= bits << step
        done += step
    return bits >> by
