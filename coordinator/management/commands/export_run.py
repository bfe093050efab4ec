"""Write a run's problem and result in the solver's own format."""

import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from apps.planning import documents
from apps.planning.models import Run, RunDocument


class Command(BaseCommand):
    help = "export_run ID [--event SLUG] --out DIR: problem.json and result.json of a run, confidential departments included"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("run", type=int, help="its number in the event")
        parser.add_argument("--event", help="slug; may be left out while there is one event")
        parser.add_argument("--out", required=True, help="folder")

    def handle(self, *args: Any, **given: Any) -> None:
        runs = Run.objects.filter(number=given["run"])
        if given["event"]:
            runs = runs.filter(event__slug=given["event"])
        found = list(runs[:2])
        if len(found) != 1:
            raise CommandError(
                "There is no such run." if not found else "Several events have such a run; give --event."
            )
        out = Path(given["out"])
        out.mkdir(parents=True, exist_ok=True)
        for role in (RunDocument.Role.PROBLEM, RunDocument.Role.RESULT):
            content = documents.read(found[0], role)
            if content is None:
                raise CommandError(f"This run has no {role} yet; it is {found[0].state}.")
            path = out / f"{role}.json"
            path.write_text(json.dumps(content, ensure_ascii=False, indent=1), encoding="utf-8")
            self.stdout.write(str(path))
