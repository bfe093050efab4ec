"""The demo: an invented event through every station, then the service to look at it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from coordinator import supervising

if TYPE_CHECKING:
    from coordinator.demonstration import LogIn, Station


class Command(BaseCommand):
    help = "Load the demo event, plan and publish it with real worker processes, and serve it until Ctrl-C"
    requires_system_checks: list[str] = []  # made while the web server starts

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="write the files and end")
        parser.add_argument(
            "--out", default="var/demo", help="folder for the files (with --once: and for its database)"
        )
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=0, help="0: a free one")

    def handle(self, *args: Any, **given: Any) -> None:
        out = Path(given["out"])
        try:
            with supervising.running(host=given["host"], port=given["port"], say=self.say) as group:
                from coordinator import demonstration  # noqa: PLC0415 - read while the web server starts

                self.check()
                log_ins = demonstration.set_up()
                group.answer()
                station = demonstration.go_through(group.address, log_ins, self.say)
                files = demonstration.write_files(group.address, log_ins, station, out)
                self.summarise(group.address, log_ins, station, files, out)
                if not given["once"]:
                    self.say(f"\nServing on {group.address} until Ctrl-C. Data in {settings.DATA_DIR}.")
                    group.wait()
        except KeyboardInterrupt:
            raise CommandError(
                "Stopped before the end; the next start goes on from here.", returncode=130
            ) from None
        except (supervising.Busy, supervising.Failed, OSError, RuntimeError) as refused:
            raise CommandError(str(refused)) from None

    def say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()

    def summarise(
        self, address: str, log_ins: "list[LogIn]", station: "Station", files: list[Path], out: Path
    ) -> None:
        from apps.planning.reasons import in_short  # noqa: PLC0415 - as above

        self.say(f"\n{station.event}: {station.placed} of {station.carriers} carriers have a frequency.")
        for row in station.left_out:
            why = in_short(row["blocked_by"]) or row["reason"] or row["state"]
            self.say(f"  {row['carrier']} ({row['label']}) has none: {why}")
        if station.worst_load_db is not None:
            self.say(
                f"Worst load of intermodulation products: {station.worst_load_db:+.1f} dB against the loudest carrier."
            )
        self.say(f"Published: edition {station.edition}, digest {station.digest[:12]}.")
        self.say(f"{len(files)} files in {out}/, the sheets in {out}/sheets/.")
        self.say(f"\nAddress: {address}\nLog-ins (made for this demo):")
        for row in log_ins:
            self.say(f"  {row.role:12} {row.department:5} {row.email:40} {row.password}")
