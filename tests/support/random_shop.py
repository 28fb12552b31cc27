"""Small random shops, varied in every rule the arrays know. All figures are invented."""

from __future__ import annotations

import random
from dataclasses import dataclass

from exact_rectangles import ExactRectangles
from tiny_shop import Around, TinyCarrier, TinyLine, TinyMachine, TinyStep, TinyVariant, tiny_shop

from router.scheduling.rooms import Rooms, SumRooms
from router.scheduling.shop import ATTENDED, BOUGHT, UNATTENDED, Shop

DAY = 100
_BOARD = (5, 4)


@dataclass(frozen=True, slots=True)
class Case:
    """A shop and its rooms."""

    shop: Shop
    rooms: Rooms
    pieces: int


def random_case(seed: int, most_lines: int = 8, largest: int = 1) -> Case:
    """A shop of 3 to ``most_lines`` lines, some of up to ``largest`` pieces; equal seeds give equal shops."""
    rng = random.Random(seed)
    n_machines = rng.randint(1, 3)
    n_sites = rng.randint(1, min(2, n_machines))
    n_models = rng.randint(1, min(2, n_machines))
    alloy_of = rng.choice(((0,), (0, 1), (0, 1), (0, 0, 1)))
    n_alloys = max(alloy_of) + 1
    rectangles = rng.random() < 0.5
    boards = [(_BOARD[0] - c, _BOARD[1]) for c in range(n_models)]
    n_lines = rng.randint(3, most_lines)
    calm = rng.random() < 0.3
    sizes: list[tuple[int, int]] = []
    lines: list[TinyLine] = []
    variants: list[list[list[TinyVariant]]] = []
    for _ in range(n_lines):
        ways = [(rng.randint(1, 4), rng.randint(1, 3)) for _ in range(rng.choice((1, 1, 2)))]
        ways = [w if w[0] <= boards[-1][0] else (boards[-1][0], w[1]) for w in ways]
        first = len(sizes)
        sizes += ways
        exposure, melt, support = rng.randint(1, 60) / 60, rng.randint(1, 20) / 10, rng.randint(0, 3)
        layers = [rng.randint(5, 40) for _ in ways]
        variants.append(
            [
                [
                    TinyVariant(
                        first + w, a * b, layers[w], exposure, melt, support * (w + 1), width * depth // (a * b)
                    )
                    for w, (a, b) in enumerate(ways)
                ]
                for width, depth in boards
            ]
        )
        quantity = rng.randint(2, largest) if largest > 1 and rng.random() < 0.4 else 1
        lines.append(
            TinyLine(
                quantity=quantity,
                powder=rng.randrange(len(alloy_of)),
                due=rng.randint(9, 14) if calm else rng.randint(0, 7),
                late_cents=rng.choice((50, 300, 1500)),
                release=rng.choice((0, 0, 0, rng.randint(0, 3 * DAY))),
                place=rng.randrange(2),
                route=rng.randrange(2),
                part_kg=rng.randint(1, 30) / 10,
                box_cm3=rng.randint(100, 9000),
                coupons=rng.choice((0, 0, 0, 0, 1)),
                code=rng.choice((0, 0, 0, 0, 1)),
                own_plate=rng.random() < 0.08,
                may_split=rng.random() < 0.3,
                sites=(rng.randrange(n_sites),) if rng.random() < 0.1 else (),
                windows={0: (rng.randint(0, 200), 100_000)} if rng.random() < 0.1 else {},
            )
        )
    sizes.append((1, 1))
    machines = [_machine(rng, k, n_sites, n_models, n_alloys, boards) for k in range(n_machines)]
    changes = {
        (k, a, b): (rng.randint(5, 90), rng.randint(100, 2500))
        for k in range(n_machines)
        for a in range(n_alloys)
        for b in range(n_alloys)
        if a != b
    }
    if n_machines > 1 and n_alloys > 1 and rng.random() < 0.3:
        changes[1, rng.choice(((0, 1), (1, 0)))[0], 0] = (0, 0)
        changes[1, 1, 0] = (-1, 0)
    around = Around(
        alloy_of=alloy_of,
        changes=changes,
        staffed={s: _shifts(rng) for s in range(n_sites)},
        plate_steps={(s, a): _plate_steps(rng) for s in range(n_sites) for a in range(n_alloys)},
        lot_steps={(r, s): _lot_steps(rng) for r in range(2) for s in range(n_sites)},
        trips=_trips(rng),
        carriers={(p, s): _carriers(rng) for p in range(2) for s in range(n_sites)},
        posts=[[((d * DAY) + cutoff, d) for d in range(90) if d % 7 < 5] for cutoff in (60, 80)],
        workdays=lambda d: d % 7 < 5,
        day_min=DAY,
        coupon_area=1.0,
        mass_fraction=0.1,
        fixed_kg=0.3,
        void_factor=1.4,
    )
    shop = tiny_shop(lines, machines, variants, around)
    rooms: Rooms = (
        ExactRectangles(sizes, boards)
        if rectangles
        else SumRooms([w * d for w, d in sizes], [w * d for w, d in boards])
    )
    return Case(shop, rooms, sum(x.quantity for x in lines))


