"""Ship or print local: for every line, every site that could build it, given the rest of the plan.

The line is taken out of the plan and put back at each site in turn, at the best place found there. The difference of
the whole plan's landed cost is the marginal cost; what the line would bear on fair shares of its plates is the
fair cost. The plan itself is left as it was.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

from router.costing import line_shares
from router.domain.result import LineOptions, SiteOption
from router.kernel.moments import to_datetime
from router.planning.insertion import Inserter
from router.planning.plate_state import PlateState
from router.planning.problem import Problem
from router.planning.publish import NO_PLACE, plate_fill, plate_members, plate_names
from router.planning.removal import remove, whole_lines
from router.planning.state import State, Undo

STOPPED = "not worked out: the run was stopped"
OUT_OF_TIME = "not worked out: the time for the tables was up"
NOT_TAKEN_OUT = "not worked out: the plan cannot be run without the line where it stands"


def trade_offs(
    state: State,
    progress: Callable[[int], None] | None = None,
    until: float | None = None,
    cancel: threading.Event | None = None,
) -> tuple[LineOptions, ...]:
    """The options of every line, in the order of the book.

    After ``until`` (monotonic seconds), or once ``cancel`` is set, the other sites of the lines left are not worked
    out, and say so.
    """
    wanted = range(len(state.problem.lines))
    tables = []
    names = plate_names(state)
    for done, line in enumerate(wanted, start=1):
        cut_off = None
        if cancel is not None and cancel.is_set():
            cut_off = STOPPED
        elif until is not None and time.monotonic() > until:
            cut_off = OUT_OF_TIME
        tables.append(line_options(state, line, names, cut_off))
        if progress is not None:
            progress(done)
    return tuple(tables)


def line_options(
    state: State, line: int, names: dict[int, str], cut_off: str | None = None, apart: Collection[int] = ()
) -> LineOptions:
    """The options of one line. The state is changed meanwhile and then as it was.

    With a reason to ``cut_off`` the sites it is not built at are not worked out. A marginal cost that counts money of
    lines ``apart`` is None: one of them costs otherwise with the line there than without it.
    """
    problem = state.problem
    line_id = problem.lines[line].line_id
    # A generator of its own a line, all lines only asked about alike: no table hangs on the tables before it.
    inserter = Inserter(state, random.Random(min(line, len(problem.scenario.lines))))
    able = problem.sites_for(line)
    delivered = list(state.deliveries(line))
    chosen = tuple(site_id for site_id, _, _ in delivered)
    on = [p for _, plate_ids, _ in delivered for p in plate_ids if p in names]
    plates = [(names[p], _fill(problem, state.plates[p])) for p in on]
    pieces = {site_id: sum(state.plates[p].items[line].pieces for p in ids) for site_id, ids, _ in delivered}
    with_cents, with_stakes = state.total_cents, state.stakes(apart)
    found: dict[str, SiteOption] = {}
    journal: list[Undo] = []
    here = _describe(state, line, names, {}, True, None)
    taken_out = cut_off is None and (not chosen or remove(state, whole_lines(state, [line]), journal))
    without_cents, without_stakes = state.total_cents, state.stakes(apart)
    plates_before = dict(state.plates)
    for site_id in able:
        if site_id in chosen or not taken_out:
            continue
        mark = len(journal)
        if inserter.insert(line, journal, (site_id,)):
            marginal = state.total_cents - without_cents if state.stakes(apart) == without_stakes else None
            found[site_id] = _describe(state, line, names, plates_before, False, marginal)[site_id]
        state.undo_to(journal, mark)
    state.undo_to(journal, 0)
    for site_id in chosen:
        marginal = with_cents - without_cents if taken_out and with_stakes == without_stakes else None
        found[site_id] = replace(here[site_id], marginal_cents=marginal)
    sites = []
    for site in problem.network.sites:
        option = found.get(site.site_id)
        if option is None:
            why = problem.eligibility.why_not(line_id, site.site_id)
            if not why:
                why = (cut_off or (NO_PLACE if taken_out else NOT_TAKEN_OUT),)
            option = _impossible(site.site_id, why)
        sites.append(option)
    return LineOptions(line_id, chosen, _sentence(problem, line, chosen, sites, plates, pieces), tuple(sites))


def _impossible(site_id: str, reasons: tuple[str, ...]) -> SiteOption:
    return SiteOption(
        site_id=site_id,
        possible=False,
        reasons=reasons,
        chosen=False,
        fair_cents=None,
        marginal_cents=None,
        ready_at=None,
        arrive_date=None,
        late_days=None,
        co2e_kg=None,
        distance_km=None,
        carrier_id=None,
        machine_id=None,
        orientation=None,
        joins_build_id=None,
        fill_before=None,
        fill_after=None,
    )


def _describe(
    state: State,
    line: int,
    names: dict[int, str],
    plates_before: dict[int, PlateState],
    chosen: bool,
    marginal: int | None,
) -> dict[str, SiteOption]:
    """The line as it stands now in the state, by site."""
    problem = state.problem
    described = {}
    for site_id, plate_ids, delivery in state.deliveries(line):
        fair = delivery.cents
        co2e = delivery.shipping.quote.co2e_kg
        for plate_id in plate_ids:
            plate = state.plates[plate_id]
            build_cents, emitted = _share(state, plate, line)
            fair += build_cents
            co2e += emitted
        main = max(plate_ids, key=lambda p: (state.plates[p].items[line].pieces, -p))
        plate = state.plates[main]
        alone = len(plate.items) == 1
        before = _fill(problem, plates_before[main]) if main in plates_before else None
        if chosen:
            before = None if alone else _fill(problem, plate, without=line)
        described[site_id] = SiteOption(
            site_id=site_id,
            possible=True,
            reasons=(),
            chosen=chosen,
            fair_cents=fair,
            marginal_cents=marginal,
            ready_at=to_datetime(delivery.shipping.ready),
            arrive_date=delivery.shipping.arrive_date,
            late_days=delivery.shipping.late_days,
            co2e_kg=co2e,
            distance_km=delivery.shipping.quote.distance_km,
            carrier_id=delivery.shipping.quote.carrier_id,
            machine_id=problem.machines[plate.machine].machine_id,
            orientation=plate.items[line].choice.orientation,
            joins_build_id=None if alone else names.get(main),
            fill_before=before,
            fill_after=_fill(problem, plate),
        )
    return described


def _fill(problem: Problem, plate: PlateState, without: int | None = None) -> float:
    members = plate_members(problem, plate, without)
    return plate_fill(problem.machines[plate.machine].plate, members)


def carbon_share(state: State, line: int) -> int:
    """What of a line's fair cost is the carbon of its builds: borne with the plate steps, by footprint."""
    plate_ids = [p for _, plates, _ in state.deliveries(line) for p in plates]
    return sum(
        _share(state, state.plates[p], line)[0] - _share(state, state.plates[p], line, with_carbon=False)[0]
        for p in plate_ids
    )


