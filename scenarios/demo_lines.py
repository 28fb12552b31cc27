"""Hand-written lines of the demonstration book: cases a planner meets that chance might leave out."""

from __future__ import annotations

from datetime import date, timedelta

from router.domain.network import Network
from router.domain.orders import OrderLine
from router.domain.places import Place
from router.domain.sites import Step
from router.formats.places import resolve_place


def demo_lines(network: Network) -> tuple[OrderLine, ...]:
    """The special lines; dates are counted from the network's now, ids are those of the demonstration network.

    - S01 cannot be built: taller than every machine that runs cobalt-chrome, and to be built as modelled.
    - S02 cannot be built: the one medical registration that goes with 316L has run out.
    - S03 is a rush to the far south-west in an alloy that is built far away.
    - S04 is a large dental lot that may be split between two countries.
    - S05 narrows down to one site by registration, export control and HIP at a service that holds the code as well.
    - S06 leaves the EU with coupons on a plate of its own.
    """

    def line(
        number: int,
        customer: str,
        city: Place,
        model: str,
        alloy: str,
        quantity: int,
        received_days_ago: int,
        due: date,
        late_cents_per_day: int,
        steps: tuple[Step, ...] = (),
        export_control: str | None = None,
        accreditations: tuple[str, ...] = (),
        coupons: int = 0,
        own_plate: bool = False,
        may_split_sites: bool = False,
        as_modelled: bool = False,
    ) -> OrderLine:
        received = network.now - timedelta(days=received_days_ago) + timedelta(hours=4)
        return OrderLine(
            line_id=f"S{number:02d}-1",
            order_id=f"S{number:02d}",
            customer=customer,
            model=model,
            unit="mm",
            alloy_id=alloy,
            parameter_set_id=network.alloy[alloy].default_parameter_set_id,
            quantity=quantity,
            ship_to=city,
            received_at=received,
            release_at=received + timedelta(hours=3),
            due_date=due,
            steps=steps,
            coupons=coupons,
            export_control=export_control,
            accreditations=accreditations,
            approved_sites=(),
            own_plate=own_plate,
            may_split_sites=may_split_sites,
            as_modelled=as_modelled,
            late_cents_per_day=late_cents_per_day,
        )

    today = network.now.date()

    def to(city: str, country: str) -> Place:
        return resolve_place(country, city, None, None, None)

    return (
        line(
            1,
            "C901 general, Antwerp",
            to("Antwerp", "BE"),
            "static-mixer-lance.3mf",
            "CoCr",
            2,
            6,
            today + timedelta(days=31),
            9_000,
            as_modelled=True,
        ),
        line(
            2,
            "C902 implants, Coimbra",
            to("Coimbra", "PT"),
            "bone-plate-curved.stl",
            "316L",
            24,
            11,
            today + timedelta(days=28),
            4_500,
            accreditations=("ISO-13485",),
        ),
        line(
            3,
            "C903 turbomachinery, Faro",
            to("Faro", "PT"),
            "fuel-nozzle-body.stl",
            "IN718",
            4,
            3,
            today + timedelta(days=7),
            22_000,
            steps=(Step.HEAT_TREATMENT,),
        ),
        line(
            4,
            "C904 dental, Porto",
            to("Porto", "PT"),
            "crown-coping-molar.stl",
            "CoCr",
            800,
            10,
            today + timedelta(days=16),
            6_000,
            may_split_sites=True,
        ),
        line(
            5,
            "C905 turbomachinery, Rotterdam",
            to("Rotterdam", "NL"),
            "turbine-blade-cooled.stl",
            "IN718",
            36,
            17,
            today + timedelta(days=38),
            15_000,
            steps=(Step.HIP, Step.HEAT_TREATMENT),
            export_control="EU-DU",
            accreditations=("EN-9100",),
            coupons=2,
        ),
        line(
            6,
            "C906 space and air, Bergen",
            to("Bergen", "NO"),
            "satellite-bracket-branched.stl",
            "Ti64",
            3,
            10,
            today + timedelta(days=32),
            12_000,
            steps=(Step.HEAT_TREATMENT, Step.MACHINING),
            accreditations=("EN-9100",),
            coupons=3,
            own_plate=True,
        ),
    )
