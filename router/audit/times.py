"""Checks of what happens when on every machine (RULES.md, sections 1 and 3, Sequence on a machine)."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise

from router.audit.book import Book, BuildEntry
from router.audit.changes import change_rule
from router.audit.figures import Cents, agrees, cents, settled, whole_minutes
from router.audit.finding import Notebook
from router.kernel.moments import to_datetime, to_minute


def first_start(entry: BuildEntry) -> datetime:
    """Start of a build's first activity."""
    change = entry.build.changeover
    return entry.build.load_start if change is None else change.start


def in_sequence(book: Book) -> list[list[BuildEntry]]:
    """The builds of every machine, earliest first."""
    machines: dict[str, list[BuildEntry]] = {}
    for entry in sorted(book.builds.values(), key=lambda e: (first_start(e), e.build.unload_end)):
        machines.setdefault(entry.machine.machine_id, []).append(entry)
    return list(machines.values())


def check_activities(book: Book, notes: Notebook) -> None:
    """Load, run and unload: begun in staffed time, exactly as long as they must be, in order."""
    for entry in book.builds.values():
        build, machine, cal, site = entry.build, entry.machine, entry.calendar, entry.site
        notes.look("load, run, unload", 3)
        load = cal.attended(to_minute(build.load_start), machine.load_min)
        if load is None or to_datetime(load[0]) != build.load_start:
            first = book.shown(load[0] if load else None, site)
            notes.add("load-unstaffed", entry.where, book.stated(build.load_start, site), f"staffed time, from {first}")
        if load is None or to_datetime(load[1]) != build.run_start:
            end = book.shown(load[1] if load else None, site)
            notes.add(
                "run-not-at-load-end",
                entry.where,
                f"run starts {book.stated(build.run_start, site)}",
                f"{end}, when {machine.load_min} staffed min of loading are done",
            )
        run_end = to_minute(build.run_start) + entry.melt.run_min
        if to_datetime(run_end) != build.run_end:
            notes.add(
                "wrong-run-length",
                entry.where,
                f"run ends {book.stated(build.run_end, site)}",
                f"{book.shown(run_end, site)}, after {entry.melt.run_min} min",
            )
        if build.unload_start < build.run_end:
            notes.add(
                "unload-before-run-end",
                entry.where,
                book.stated(build.unload_start, site),
                f"not before {book.stated(build.run_end, site)}",
            )
        unload = cal.attended(to_minute(build.unload_start), machine.unload_min)
        if unload is None or to_datetime(unload[0]) != build.unload_start:
            first = book.shown(unload[0] if unload else None, site)
            notes.add(
                "unload-unstaffed", entry.where, book.stated(build.unload_start, site), f"staffed time, from {first}"
            )
        if entry.unload_end is None or to_datetime(entry.unload_end) != build.unload_end:
            notes.add(
                "wrong-unload-length",
                entry.where,
                f"unloading ends {book.stated(build.unload_end, site)}",
                f"{book.shown(entry.unload_end, site)}, after {machine.unload_min} staffed min",
            )


def check_earliest(book: Book, notes: Notebook) -> None:
    """Nothing before the plan's now, the machine's availability, or the release of a line on the plate."""
    now = book.net.now
    for entry in book.builds.values():
        start = first_start(entry)
        notes.look("earliest starts", 2 + len(entry.pieces_of))
        if start < now:
            notes.add("starts-before-now", entry.where, start.isoformat(), f"not before {now.isoformat()}")
        if start < entry.machine.available_from:
            notes.add(
                "starts-before-machine-available",
                entry.where,
                book.stated(start, entry.site),
                f"not before {book.stated(entry.machine.available_from, entry.site)}",
            )
        for line_id in entry.pieces_of:
            release = book.scenario.line[line_id].release_at
            if entry.build.load_start < release:
                notes.add(
                    "load-before-release",
                    f"{entry.where}, line {line_id}",
                    book.stated(entry.build.load_start, entry.site),
                    f"not before {book.stated(release, entry.site)}",
                )


def check_machine_sequence(book: Book, notes: Notebook) -> None:
    """A machine does one thing at a time."""
    for builds in in_sequence(book):
        for before, after in pairwise(builds):
            notes.look("builds of a machine one after another")
            if first_start(after) < before.build.unload_end:
                notes.add(
                    "machine-double-booked",
                    f"{after.where} on {after.machine.machine_id}",
                    f"starts {book.stated(first_start(after), after.site)}",
                    f"not before {before.where} is unloaded, {book.stated(before.build.unload_end, after.site)}",
                )


