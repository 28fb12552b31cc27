"""Customers and sites for the planner's engine: one machine a site, one build a machine, room a mere sum.

A customer is a line of its pieces; serving it is freight, opening a site is the start of its only build: nothing is
dispatched after the first minute, so a second build on a machine comes too late for any carrier.
"""

from __future__ import annotations

from router.scheduling.draft import Care, Draft
from router.scheduling.rooms import SumRooms
from router.scheduling.shop import Shop
from router.scheduling.solve import Outcome, SolveParams, solve
from tests.bench.plain_shop import UNIT_CENTS, PlainLine, PlainMachine, PlainVariant, plain_shop
from tests.bench.plan_case import Ask, Found
from tests.bench.sites_problem import Loads, SitesProblem, load_faults, load_value

_ONE_BUILD = 1


def care_for(problem: SitesProblem) -> Care:
    """A plate filled by a mere sum may be filled to its edge; and with one build a machine most places for a second
    are refused, so all are kept in view."""
    sites = len(problem.capacity)
    return Care(joins=max(10, sites), fresh=2 * sites + 4, cover=1.0)


def shop_of(problem: SitesProblem) -> tuple[Shop, SumRooms]:
    """The planner's model of a problem; one unit of cost is ``UNIT_CENTS`` cents."""
    n_c, n_s = len(problem.pieces), len(problem.capacity)
    # Sizes that do not hang on the site need one shape a customer.
    alike = all(len(set(row)) == 1 for row in problem.size)
    shape = {(c, s): c if alike else c * n_s + s for c in range(n_c) for s in range(n_s)}
    sizes = [0.0] * (max(shape.values()) + 1)
    for (c, s), number in shape.items():
        sizes[number] = problem.size[c][s]
    room = sorted(set(problem.capacity)) if alike else list(problem.capacity)
    plates = [room.index(problem.capacity[s]) if alike else s for s in range(n_s)]
    models = [0] * n_s if alike else list(range(n_s))
    machines = [
        PlainMachine(
            site=s,
            model=models[s],
            plate=plates[s],
            area=float(problem.capacity[s]),
            start_cents=problem.fixed[s] * UNIT_CENTS,
        )
        for s in range(n_s)
    ]
    variants = [
        [[PlainVariant(shape[c, s], problem.size[c][s], height_min=_ONE_BUILD)] for s in range(1 if alike else n_s)]
        for c in range(n_c)
    ]
    lines = [
        PlainLine(
            quantity=problem.pieces[c],
            freight=[problem.price(c, s) * UNIT_CENTS for s in range(n_s)],
            may_split=problem.split,
        )
        for c in range(n_c)
    ]
    return plain_shop(lines, machines, variants, _ONE_BUILD), SumRooms(sizes, room)


def loads_of(draft: Draft) -> Loads:
    """Pieces by customer and site of the engine's plan."""
    loads: dict[tuple[int, int], int] = {}
    for k, site in enumerate(draft.site):
        for plate in draft.queue(k):
            for line, _, pieces in draft.lines_on(plate):
                loads[line, site] = loads.get((line, site), 0) + pieces
    return loads


def ours(problem: SitesProblem, ask: Ask) -> Found:
    """Plan within the time asked."""
    shop, rooms = shop_of(problem)
    cents = None if ask.bound is None else ask.bound * UNIT_CENTS
    params = SolveParams(ask.seed, ask.seconds, ask.work, ask.workers, care_for(problem))
    return judged(problem, solve(shop, rooms, params, bound=cents, started=ask.began))


def greedy(problem: SitesProblem, ask: Ask) -> Found:
    """The engine's first plan."""
    shop, rooms = shop_of(problem)
    return judged(problem, solve(shop, rooms, SolveParams(ask.seed, None, 0, 1, care_for(problem)), started=ask.began))


def judged(problem: SitesProblem, outcome: Outcome) -> Found:
    """An outcome of the engine, checked and its value worked out anew."""
    draft = outcome.draft
    builds = max((len(draft.queue(k)) for k in range(len(draft.site))), default=0)
    note = f"{outcome.work} rounds; {outcome.stop_reason}"
    if draft.missing:
        return Found(None, status=f"incomplete: {draft.missing} pieces find no place", note=note)
    loads = loads_of(draft)
    wrong = load_faults(problem, loads) + (["more than one build on a machine"] if builds > 1 else [])
    if wrong:
        return Found(None, status=f"unsound: {'; '.join(wrong[:3])}", note=note)
    value = load_value(problem, loads)
    claimed = draft.cents / UNIT_CENTS
    # Each shipment and each start is rounded to a cent.
    if abs(value - claimed) > (len(loads) + len(problem.capacity)) / UNIT_CENTS:
        return Found(None, status=f"unsound: the engine says {claimed:g}, the check {value:g}", note=note)
    reached = [t for t, _, cents in outcome.trace if cents <= draft.cents]
    trace = tuple((t, cents / UNIT_CENTS) for t, _, cents in outcome.trace)
    return Found(value, to_best_s=reached[0] if reached else None, note=note, rounds=outcome.work, trace=trace)


def warm_up(problem: SitesProblem) -> None:
    """A few rounds on a problem, so that every kernel is compiled."""
    shop, rooms = shop_of(problem)
    solve(shop, rooms, SolveParams(1, None, 40, 1, care_for(problem)))
