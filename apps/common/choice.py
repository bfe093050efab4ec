"""A choice of many rows made on a page: which ones, each at the version that was seen. One field of a form carries it."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

from apps.common.errors import Conflict, Fault, Faulty


def whole_number(text: str) -> int | None:
    """A key or version as a form carries it; None for anything else that somebody may send."""
    return int(text) if text.isdecimal() and len(text) < 16 else None


@dataclass(frozen=True)
class Choice:
    """Rows by key, each with the version that whoever chose it had before their eyes."""

    versions: dict[str, int]

    @classmethod
    def of(cls, rows: Iterable[tuple[object, int]]) -> "Choice":
        return cls({str(key): version for key, version in rows})

    @classmethod
    def read(cls, texts: Iterable[str]) -> "Choice":
        """Read «key:version» items, any number of them in each text. Raises Faulty for what is no such item."""
        versions = {}
        for item in " ".join(texts).split():
            key, _, text = item.rpartition(":")
            version = whole_number(text)
            if not key or version is None:
                raise Faulty([Fault(0, "rows", item[:60], "This is no row of the list; choose again.")])
            versions[key] = version
        return cls(versions)

    @property
    def text(self) -> str:
        return " ".join(f"{key}:{version}" for key, version in self.versions.items())

    @property
    def digest(self) -> str:
        """The same for the same rows at the same versions, in any order."""
        return hashlib.sha256(" ".join(sorted(self.text.split())).encode()).hexdigest()[:16]

    def __len__(self) -> int:
        return len(self.versions)

    def refuse_changed(self, now: dict[str, int]) -> None:
        """Raise Conflict when a chosen row is gone or has another version by now."""
        changed = [key for key, version in self.versions.items() if now.get(key) != version]
        if changed:
            raise Conflict(
                f"Somebody changed {len(changed)} of these {len(self)} rows since you looked. "
                "Look at the list again, then repeat your choice."
            )
