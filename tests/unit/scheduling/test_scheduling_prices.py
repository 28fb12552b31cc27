"""Money of the scheduling kernels against values worked out by hand."""

from __future__ import annotations

import numpy as np
from tiny_shop import Around, TinyCarrier, TinyLine, TinyMachine, TinyStep, TinyVariant, tiny_shop

from router.scheduling.book import new_book, plate_with
from router.scheduling.draft import Draft, Sizes
from router.scheduling.prices import build_price, run_minutes, shipping
from router.scheduling.rooms import SumRooms
from router.scheduling.shop import ATTENDED, NEVER, Shop

POSTS = [[(100 * d + 60, d) for d in range(100)]]
"""Who is ready by minute 60 of a day leaves that day."""


def _one(line: TinyLine, carriers: list[TinyCarrier], **around: object) -> Shop:
    settings = {"carriers": {(0, 0): carriers}, "posts": POSTS, **around}
    return tiny_shop([line], [TinyMachine()], [[[TinyVariant(0, 10.0)]]], Around(**settings))  # type: ignore[arg-type]


def test_a_build_is_priced_by_start_layers_exposure_and_mass() -> None:
    machine = TinyMachine(
        setup_min=10,
        cooldown_min=20,
        recoat_s=9.0,
        start_cents=1000,
        layer_cents=2.5,
        exposure_cents_h=600,
        melt_cents_kg=50,
        coupon=(0.5, 0.2, 60),
    )
    variants = [[[TinyVariant(0, 10.0, 40, 1.25, 0.3)]], [[TinyVariant(0, 12.0, 50, 0.5, 0.1)]]]
    lines = [TinyLine(3), TinyLine(2, coupons=2)]
    shop = tiny_shop(lines, [machine], variants, Around(coupon_area=1.5))
    # 1000 + 40 x 2.5 + 3.75 h x 600 + 0.9 kg x 50 = 3395.
    assert build_price(shop, 0, 0, 40, 3.75, 0.9) == 3395
    # 10 + 6 + 225 + 20 minutes.
    assert run_minutes(shop, 0, 40, 3.75) == 261
    book = new_book(shop, 4, 4, 4)
    alone = plate_with(shop, book, -1, 0, 0, 0, 3)
    both = book.plates[plate_with(shop, book, alone, 0, 1, 1, 2)]
    assert int(book.plates[alone]["cents"]) == 3395
    # Coupons: two of 60 layers beside 3 + 2 pieces; 1000 + 150 + (3.75 + 1 + 1) x 600 + (0.9 + 0.2 + 0.4) x 50.
    assert (int(both["layers"]), int(both["pieces"]), int(both["coupons"])) == (60, 5, 2)
    assert float(both["area_mm2"]) == 30 + 24 + 3
    assert int(both["cents"]) == 1000 + 150 + 3450 + 75


def test_half_a_cent_goes_up() -> None:
    shop = tiny_shop([TinyLine()], [TinyMachine(start_cents=10.5)], [[[TinyVariant(0, 1.0)]]])
    assert build_price(shop, 0, 0, 0, 0.0, 0.0) == 11


def test_freight_charges_the_larger_of_mass_and_bulk_in_half_kilograms() -> None:
    carrier = TinyCarrier(200, 30, dim_cm3_kg=1000, carbon_cents_kg=2.0, customs_cents=40)
    heavy = TinyLine(2, part_kg=1.0, box_cm3=100)
    shop = _one(heavy, [carrier], mass_fraction=0.1, fixed_kg=0.3, void_factor=1.5)
    # Mass 2 x 1.1 + 0.3 = 2.5 kg, bulk 0.3: 200 + 40 + 75 + carbon 5.
    assert shipping(shop, 0, 0, 2, 0) == (320, 0)
    bulky = TinyLine(2, part_kg=1.0, box_cm3=1100)
    shop = _one(bulky, [carrier], mass_fraction=0.1, fixed_kg=0.3, void_factor=1.5)
    # Bulk 3.3 kg counts as 3.5: 105; the carbon stays with the mass.
    assert shipping(shop, 0, 0, 2, 0) == (350, 0)


