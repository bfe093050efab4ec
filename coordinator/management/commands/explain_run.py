"""How the numbers of a run came about: paths between places, separations of kinds, and the margin of every assignment."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from apps.planning import chaining, documents
from apps.planning.margins import margins_of
from apps.planning.models import Run, RunDocument
from apps.planning.siting import sited
from apps.planning.snapshot import standing_carriers


class Command(BaseCommand):
    help = "explain_run ID [--event SLUG]: JSON of paths, separations and margins, with the words behind each number"

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
        carriers = standing_carriers(event)
        model = sited(event, carriers)
        demands = model.demands
        explained = {
            "event": event.slug,
            "run": found[0].number,
            "zone_pairs": [
                {
                    "receiver": heard.receiver,
                    "sender": heard.sender,
                    "kind": heard.kind,
                    "distance_m": round(heard.path.distances.usual_m, 1),
                    "model": heard.path.model,
                    "loss_db": round(heard.path.loss.usual_db, 1),
                    "hears_db": round(heard.level_db, 1),
                    "words": heard.path.words(),
                }
                for heard in demands.heard
            ],
            "kind_pairs": [
                {
                    "places": list(row.places),
                    "kinds": list(row.kinds),
                    "min_hz": row.min_hz,
                    "treatment": row.treatment,
                    "rule": row.note or row.reason.words(),
                }
                for row in demands.separations
            ],
            "sending": chaining.sent(event, model, carriers),
            "receiving": chaining.received(model),
            "products": [
                {
                    "family": row.family,
                    "kind": row.kind,
                    "places": list(row.places),
                    "made_in": row.made_in,
                    "guard_hz": row.guard_hz,
                    "limit_db": row.limit_db,
                    "treatment": row.treatment,
                }
                for row in demands.products
            ],
            "assignments": {
                code: {"frequency_hz": result["assignments"][code], **margin.as_dict()}
                for code, margin in margins_of(event, result["assignments"]).items()
            },
        }
        self.stdout.write(json.dumps(explained, ensure_ascii=False, indent=1))
