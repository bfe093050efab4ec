"""Television channel rasters: which channel a frequency lies in, and where a channel begins and ends.

Belongs here: the numbering itself, as data. Whether a channel may be used is the ruleset's business. The
same number means different frequencies in each region, so a channel is never named without its raster.
"""

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

MHZ: Final = 1_000_000


class Channel(NamedTuple):
    """One television channel. `former`: numbered by the rule, but no longer a broadcasting channel."""

    name: str
    low_hz: int
    high_hz: int
    former: bool = False

    @property
    def centre_hz(self) -> int:
        return (self.low_hz + self.high_hz) // 2


@dataclass(frozen=True)
class Raster:
    """The channels of one region, in order of frequency. `status`: `seen` in the source, or from `memory`."""

    key: str
    name: str
    source: str
    status: str
    channels: tuple[Channel, ...]

    @cached_property
    def low_edges_hz(self) -> list[int]:
        return [channel.low_hz for channel in self.channels]

    @cached_property
    def by_name(self) -> dict[str, Channel]:
        return {channel.name: channel for channel in self.channels}


def _run(first: int, last: int, low_mhz: int, width_mhz: int, *, former: bool = False) -> list[Channel]:
    """Channels `first` to `last` side by side; `low_mhz` is the lower edge of the first."""
    return [
        Channel(
            str(number),
            (low_mhz + width_mhz * (number - first)) * MHZ,
            (low_mhz + width_mhz * (number - first + 1)) * MHZ,
            former,
        )
        for number in range(first, last + 1)
    ]


def _named(names: list[str], low_mhz: int, width_mhz: int) -> list[Channel]:
    """Channels side by side whose names do not count up."""
    return [
        Channel(name, (low_mhz + width_mhz * place) * MHZ, (low_mhz + width_mhz * (place + 1)) * MHZ)
        for place, name in enumerate(names)
    ]


RASTERS: Final[dict[str, Raster]] = {
    raster.key: raster
    for raster in (
        Raster(
            "us",
            "United States, 6 MHz",
            "47 CFR 73.603 as amended 2021 for channels 2 to 37; 38 to 69 by the former rule",
            "seen",
            (
                *_run(2, 4, 54, 6),
                *_run(5, 6, 76, 6),
                *_run(7, 13, 174, 6),
                *_run(14, 37, 470, 6),
                *_run(38, 69, 614, 6, former=True),
            ),
        ),
        Raster(
            "europe-uhf",
            "Europe, UHF bands IV and V, 8 MHz",
            "474 MHz + 8 MHz steps as published by national regulators; GE06; 49 to 69 are history",
            "seen",
            (*_run(21, 48, 470, 8), *_run(49, 69, 694, 8, former=True)),
        ),
        Raster(
            "europe-vhf",
            "Europe, VHF band III, 7 MHz",
            "GE06 final acts",
            "memory",
            tuple(_run(5, 12, 174, 7)),
        ),
        Raster(
            "australia",
            "Australia, VHF and UHF, 7 MHz",
            "the regulator's television channel list",
            "seen",
            (
                *_named(["6", "7", "8", "9", "9A", "10", "11", "12"], 174, 7),
                *_run(28, 51, 526, 7),
            ),
        ),
        Raster(
            "japan",
            "Japan, UHF, 6 MHz (digital carriers sit 1/7 MHz above the centre)",
            "channel list of the white-space coordination body; open receiver code for the 1/7 MHz",
            "seen",
            tuple(_run(13, 52, 470, 6)),
        ),
    )
}


def raster(key: str) -> Raster:
    """The raster with this key. ValueError names the known keys."""
    try:
        return RASTERS[key]
    except KeyError:
        raise ValueError(
            f"unknown television raster {key!r}; known are {', '.join(sorted(RASTERS))}"
        ) from None


def channel_at(raster_key: str, hz: int, *, former: bool = False) -> str | None:
    """Name of the channel that `hz` lies in (lower edge included, upper edge not), or None between channels.

    `former` also answers with channels that are no longer used for broadcasting.
    """
    table = raster(raster_key)
    place = bisect_right(table.low_edges_hz, hz) - 1
    if place < 0:
        return None
    channel = table.channels[place]
    return channel.name if hz < channel.high_hz and (former or not channel.former) else None


def channel_edges(raster_key: str, channel: str) -> tuple[int, int]:
    """Lower and upper edge of a channel in hertz. ValueError if the raster has no such channel."""
    found = raster(raster_key).by_name.get(str(channel))
    if found is None:
        raise ValueError(f"raster {raster_key!r} has no channel {channel!r}")
    return found.low_hz, found.high_hz


def channels(raster_key: str, low_hz: int, high_hz: int, *, former: bool = False) -> list[Channel]:
    """Channels that overlap the open range `low_hz` to `high_hz`, in order of frequency."""
    return [
        channel
        for channel in raster(raster_key).channels
        if channel.low_hz < high_hz and channel.high_hz > low_hz and (former or not channel.former)
    ]
