"""Issue a token for a person's machine, and print it once."""

from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from apps.common.errors import Refusal
from apps.events import actions, queries
from apps.events.models import Person


class Command(BaseCommand):
    help = "Issue a token: --person EMAIL --event SLUG [--department CODE] [--write] [--days N]"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--person", required=True, help="e-mail address")
        parser.add_argument("--event", required=True, help="slug")
        parser.add_argument("--department", help="code; absent: all that the person reaches")
        parser.add_argument("--write", action="store_true", help="may write; otherwise it only reads")
        parser.add_argument("--days", type=int, default=90, help="until it expires")

    def handle(self, *args: Any, **given: Any) -> None:
        person = Person.objects.filter(email=given["person"].lower()).first()
        if person is None:
            raise CommandError(f"There is no person with the address {given['person']}.")
        try:
            actor = queries.actor_in(person, given["event"])
        except Refusal:
            raise CommandError(f"{person.email} is not in an event {given['event']}.") from None
        department = None
        if given["department"]:
            department = queries.departments_of(actor).filter(code=given["department"]).first()
            if department is None:
                raise CommandError(
                    f"{person.email} reaches no department {given['department']} in this event."
                )
        issued = actions.issue_token(
            actor=actor,
            person=person,
            department=department,
            writes=given["write"],
            label="issued on the command line",
            expires_in=timedelta(days=given["days"]),
        )
        self.stdout.write(issued.secret)
