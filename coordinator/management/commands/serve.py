"""Serve: the web server and the workers, until Ctrl-C."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from coordinator import supervising


class Command(BaseCommand):
    help = "Start the web server and the workers on one data folder, and keep them alive until Ctrl-C"

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000, help="0: a free one")

    def handle(self, *args: Any, **given: Any) -> None:
        try:
            with supervising.running(host=given["host"], port=given["port"], say=self.say) as group:
                group.answer()
                self.say(f"Serving on {group.address} until Ctrl-C. Data in {settings.DATA_DIR}.")
                group.wait()
        except KeyboardInterrupt:
            self.say("Ended before it served.")
        except (supervising.Busy, supervising.Failed, OSError) as refused:
            raise CommandError(str(refused)) from None

    def say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()
