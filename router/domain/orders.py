"""The order book."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from router.domain.places import Place
from router.domain.sites import Step


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One line: so many pieces of one part, in one alloy and condition, to one place by one day."""

    line_id: str
    order_id: str
    customer: str
    model: str
    """File name of the part model in the scenario's ``models`` folder."""
    unit: str
    """Unit of a model file that carries none (STL)."""
    alloy_id: str
    parameter_set_id: str
    quantity: int
    ship_to: Place
    received_at: datetime
    release_at: datetime
    """Reviewed and free to build; never before ``received_at``."""
    due_date: date
    """Day, at the destination, by which it is to arrive."""
    steps: tuple[Step, ...]
    """Ordered on top of what every part gets (subset of ORDERABLE_STEPS, in route order)."""
    coupons: int
    """Witness coupons the certificate demands on every plate that carries pieces of the line."""
    export_control: str | None
    """Registration code a site must hold to see and build it."""
    accreditations: tuple[str, ...]
    approved_sites: tuple[str, ...]
    """Customer-approved sites; empty means any."""
    own_plate: bool
    """Restricted lot: its pieces share a plate with no other line."""
    may_split_sites: bool
    as_modelled: bool
    """Must be built in the modelled orientation."""
    late_cents_per_day: int
    """Penalty for the whole line arriving a day late; a part shipment bears its share."""
