"""A run's documents: compressed on the way in, read on the way out."""

import gzip
import json
from typing import Any

from apps.planning.models import Run, RunDocument


def keep(run: Run, role: str, content: Any) -> None:
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
    RunDocument.objects.create(run=run, role=role, content=gzip.compress(text, mtime=0))


def read(run: Run, role: str) -> Any:
    """A run's problem, result or versions; None where there is none (yet)."""
    content = RunDocument.objects.filter(run=run, role=role).values_list("content", flat=True).first()
    return None if content is None else json.loads(gzip.decompress(bytes(content)))
