"""Figures of the network as its file states them now: what somebody about to change one wants to see."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from ruamel.yaml import YAML

from router.service.desk import Desk
from router.service.records import NetworkRecord

Place = tuple[str, ...]
"""Where a figure stands: a site's id and the field, or a site's id, a machine's and the field."""


def present_figures(desk: Desk, record: NetworkRecord) -> Mapping[Place, float | int]:
    """Every number of sites and machines that the edition states; what it leaves out has no entry."""
    found: Mapping[Place, float | int] = desk.memory.get(("figures", record.sha256), lambda: _read(record.raw))
    return found


def figure_word(value: float | int | None) -> str:
    """A figure as it is told beside another."""
    return "not stated" if value is None else f"{value:.12g}"


def place_of(path: Sequence[str]) -> Place:
    """The place of a figure by its path in the file, e.g. ``("sites", "OHIO", "labour_per_h")``."""
    return (*path[1:-1:2], path[-1])


def _read(raw: bytes) -> Mapping[Place, float | int]:
    document = YAML(typ="safe", pure=True).load(raw.decode())
    found: dict[Place, float | int] = {}
    for site in document["sites"]:
        _numbers((str(site["id"]),), site, found)
        for machine in site.get("machines") or ():
            _numbers((str(site["id"]), str(machine["id"])), machine, found)
    return MappingProxyType(found)


def _numbers(place: Place, of: Mapping[str, object], found: dict[Place, float | int]) -> None:
    for name, value in of.items():
        if isinstance(value, int | float) and not isinstance(value, bool):
            found[(*place, name)] = value


def told_change(place: Sequence[str], before: float | int | None, after: object) -> str:
    """A change of one figure in words, e.g. for the note of an edition."""
    now = figure_word(after) if isinstance(after, int | float) and not isinstance(after, bool) else "not stated"
    return f"{place[-2]}: {place[-1]} {figure_word(before)} \N{RIGHTWARDS ARROW} {now}"
