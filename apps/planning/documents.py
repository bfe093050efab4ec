"""A run's documents: compressed on the way in, read on the way out."""

import gzip
import json
from typing import Any

from apps.planning.models import Run, RunDocument


def packed(content: Any) -> bytes:
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
    return gzip.compress(text, mtime=0)


def unpacked(content: bytes | memoryview) -> Any:
    return json.loads(gzip.decompress(bytes(content)))


def keep(run: Run, role: str, content: Any) -> None:
    RunDocument.objects.create(run=run, role=role, content=packed(content))


def read(run: Run, role: str) -> Any:
    """A run's problem, result or versions; None where there is none (yet)."""
    content = RunDocument.objects.filter(run=run, role=role).values_list("content", flat=True).first()
    return None if content is None else unpacked(content)