def check_maintenance(book: Book, notes: Notebook) -> None:
    """No planned stop between a build's first start and the end of unloading."""
    for entry in book.builds.values():
        start, end = first_start(entry), entry.build.unload_end
        for stop in entry.machine.maintenance:
            notes.look("maintenance windows")
            if start < stop.end and stop.start < end:
                notes.add(
                    "maintenance-touched",
                    f"{entry.where} on {entry.machine.machine_id}",
                    f"{book.stated(start, entry.site)} to {book.stated(end, entry.site)}",
                    f"clear of {book.stated(stop.start, entry.site)} to {book.stated(stop.end, entry.site)}",
                )


def check_changeovers(book: Book, notes: Notebook) -> None:
    """A changeover exactly where the loaded alloy differs, as long and as dear as its rule says."""
    for builds in in_sequence(book):
        loaded = builds[0].machine.loaded_alloy_id
        if builds[0].machine.machine_id in book.half_known:
            continue
        for entry in builds:
            notes.look("changeovers")
            entering = entry.alloy.alloy_id
            change = entry.build.changeover
            if loaded is None or loaded == entering:
                if change is not None:
                    found = f"{change.leaving_alloy_id} to {change.entering_alloy_id}"
                    notes.add("changeover-superfluous", entry.where, found, f"none, {loaded or 'nothing'} is loaded")
            elif change is None:
                notes.add("changeover-missing", entry.where, "none", f"{loaded} to {entering}")
            else:
                _check_changeover(book, entry, loaded, notes)
            loaded = entering


def _check_changeover(book: Book, entry: BuildEntry, loaded: str, notes: Notebook) -> None:
    change, site = entry.build.changeover, entry.site
    assert change is not None
    where = f"{entry.where}, changeover"
    entering = entry.alloy.alloy_id
    if (change.leaving_alloy_id, change.entering_alloy_id) != (loaded, entering):
        found = f"{change.leaving_alloy_id} to {change.entering_alloy_id}"
        notes.add("changeover-wrong-alloys", where, found, f"{loaded} to {entering}")
    if entry.build.load_start < change.end:
        notes.add(
            "load-before-changeover-end",
            where,
            f"loading starts {book.stated(entry.build.load_start, site)}",
            f"not before {book.stated(change.end, site)}",
        )
    rule = change_rule(book.net, loaded, entering)
    if rule is None or rule.hours is None:
        why = "a permitted change" if rule is not None else "a change some rule covers"
        notes.add("changeover-never-permitted", where, f"{loaded} to {entering}", why)
        return
    worked = entry.calendar.attended(to_minute(change.start), whole_minutes(60 * rule.hours))
    if worked is None or to_datetime(worked[0]) != change.start:
        first = book.shown(worked[0] if worked else None, site)
        notes.add("changeover-unstaffed", where, book.stated(change.start, site), f"staffed time, from {first}")
    if worked is None or to_datetime(worked[1]) != change.end:
        end = book.shown(worked[1] if worked else None, site)
        notes.add(
            "changeover-wrong-length",
            where,
            f"ends {book.stated(change.end, site)}",
            f"{end}, after {rule.hours:g} staffed h",
        )
    cost = change_cost(entry, rule.hours, rule.consumables_cents)
    if not agrees(change.cost_cents, cost):
        notes.add("changeover-wrong-cost", where, f"{change.cost_cents} cents", f"{cost[1]} cents")


def change_cost(entry: BuildEntry, hours: float, consumables_cents: int) -> Cents:
    """RULES.md, section 4, Changeover."""
    return cents(hours * (entry.machine.rate_cents_per_h + entry.site.labour_cents_per_h), plus=consumables_cents)


def changeover_total(book: Book) -> int:
    """Cost of the changeovers the plan makes, by their rules; as stated where no rule sets a price."""
    total = 0
    for builds in in_sequence(book):
        loaded = builds[0].machine.loaded_alloy_id
        for entry in builds:
            change, entering = entry.build.changeover, entry.alloy.alloy_id
            if change is not None:
                unknown = loaded in (None, entering) or entry.machine.machine_id in book.half_known
                rule = None if unknown else change_rule(book.net, loaded, entering)
                if rule is None or rule.hours is None:
                    total += change.cost_cents
                else:
                    total += settled(change.cost_cents, change_cost(entry, rule.hours, rule.consumables_cents))
            loaded = entering
    return total
