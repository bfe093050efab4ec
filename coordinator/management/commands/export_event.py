"""Write everything that an event's departments registered, and its plan, as files."""

import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.serializers.json import DjangoJSONEncoder

from apps.events.actors import the_service
from apps.events.api import DepartmentSerializer, EventSerializer, ZoneSerializer
from apps.events.models import Event
from apps.planning.api import represent as represent_row
from apps.planning.queries import plan_rows
from apps.registry.importing import write_list
from apps.registry.lines import row_of
from apps.registry.queries import registrations_matching


class Command(BaseCommand):
    help = (
        "export_event SLUG --out DIR: event.json, plan.json and registrations.csv, which imports again; "
        "confidential departments included"
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("slug")
        parser.add_argument("--out", required=True, help="folder")

    def handle(self, *args: Any, **given: Any) -> None:
        event = Event.objects.filter(slug=given["slug"]).first()
        if event is None:
            raise CommandError(f"There is no event {given['slug']}.")
        actor, out = the_service(event), Path(given["out"])
        out.mkdir(parents=True, exist_ok=True)
        zone = ZoneInfo(event.timezone)
        content = {
            **EventSerializer(event).data,
            "zones": ZoneSerializer(event.zones.all(), many=True).data,
            "departments": DepartmentSerializer(event.departments.all(), many=True).data,
        }
        self._write(out / "event.json", _json(content))
        self._write(out / "plan.json", _json([represent_row(row) for row in plan_rows(actor)]))
        self._write(
            out / "registrations.csv",
            write_list(row_of(row, zone) for row in registrations_matching(actor, {})),
        )

    def _write(self, path: Path, content: bytes) -> None:
        path.write_bytes(content)
        self.stdout.write(str(path))


def _json(content: Any) -> bytes:
    return json.dumps(content, cls=DjangoJSONEncoder, ensure_ascii=False, indent=1).encode()
