"""The starting catalogue of kinds, fixtures/kinds.json: generic templates that an event copies and then owns."""

import json
from functools import cache
from pathlib import Path
from typing import Any

from django.conf import settings


@cache
def catalogue() -> dict[str, dict[str, Any]]:
    """The catalogue's kinds by code, as they stand in the file."""
    path = Path(settings.BASE_DIR) / "fixtures" / "kinds.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    return {kind["code"]: kind for kind in document["kinds"]}
