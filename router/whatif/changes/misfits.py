"""All that a network does not allow of a change: every name it does not know, before what only making it shows."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from router.domain.network import Network
from router.formats.wording import found
from router.kernel.faults import Fault
from router.whatif.changes.effects import Misfit, apply, known, place_of
from router.whatif.changes.records import (
    AddMachine,
    AddSite,
    Change,
    ChangeCarrier,
    ChangeRate,
    ChangeShift,
    CloseSite,
    Demand,
    MoveSite,
    Placed,
    QualifyAlloy,
    RetireMachine,
)

Numbered = Sequence[tuple[int, Change]]
"""Changes with their numbers in the file, the first being 1."""


def misfits(changes: Numbered, base: Network, file: str, made_elsewhere: Collection[str] = ()) -> list[Fault]:
    """Faults of all changes that do not fit the base, each tried on what the fitting ones before it left.

    ``made_elsewhere``: names that changes not among these would make. That such a name, or one that a misfit would
    make, is not there is no fault of its own.
    """
    promised = {found(name) for name in made_elsewhere}
    faults = []
    for number, change in changes:
        wrong = list(_unknown(change, base))
        if not wrong:
            try:
                base = apply(change, base)
            except Misfit as misfit:
                wrong = [misfit]
        if wrong:
            promised |= {found(name) for name in _names_made(change)}
        where = f"change {number} ({change.change})"
        for one in wrong:
            if one.found not in promised or one.field.endswith("id"):
                faults.append(Fault(file, where, one.field, one.found, one.expected))
    return faults


def _names_made(change: Change) -> list[str]:
    if isinstance(change, AddSite):
        return [change.id, *(m.id for m in change.machines)]
    return [change.id] if isinstance(change, AddMachine) else []


def _unknown(change: Change, network: Network) -> Iterator[Misfit]:
    """Names that are not known, and a place that is not found when there are such names."""
    wrong = False
    for field, name, names, what in _names_used(change, network):
        try:
            known(field, name, names, what)
        except Misfit as misfit:
            wrong = True
            yield misfit
    if wrong and isinstance(change, Placed):
        try:
            place_of(change)
        except Misfit as misfit:
            yield misfit


def _names_used(change: Change, network: Network) -> Iterator[tuple[str, str, Iterable[str], str]]:
    """Field, name, names there are, and what they are of."""
    sites, machines, alloys = network.site, network.machine, network.alloy
    if isinstance(change, AddSite):
        yield "like", change.like, sites, "site"
        for n, machine in enumerate(change.machines):
            yield f"machines[{n}] like", machine.like, machines, "machine"
            for alloy in machine.alloys:
                yield f"machines[{n}] alloys", alloy, alloys, "alloy"
    if isinstance(change, CloseSite | MoveSite | ChangeShift | AddMachine):
        yield "site", change.site, sites, "site"
    if isinstance(change, AddMachine):
        yield "like", change.like, machines, "machine"
    if isinstance(change, RetireMachine | QualifyAlloy):
        yield "machine", change.machine, machines, "machine"
    if isinstance(change, QualifyAlloy):
        yield "alloy", change.alloy, alloys, "alloy"
    if isinstance(change, ChangeRate):
        if change.site is not None:
            yield "site", change.site, sites, "site"
        if change.machine is not None and change.of == "machine":
            yield "machine", change.machine, machines, "machine"
    if isinstance(change, ChangeCarrier) and change.carrier is not None:
        yield "carrier", change.carrier, network.carrier, "carrier"
    if isinstance(change, Demand):
        for n, alloy in enumerate(change.alloys):
            yield f"alloys[{n}]", alloy, alloys, "alloy"
