"""Checks of what builds and lots cost, and of who bears it (RULES.md, sections 4 and 5)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from router.audit.book import Book, BuildEntry, LotEntry
from router.audit.fair import build_shares, plate_step_shares
from router.audit.figures import Cents, agrees, cents, fairly_rounded, largest_remainder, near, settled
from router.audit.finding import Notebook
from router.domain.plan import LineShare
from router.kernel.moments import to_datetime


def build_items(entry: BuildEntry) -> dict[str, Cents]:
    """Derived cents by field name of BuildCost."""
    return {name: cents(exact) for name, exact in entry.melt.items}


def build_total(entry: BuildEntry) -> int:
    """A build's cost, item by item as derived."""
    return sum(settled(getattr(entry.build.cost, name), amount) for name, amount in build_items(entry).items())


def plate_steps_total(entry: BuildEntry) -> int:
    """Cost of a build's plate steps as derived; as stated when a step has nobody to do it."""
    if entry.journey.gaps:
        return entry.build.plate_steps_cents
    return settled(entry.build.plate_steps_cents, entry.journey.cost)


def lot_total(entry: LotEntry) -> int:
    """Cost of a lot's steps as derived; as stated when a step has nobody to do it."""
    stated = 0 if entry.lot is None else entry.lot.cost_cents
    return stated if entry.gaps else settled(stated, entry.journey.cost)


def check_build_costs(book: Book, notes: Notebook) -> None:
    """Every item of every build, energy and emissions."""
    for entry in book.builds.values():
        build, melt = entry.build, entry.melt
        for name, amount in build_items(entry).items():
            notes.look("items of build cost")
            stated = getattr(build.cost, name)
            if not agrees(stated, amount):
                notes.add("wrong-build-cost", f"{entry.where}, {name}", f"{stated} cents", f"{amount[1]} cents")
        notes.look("energy and carbon of builds", 3)
        if not near(build.kwh, melt.kwh):
            notes.add("wrong-energy", entry.where, f"{build.kwh!r} kWh", f"{melt.kwh!r} kWh")
        if not near(build.co2e_kg, melt.co2e_kg):
            notes.add("wrong-build-co2e", entry.where, f"{build.co2e_kg!r} kg", f"{melt.co2e_kg!r} kg")
        carbon = cents(melt.carbon_exact)
        if not agrees(build.carbon_cents, carbon):
            notes.add("wrong-build-carbon-cost", entry.where, f"{build.carbon_cents} cents", f"{carbon[1]} cents")


def check_plate_steps(book: Book, notes: Notebook) -> None:
    """Cost of powder removal, stress relief and plate removal."""
    for entry in book.builds.values():
        notes.look("cost of plate steps")
        stated = entry.build.plate_steps_cents
        if not entry.journey.gaps and not agrees(stated, entry.journey.cost):
            notes.add("wrong-plate-steps-cost", entry.where, f"{stated} cents", f"{entry.journey.cost[1]} cents")


def check_shares(book: Book, notes: Notebook) -> None:
    """Every line on a plate has one share, the right one, and the shares sum to the cost."""
    for entry in book.builds.values():
        stated: dict[str, LineShare] = {}
        for share in entry.build.shares:
            if share.line_id in stated:
                notes.add("duplicate-id", f"{entry.where}, share of {share.line_id}", "more than one", "one")
            elif share.line_id not in entry.pieces_of:
                notes.add("share-extra", entry.where, f"share of {share.line_id}", "only lines on the plate")
            stated.setdefault(share.line_id, share)
        missing = [x for x in entry.pieces_of if x not in stated]
        for line_id in missing:
            notes.add("share-missing", entry.where, f"no share of {line_id}", "a share for every line on the plate")
        for line_id, pieces in entry.pieces_of.items():
            notes.look("pieces in shares")
            if line_id in stated and stated[line_id].pieces != pieces:
                notes.add(
                    "wrong-share-pieces",
                    f"{entry.where}, share of {line_id}",
                    f"{stated[line_id].pieces} pieces",
                    f"{pieces}",
                )
        if not missing:
            asked = {x: book.scenario.line[x].coupons > 0 for x in entry.pieces_of}
            shares = [stated[x] for x in entry.pieces_of]
            total = build_total(entry)
            exact = build_shares(entry.melt, entry.params, entry.bodies, total, asked)
            _check_split(entry, shares, "build cost", lambda s: s.build_cents, total, exact, notes)
            total = plate_steps_total(entry)
            exact = plate_step_shares(entry.bodies, total, asked)
            _check_split(entry, shares, "plate steps", lambda s: s.plate_steps_cents, total, exact, notes)


def _check_split(
    entry: BuildEntry,
    shares: Sequence[LineShare],
    what: str,
    amount: Callable[[LineShare], int],
    total: int,
    exact: dict[str, float],
    notes: Notebook,
) -> None:
    notes.look(f"shares of {what}", len(shares))
    stated = [amount(s) for s in shares]
    if sum(stated) != total:
        notes.add(
            "shares-do-not-sum", f"{entry.where}, {what}", f"{sum(stated)} cents over all lines", f"{total} cents"
        )
    if fairly_rounded(stated, total, list(exact.values())):
        return
    for share, found, expected in zip(shares, stated, largest_remainder(total, list(exact.values())), strict=True):
        if found != expected:
            notes.add(
                "wrong-share",
                f"{entry.where}, {what}, line {share.line_id}",
                f"{found} cents",
                f"{expected} cents (exactly {exact[share.line_id]:.4f})",
            )


def check_lots(book: Book, notes: Notebook) -> None:
    """Every line of every build has its lot, ready when it can be and as dear as its steps."""
    stated = {(x.line_id, x.build_id) for x in book.plan.lots}
    for entry in book.lots.values():
        notes.look("lots", 3)
        lot, journey = entry.lot, entry.journey
        if lot is None:
            if (entry.line.line_id, entry.build.build.build_id) in stated:
                continue  # it is there but cannot be read, which has a finding
            notes.add("lot-missing", entry.where, "no lot", f"a lot of {entry.pieces} pieces")
            continue
        if lot.pieces != entry.pieces:
            notes.add("wrong-lot-pieces", entry.where, f"{lot.pieces} pieces", f"{entry.pieces} on the plate")
        if entry.gaps:
            continue
        if journey.ready is None or to_datetime(journey.ready) != lot.ready_at:
            notes.add(
                "wrong-lot-ready",
                entry.where,
                book.stated(lot.ready_at, entry.build.site),
                book.shown(journey.ready, entry.build.site),
            )
        if not agrees(lot.cost_cents, journey.cost):
            notes.add("wrong-lot-cost", entry.where, f"{lot.cost_cents} cents", f"{journey.cost[1]} cents")
    for stray in book.plan.lots:
        notes.look("lots stand for pieces on plates")
        known = stray.build_id in book.known and stray.line_id in book.lines
        if known and (stray.line_id, stray.build_id) not in book.lots:
            notes.add(
                "lot-extra",
                f"lot of {stray.line_id} from {stray.build_id}",
                f"{stray.pieces} pieces",
                "no lot, the line is not on that plate",
            )
