"""When a consignment leaves and when it is there."""

from __future__ import annotations

from datetime import date

from router.domain.carriers import Carrier
from router.domain.network import Network
from router.domain.places import Place
from router.freight.quotes import Quote
from router.kernel.moments import Minute
from router.worktime import StaffedTime, business_days


def dispatch_date(staffed: StaffedTime, carrier: Carrier, ready: Minute) -> date:
    """First business day of the site on which the carrier can still collect what is ready at ``ready``."""
    return staffed.collected(ready, carrier.cutoff)


def arrival_date(dispatched: date, transit_working_days: int, place: Place) -> date:
    """Dispatch + transit days (customs days included), counted in business days of the destination country."""
    return business_days(place.country).add(dispatched, transit_working_days)


def dispatch_and_arrival(
    network: Network, staffed: StaffedTime, carrier: Carrier | None, ready: Minute, quote: Quote, place: Place
) -> tuple[date, date]:
    """Earliest dispatch and the arrival it gives (RULES.md, section 6); carrier None is the quote's own."""
    carrier = carrier or network.carrier[quote.carrier_id]
    dispatched = dispatch_date(staffed, carrier, ready)
    return dispatched, arrival_date(dispatched, quote.transit_working_days, place)


def late_days(arrives: date, due: date) -> int:
    """Calendar days after the due date, 0 when on time."""
    return max(0, (arrives - due).days)
