"""Between degrees and metres: the plane that touches the earth at an event's origin.

Geographic to geocentric and geocentric to topocentric coordinates after IOGP Guidance Note 373-7-2 (methods 9602 and
9837 of the EPSG register), on the ellipsoid of WGS 84, which RFC 7946 prescribes. Heights are left out: at 10 km from
the origin the plane lies 8 m above the ground and shortens distances by less than a centimetre.
"""

from dataclasses import dataclass
from math import cos, degrees, hypot, radians, sin, sqrt

SEMI_MAJOR_M = 6_378_137.0  # WGS 84, by definition
FLATTENING = 1 / 298.257223563  # WGS 84, by definition
ECCENTRICITY_2 = FLATTENING * (2 - FLATTENING)
MAX_M = (
    100_000  # no event is larger; there the plane is 0.8 km above the ground and distances are short by 4 m
)


@dataclass(frozen=True)
class Origin:
    """A point of the earth from which metres east and north are counted."""

    latitude_deg: float
    longitude_deg: float

    def metres(
        self, latitude_deg: float, longitude_deg: float, up_m: float = 0, own_up_m: float = 0
    ) -> tuple[float, float]:
        """(east, north) of a point, in metres. `up_m` and `own_up_m` are the heights of point and origin over the ellipsoid."""
        lat, lon = radians(self.latitude_deg), radians(self.longitude_deg)
        here = _geocentric(self.latitude_deg, self.longitude_deg, own_up_m)
        there = _geocentric(latitude_deg, longitude_deg, up_m)
        dx, dy, dz = (b - a for a, b in zip(here, there, strict=True))
        east = -sin(lon) * dx + cos(lon) * dy
        north = -sin(lat) * cos(lon) * dx - sin(lat) * sin(lon) * dy + cos(lat) * dz
        return east, north

    def degrees(self, east_m: float, north_m: float) -> tuple[float, float]:
        """(latitude, longitude) of the point on the ellipsoid that `metres` puts there. For points within MAX_M."""
        latitude, longitude = self.latitude_deg, self.longitude_deg
        # Each step corrects by what the plane is off there; a millimetre is reached up to 80° north and south.
        for _ in range(8):
            east, north = self.metres(latitude, longitude)
            meridian_m, parallel_m = _radii(latitude)
            latitude += degrees((north_m - north) / meridian_m)
            longitude += degrees((east_m - east) / parallel_m)
        return latitude, (longitude + 180) % 360 - 180

    def is_far(self, latitude_deg: float, longitude_deg: float) -> bool:
        """Whether a point lies beyond MAX_M; one at the other side of the earth does too, though the plane sees it near."""
        here = _geocentric(self.latitude_deg, self.longitude_deg, 0)
        there = _geocentric(latitude_deg, longitude_deg, 0)
        return hypot(*(b - a for a, b in zip(here, there, strict=True))) > MAX_M


def _geocentric(latitude_deg: float, longitude_deg: float, up_m: float) -> tuple[float, float, float]:
    lat, lon = radians(latitude_deg), radians(longitude_deg)
    normal_m = SEMI_MAJOR_M / sqrt(1 - ECCENTRICITY_2 * sin(lat) ** 2)
    x = (normal_m + up_m) * cos(lat) * cos(lon)
    y = (normal_m + up_m) * cos(lat) * sin(lon)
    z = (normal_m * (1 - ECCENTRICITY_2) + up_m) * sin(lat)
    return x, y, z


def _radii(latitude_deg: float) -> tuple[float, float]:
    """Radius of the meridian's bend and of the parallel, in metres; the latter never quite none, at a pole."""
    lat = radians(latitude_deg)
    root = sqrt(1 - ECCENTRICITY_2 * sin(lat) ** 2)
    return SEMI_MAJOR_M * (1 - ECCENTRICITY_2) / root**3, max(1.0, SEMI_MAJOR_M / root * cos(lat))
