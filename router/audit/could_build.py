"""Whether a line the plan leaves out could clearly have been built somewhere (RULES.md, section 2 and 7).

Every question is answered on the safe side: yes only when there is no doubt, so that a finding is worth reading. A
piece fits when it does so at one of a dozen angles and some hundred places; credentials must hold for months.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import shapely
from shapely import affinity

from router.audit.book import Book
from router.audit.carriage import carry, part_kg
from router.audit.changes import within_reach
from router.audit.journey import route
from router.audit.outlines import Shape, coupon_shape, keeps_recoater_rule, long_axes, overhang_mm
from router.domain.machines import Machine, Plate
from router.domain.orders import OrderLine
from router.domain.sites import Credential, Site, Step
from router.geometry.soundness import unusable

SURE_DAYS = 120
"""A credential counts when it covers the first possible day and the day this many days later."""

_ANGLES_DEG = tuple(float(a) for a in range(0, 180, 15))
_PLACES = 11
"""Places tried along each side of the plate."""

_Fit = dict[tuple[object, ...], bool]


def where_it_could_be_built(book: Book, line: OrderLine, fits: _Fit) -> str | None:
    """Machine, site and orientation that clearly can build an unplanned line, or None. `fits` keeps what was tried."""
    if unusable(book.facts(line)) is not None:
        return None
    for machine in book.net.machines:
        site = book.net.site.get(machine.site_id)
        if site is None or not _machine_may(book, line, machine) or not _site_may(book, line, machine, site):
            continue
        for orientation in book.facts(line).orientations:
            if line.as_modelled and orientation.key != "a":
                continue
            tallest = max(orientation.height_mm, book.net.coupon.height_mm if line.coupons else 0.0)
            key = (line.model, orientation.key, machine.plate, line.coupons)
            if tallest > machine.height_mm:
                continue
            if key not in fits:
                shape = book.shape((line.model, orientation.key))
                fits[key] = fits_empty_plate(book, shape, machine.plate, line.coupons)
            if fits[key]:
                return f"{machine.machine_id} at {site.site_id} in orientation {orientation.key}"
    return None


def fits_empty_plate(book: Book, shape: Shape, plate: Plate, coupons: int) -> bool:
    """Whether one piece, and the coupons it brings along, clearly lie well on an empty plate."""
    net = book.net
    axes = long_axes(shape)
    for angle in _ANGLES_DEG:
        if not keeps_recoater_rule(axes, angle, net.recoater_long_ratio, net.recoater_min_off_deg):
            continue
        turned = affinity.rotate(shape, angle, origin=(0.0, 0.0))
        for laid in _places(turned, plate):
            if _lies_well(laid, plate) and _coupons_fit(book, laid, plate, coupons):
                return True
    return False


def _places(shape: Shape, plate: Plate) -> Iterator[Shape]:
    """The shape at the centre of the plate, then over a grid of places within the margin."""
    x0, y0, x1, y1 = shape.bounds
    low = plate.edge_margin_mm
    room_x, room_y = plate.width_mm - 2 * low - (x1 - x0), plate.depth_mm - 2 * low - (y1 - y0)
    if room_x < 0 or room_y < 0:
        return
    yield affinity.translate(shape, low + room_x / 2 - x0, low + room_y / 2 - y0)
    for dx in np.linspace(0, room_x, _PLACES):
        for dy in np.linspace(0, room_y, _PLACES):
            yield affinity.translate(shape, low + float(dx) - x0, low + float(dy) - y0)


def _lies_well(shape: Shape, plate: Plate) -> bool:
    return overhang_mm(shape, plate, plate.edge_margin_mm) <= 1e-9 and all(
        shape.distance(shapely.Point(k.x_mm, k.y_mm)) >= k.radius_mm for k in plate.keep_outs
    )


def _coupons_fit(book: Book, laid: Shape, plate: Plate, coupons: int) -> bool:
    """Coupons one after another on the first free places of a grid of their own pitch."""
    if coupons == 0:
        return True
    side = book.net.coupon.side_mm
    pitch = side + plate.spacing_mm
    left = coupons
    for x in np.arange(plate.edge_margin_mm, plate.width_mm - plate.edge_margin_mm - side + 1e-9, pitch):
        for y in np.arange(plate.edge_margin_mm, plate.depth_mm - plate.edge_margin_mm - side + 1e-9, pitch):
            square = affinity.translate(coupon_shape(book.net.coupon), float(x), float(y))
            if laid.distance(square) >= plate.spacing_mm and not square.within(laid) and _lies_well(square, plate):
                left -= 1
                if left == 0:
                    return True
    return False


def _machine_may(book: Book, line: OrderLine, machine: Machine) -> bool:
    return line.alloy_id in machine.alloys and within_reach(book.net, machine, line.alloy_id)


def _site_may(book: Book, line: OrderLine, machine: Machine, site: Site) -> bool:
    """Approved, credentials for months, a way through every step, and a carrier for the whole line."""
    if line.approved_sites and site.site_id not in line.approved_sites:
        return False
    first = max(book.net.now, line.release_at, machine.available_from).astimezone(book.calendar(site).zone).date()
    codes = set(line.accreditations) | ({line.export_control} if line.export_control is not None else set())
    if not all(_surely_held(site.credentials, code, first) for code in codes):
        return False
    alloy = book.net.alloy[line.alloy_id]
    if not all(_way(book, site, step, line.export_control, first) for step in route(line, alloy)):
        return False
    facts = book.facts(line)
    piece_kg = part_kg(facts, alloy.density_g_cm3)
    return any(
        carry(book.net, site.place, line.ship_to, carrier, line.quantity, facts, piece_kg).possible
        for carrier in book.net.carriers
    )


def _way(book: Book, site: Site, step: Step, export_code: str | None, first: date) -> bool:
    if (site.site_id, step) in book.net.work_centre:
        return True
    return any(
        export_code is None or _surely_held(service.credentials, export_code, first)
        for service in book.net.outside(site.site_id, step)
    )


def _surely_held(credentials: tuple[Credential, ...], code: str, first: date) -> bool:
    return any(c.code == code and c.covers(first) and c.covers(first + timedelta(days=SURE_DAYS)) for c in credentials)