def _machine(
    rng: random.Random, k: int, n_sites: int, n_models: int, n_alloys: int, boards: list[tuple[int, int]]
) -> TinyMachine:
    model = k % n_models
    start = rng.randint(0, 500)
    return TinyMachine(
        site=k % n_sites,
        model=model,
        plate=model,
        area=boards[model][0] * boards[model][1],
        free_from=rng.choice((0, rng.randint(0, 150))),
        loaded=rng.randrange(-1, n_alloys),
        load_min=rng.choice((0, 3, 8)),
        unload_min=rng.choice((0, 4, 9)),
        setup_min=rng.choice((0, 5, 12.5)),
        recoat_s=rng.choice((60.0, 90.0, 45.5)),
        cooldown_min=rng.choice((0, 10)),
        stops=((start, start + rng.randint(20, 200)),) if rng.random() < 0.3 else (),
        start_cents=rng.choice((300, 1500, 4000)),
        layer_cents=rng.choice((5, 20, 60)),
        exposure_cents_h=rng.choice((500.0, 900.5)),
        melt_cents_kg=rng.choice((100.0, 333.3)),
        coupon=(0.05, 0.02, 8),
    )


def _shifts(rng: random.Random) -> list[tuple[int, int]]:
    if rng.random() < 0.3:
        return [(0, 90 * DAY)]
    pause = rng.random() < 0.5
    found = []
    for day in range(90):
        if day % 7 >= 5:
            continue
        parts = [(20, 45), (50, 80)] if pause else [(20, 80)]
        found += [(day * DAY + a, day * DAY + b) for a, b in parts]
    return found


def _plate_steps(rng: random.Random) -> list[TinyStep]:
    found = [TinyStep(rng.choice((ATTENDED, UNATTENDED)), rng.randint(0, 40), 0, 0, rng.randint(0, 300), 2.5)]
    if rng.random() < 0.2:
        found.append(TinyStep(BOUGHT, offers=[(400, 50.5, 1, 0), (300, 60, 0, 1)]))
    return found[: rng.randint(0, 2)]


def _lot_steps(rng: random.Random) -> list[TinyStep]:
    found = [TinyStep(ATTENDED, rng.randint(0, 10), 2.5, 1.0, rng.randint(0, 100), rng.choice((1.0, 4.5)))]
    if rng.random() < 0.3:
        found.append(TinyStep(BOUGHT, offers=[(500, 20, 1, 1), (350, 90, 1, 0)]))
    return found


def _trips(rng: random.Random) -> list[list[tuple[int, int]]]:
    days = (tuple(d for d in range(80) if d % 7 in (1, 3)), tuple(d for d in range(80) if d % 7 < 5))
    return [
        [(d * DAY + 50, (d + lead) * DAY + 25) for d in own]
        for own, lead in zip(days, (2, rng.randint(3, 5)), strict=True)
    ]


def _carriers(rng: random.Random) -> list[TinyCarrier]:
    slow = TinyCarrier(rng.randint(100, 500), rng.choice((10, 45.5)), 5000.0, 1e6, 1.5, rng.randint(2, 4), 0)
    fast = TinyCarrier(rng.randint(600, 2500), 80, 5000.0, 40.0, 12.0, 1, 1, rng.choice((0, 450)))
    return [slow, fast] if rng.random() < 0.8 else [slow]