def _share(state: State, plate: PlateState, line: int, with_carbon: bool = True) -> tuple[int, float]:
    """Fair share of a line of its plate's build, plate steps and carbon; and of its emissions by footprint."""
    problem = state.problem
    rates = problem.build_terms(plate.machine, plate.parameter_set_id).rates
    members = plate_members(problem, plate)
    exposure_s = plate.exposure_h * 3600
    build_cents = rates.cost(plate.layers, exposure_s, plate.melted_kg).total_cents
    shares = line_shares(
        rates,
        build_cents,
        (rates.carbon_cents(plate.layers, exposure_s) if with_carbon else 0) + state.times[plate.plate_id].steps_cents,
        members,
        {problem.lines[i].line_id for i in plate.items if problem.lines[i].coupons},
    )
    line_id = problem.lines[line].line_id
    share = next(s for s in shares if s.line_id == line_id)
    part = share.build_cents / build_cents if build_cents else 0.0
    return share.build_cents + share.plate_steps_cents, rates.co2e_kg(plate.layers, exposure_s) * part


def _on_plates(plates: Sequence[tuple[str, float]]) -> str:
    *most, last = (f"{name} ({fill:.0%} full)" for name, fill in plates)
    return f"it stands on plates {', '.join(most)} and {last}"


def _on_its_plate(option: SiteOption) -> str:
    now, was = f"{option.fill_after:.0%}", f"{option.fill_before or 0:.0%}"
    if not option.joins_build_id:
        return f"it fills a plate of its own to {now}"
    rise = f"raising its fill from {was} to {now}" if was != now else f"which is {now} full with it as without"
    return f"it joins plate {option.joins_build_id}, {rise}"


