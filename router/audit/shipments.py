"""Checks of how finished pieces travel (RULES.md, section 6)."""

from __future__ import annotations

from datetime import date, timedelta

from router.audit.book import Book, ShipmentEntry
from router.audit.figures import cents, near, settled
from router.audit.finding import Notebook
from router.kernel.moments import to_datetime


def earliest_dispatch(book: Book, entry: ShipmentEntry) -> date | None:
    """First day the carrier can take the shipment; None when it cannot be derived or never comes."""
    if entry.ready is None:
        return None
    cal = book.calendar(entry.site)
    ready = cal.local(entry.ready)
    for ahead in range(800):
        day = ready.date() + timedelta(days=ahead)
        if cal.business_day(day) and (ahead > 0 or ready.time() <= entry.carrier.cutoff):
            return day
    return None


def arrival(book: Book, entry: ShipmentEntry) -> date:
    """When the shipment arrives, from the dispatch date it has."""
    country = book.country(entry.line.ship_to.country)
    return country.plus_business_days(entry.shipment.dispatch_date, entry.carriage.transit_days)


def late_days(book: Book, entry: ShipmentEntry) -> int:
    """Calendar days after the due date; as stated when the carrier cannot come there at all."""
    if entry.carriage.zone is None:
        return entry.shipment.late_days
    return max(0, (arrival(book, entry) - entry.line.due_date).days)


def derived_cents(book: Book, entry: ShipmentEntry) -> tuple[int, int, int]:
    """Freight, carbon and lateness of a shipment as derived."""
    s, c = entry.shipment, entry.carriage
    freight = settled(s.freight_cents, c.freight) if c.zone is not None else s.freight_cents
    late = entry.line.late_cents_per_day * late_days(book, entry) * entry.pieces / entry.line.quantity
    return freight, settled(s.carbon_cents, cents(c.carbon_exact)), settled(s.late_cents, cents(late))


def check_contents(book: Book, notes: Notebook) -> None:
    """A shipment holds the whole lots of its line from its builds, all of its site, and nothing goes twice."""
    shipped: dict[tuple[str, str], str] = {}
    for entry in book.shipments:
        s = entry.shipment
        aboard = 0
        complete = bool(s.build_ids)
        if not s.build_ids:
            notes.add("shipment-without-builds", entry.where, "no build named", "the builds it carries pieces of")
        for build_id in s.build_ids:
            notes.look("lots in shipments")
            key = (s.line_id, build_id)
            if key in shipped:
                notes.add("shipped-twice", entry.where, f"{s.line_id} from {build_id}", f"only in {shipped[key]}")
            shipped.setdefault(key, s.shipment_id)
            lot = book.lots.get(key)
            if lot is None:
                complete = False
                if build_id in book.known:
                    notes.add(
                        "shipment-of-other-build", entry.where, build_id, f"builds that carry pieces of {s.line_id}"
                    )
                continue
            aboard += lot.pieces
            if lot.build.site.site_id != s.site_id:
                notes.add(
                    "shipment-from-other-site",
                    entry.where,
                    f"from {s.site_id}",
                    f"{build_id} is at {lot.build.site.site_id}",
                )
        if complete and s.pieces != aboard:
            notes.add("wrong-shipment-pieces", entry.where, f"{s.pieces} pieces", f"{aboard} in its lots")
    named = {(s.line_id, b) for s in book.plan.shipments for b in s.build_ids}
    for key, lot in book.lots.items():
        notes.look("lots shipped")
        if key not in named:
            notes.add("lot-not-shipped", lot.where, "in no shipment", "in one shipment")


def check_days(book: Book, notes: Notebook) -> None:
    """Ready, dispatched, arrived, late."""
    for entry in book.shipments:
        s, site = entry.shipment, entry.site
        notes.look("dates of shipments", 4)
        if entry.ready is not None and to_datetime(entry.ready) != s.ready_at:
            notes.add("wrong-shipment-ready", entry.where, book.stated(s.ready_at, site), book.shown(entry.ready, site))
        earliest = earliest_dispatch(book, entry)
        if earliest is not None and s.dispatch_date < earliest:
            notes.add(
                "dispatch-too-early",
                entry.where,
                f"{s.dispatch_date}",
                f"not before {earliest} (ready {book.shown(entry.ready, site)}, cut-off {entry.carrier.cutoff:%H:%M})",
            )
        if not book.calendar(site).business_day(s.dispatch_date):
            notes.add("dispatch-not-on-business-day", entry.where, f"{s.dispatch_date:%a %Y-%m-%d}", "a business day")
        if entry.carriage.zone is None:
            continue
        arrives = arrival(book, entry)
        if s.arrive_date != arrives:
            notes.add("wrong-arrival", entry.where, f"{s.arrive_date}", f"{arrives}")
        late = late_days(book, entry)
        if s.late_days != late:
            notes.add("wrong-late-days", entry.where, f"{s.late_days} days", f"{late}")


def check_carriage(book: Book, notes: Notebook) -> None:
    """Weight, distance, price and emissions; that the carrier can take it at all."""
    for entry in book.shipments:
        s, c, carrier = entry.shipment, entry.carriage, entry.carrier
        notes.look("weights, distances and prices of shipments", 7)
        if c.zone is None:
            reach = max((z.up_to_km for z in carrier.zones), default=0.0)
            notes.add(
                "beyond-carrier-reach",
                entry.where,
                f"{c.distance_km:.1f} km by {carrier.carrier_id}",
                f"up to {reach:g} km",
            )
        if c.too_heavy:
            notes.add(
                "too-heavy-for-carrier",
                entry.where,
                f"{c.chargeable_kg:g} kg by {carrier.carrier_id}",
                f"up to {carrier.max_chargeable_kg:g} kg",
            )
        figures = [
            ("wrong-mass", s.mass_kg, c.mass_kg, "kg"),
            ("wrong-chargeable-weight", s.chargeable_kg, c.chargeable_kg, "kg"),
            ("wrong-distance", s.distance_km, c.distance_km, "km"),
            ("wrong-shipment-co2e", s.co2e_kg, c.co2e_kg, "kg CO2e"),
        ]
        for code, found, expected, unit in figures:
            if not near(found, expected):
                notes.add(code, entry.where, f"{found!r} {unit}", f"{expected!r} {unit}")
        freight, carbon, late = derived_cents(book, entry)
        amounts = [
            ("wrong-freight", s.freight_cents, freight),
            ("wrong-shipment-carbon-cost", s.carbon_cents, carbon),
            ("wrong-late-cost", s.late_cents, late),
        ]
        for code, stated, derived in amounts:
            if stated != derived:
                notes.add(code, entry.where, f"{stated} cents", f"{derived} cents")
