"""How the numbers of a run came about: paths between places, separations of kinds, and the margin of every assignment."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from apps.planning import documents
from apps.planning.explaining import explained
from apps.planning.models import Run, RunDocument


class Command(BaseCommand):
    help = (
        "explain_run ID [--event SLUG]: JSON of paths, separations and margins, with the words behind each number; "
        "confidential departments included"
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("run", type=int, help="its number in the event")
        parser.add_argument("--event", help="slug; may be left out while there is one event")

    def handle(self, *args: Any, **given: Any) -> None:
        runs = Run.objects.filter(number=given["run"]).select_related("event")
        if given["event"]:
            runs = runs.filter(event__slug=given["event"])
        found = list(runs[:2])
        if len(found) != 1:
            raise CommandError(
                "There is no such run." if not found else "Several events have such a run; give --event."
            )
        result = documents.read(found[0], RunDocument.Role.RESULT)
        if result is None:
            raise CommandError(f"This run has no result; it is {found[0].state}.")
        event = found[0].event
        said = {"event": event.slug, "run": found[0].number, **explained(event, result["assignments"])}
        self.stdout.write(json.dumps(said, ensure_ascii=False, indent=1))