def test_the_cheapest_shipment_counts_lateness() -> None:
    slow, fast = TinyCarrier(100, days=4), TinyCarrier(500, days=1)
    line = TinyLine(4, due=5, late_cents=300)
    shop = _one(line, [slow, fast])
    assert shipping(shop, 0, 0, 4, 160) == (100, 0)  # leaves on 1, there on 5
    assert shipping(shop, 0, 0, 4, 161) == (400, 1)  # leaves on 2, there on 6: a day is cheaper than the fast one
    assert shipping(shop, 0, 0, 4, 261) == (500, 0)  # leaves on 3: 100 + 600 against 500
    # A quarter of the line bears a quarter of its lateness.
    assert shipping(shop, 0, 0, 1, 161) == (175, 1)


def test_a_carrier_takes_no_more_than_it_can() -> None:
    line = TinyLine(3, part_kg=10.0)
    shop = _one(line, [TinyCarrier(100, max_kg=25.0), TinyCarrier(900, max_kg=29.0)])
    assert shipping(shop, 0, 0, 2, 0)[0] == 100
    assert shipping(shop, 0, 0, 3, 0)[0] == NEVER
    assert shipping(shop, 0, 0, 2, 10_000)[0] == NEVER  # nobody leaves any more


def test_a_line_in_several_lots_and_sites() -> None:
    line = TinyLine(6, due=3, late_cents=600, may_split=True)
    machines = [TinyMachine(0, area=30), TinyMachine(0, area=30, free_from=150), TinyMachine(1, area=30)]
    around = Around(
        lot_steps={(0, 0): [TinyStep(ATTENDED, 10, 5, 0, 20, 1.0)]},
        carriers={(0, 0): [TinyCarrier(100, 10, days=2)], (0, 1): [TinyCarrier(300, 0, days=1)]},
        posts=POSTS,
    )
    shop = tiny_shop([line], machines, [[[TinyVariant(0, 10.0, layers=20)]]], around)
    draft = Draft(shop, SumRooms([10.0], [30.0]), Sizes(8, 4, 4))
    draft.load([[([(0, 0, 3)], 30.0)], [([(0, 0, 1)], 10.0)], [([(0, 0, 2)], 20.0)]])
    assert draft.missing == 0
    # Site 0: lots done at 20 and 170. Steps 10 + 15 = 25 minutes, 45 cents; 10 + 5 = 15 minutes, 35 cents. Ready at
    # 185, it leaves on day 2, is there on day 4, one day late with 4 of 6 pieces: 400. Freight 100 + 4 kg x 10 = 140.
    # Site 1: no steps, ready at 20, leaves on day 0: 300, in time.
    assert draft.cents == 45 + 35 + 140 + 400 + 300
    assert int(draft.book.standing[0]["late"]) == 1


def test_plate_steps_are_paid_once_a_plate() -> None:
    around = Around(plate_steps={(0, 0): [TinyStep(ATTENDED, 30, 0, 0, 100, 2.0)]}, carriers={(0, 0): [TinyCarrier()]})
    shop = tiny_shop([TinyLine(), TinyLine()], [TinyMachine()], [[[TinyVariant(0, 10.0)]]] * 2, around)
    draft = Draft(shop, SumRooms([10.0], [100.0]), Sizes(8, 4, 4))
    draft.load([[([(0, 0, 1), (1, 1, 1)], 20.0)]])
    assert draft.cents == 160
    draft.load([[([(0, 0, 1)], 10.0), ([(1, 1, 1)], 10.0)]])
    assert draft.cents == 320
    times = draft.book.times[0]
    assert np.array_equal(times["done"][:2], [31, 32])