def _due(late_days: int | None) -> str:
    return "in time" if not late_days else f"{late_days} day{'s' if late_days != 1 else ''} late"


def _parts_arrive(name: Mapping[str, str], own: list[SiteOption], pieces: Mapping[str, int]) -> str:
    """When a line split over sites arrives: each part by itself unless all are told the same."""
    told = {_due(o.late_days) for o in own}
    if len(told) == 1:
        return f"all of it arrives {told.pop()}"
    parts = [(pieces[o.site_id], f"from {name[o.site_id]} {_due(o.late_days)}") for o in own]
    first = f"{parts[0][0]} of its {sum(pieces.values())} pieces arrive {parts[0][1]}"
    *middle, last = (f"{many} {how}" for many, how in parts[1:])
    return f"{', '.join([first, *middle])} and {last}"


def _sentence(
    problem: Problem,
    line: int,
    chosen: tuple[str, ...],
    sites: list[SiteOption],
    plates: Sequence[tuple[str, float]],
    pieces: Mapping[str, int],
) -> str:
    """Why the chosen site won, in one plain sentence.

    ``plates``: name and fill of those the line is on; ``pieces``: how many of it each chosen site builds.
    """
    name = {s.site_id: s.name for s in problem.network.sites}
    if not chosen:
        if problem.sites_for(line):
            return "Some site could build it, but no place was found for it in this plan."
        return "It cannot be built anywhere in this network; each site's reasons are given."
    own = [s for s in sites if s.chosen]
    others = [s for s in sites if s.possible and not s.chosen]
    place = " and ".join(name[s] for s in chosen)
    nearest = problem.sites_by_distance(line)[0]
    local = nearest in chosen
    lead = own[0]
    joined = _on_plates(plates) if len(plates) > 1 else _on_its_plate(lead)
    due = _due(lead.late_days)
    if len(chosen) > 1:
        return f"Split between {place}: {joined}, and {_parts_arrive(name, own, pieces)}."
    if not others:
        only = "the only site that can build it"
        return f"{place} is {only}; {joined}, and it arrives {due}."
    where = (
        "Printed at the nearest able site" if local else f"Shipped from {place} rather than printed in {name[nearest]}"
    )
    place_part = f", {place}" if local else ""
    ranked = sorted((s.marginal_cents, s.site_id) for s in others if s.marginal_cents is not None)
    if lead.marginal_cents is None or len(ranked) < len(others):
        # Which is the next best cannot be said.
        return f"{where}{place_part}: {joined}, and it arrives {due}."
    rival_cents, rival_id = ranked[0]
    difference = (rival_cents - lead.marginal_cents) / 100
    currency = problem.network.currency
    if difference >= 0:
        return (
            f"{where}{place_part}: the whole plan costs {difference:,.2f} {currency} less than with it at "
            f"{name[rival_id]}, the next best; {joined}, and it arrives {due}."
        )
    return (
        f"{where}{place_part}: {joined}, and it arrives {due}. Moved alone to {name[rival_id]} the plan would"
        f" cost {-difference:,.2f} {currency} less; the search did not get to that move."
    )
