"""The page of a zone's antenna system."""

from typing import Any

from apps.common.errors import Missing
from apps.events.queries import zones_of
from apps.events.setting_up import Changing
from apps.registry import actions
from apps.registry.forms import AntennasForm
from apps.registry.models import Antennas
from apps.registry.queries import antennas_at


class ZoneAntennas(Changing):
    """What stands between a zone's antennas and its receivers and fixed transmitters."""

    template = "registry/antennas.html"
    part = list_page = "events:zones"
    title = "Antennas"
    form_class = AntennasForm

    def rows(self) -> Any:
        return Antennas.objects.filter(zone__event=self.event)

    def find(self) -> Antennas:
        zone = zones_of(self.actor).filter(code=self.kwargs["code"]).first()
        if zone is None:
            raise Missing()
        return antennas_at(zone)

    def change(self, row: Antennas, version: int, values: dict[str, Any]) -> Any:
        return actions.equip(actor=self.actor, zone=row.zone, version=version, **values)

    def remove(self, row: Antennas) -> str:
        actions.unequip(actor=self.actor, antennas=row)
        return f"Nothing stands between the antennas and the devices of {row.zone.name} any more."
