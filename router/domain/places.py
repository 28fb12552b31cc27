"""Where something is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """A resolved place: coordinates in degrees WGS84, country as ISO 3166-1 alpha-2."""

    name: str
    country: str
    latitude_deg: float
    longitude_deg: float
    postcode: str | None = None

    def label(self) -> str:
        return f"{self.name}, {self.country}"
