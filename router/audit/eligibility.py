"""Checks of what may be built where (RULES.md, section 2), on the builds as planned."""

from __future__ import annotations

from router.audit.book import Book, LotEntry
from router.audit.changes import within_reach
from router.audit.finding import Notebook
from router.audit.journey import Journey


def check_machine_alloy(book: Book, notes: Notebook) -> None:
    """The machine lists the alloy and can come to it."""
    for entry in book.builds.values():
        machine, alloy_id = entry.machine, entry.alloy.alloy_id
        notes.look("alloy on the machine")
        if alloy_id not in machine.alloys:
            notes.add(
                "alloy-not-on-machine",
                entry.where,
                f"{alloy_id} on {machine.machine_id}",
                f"one of {', '.join(machine.alloys)}",
            )
        if not within_reach(book.net, machine, alloy_id):
            notes.add(
                "alloy-out-of-reach",
                entry.where,
                f"{alloy_id} on {machine.machine_id}, loaded with {machine.loaded_alloy_id}",
                "the loaded alloy or one permitted change from it",
            )


def check_site_credentials(book: Book, notes: Notebook) -> None:
    """Registrations, accreditations and customer approval, on the site's own date of the run start."""
    for entry in book.builds.values():
        site = entry.site
        day = entry.build.run_start.astimezone(entry.calendar.zone).date()
        for line_id in entry.pieces_of:
            line = book.scenario.line[line_id]
            where = f"{entry.where}, line {line_id}"
            notes.look("credentials of the site", 1 + len(line.accreditations))
            if line.export_control is not None and not site.holds(line.export_control, day):
                notes.add("export-code-not-held", where, f"{site.site_id} on {day}", f"holder of {line.export_control}")
            for code in line.accreditations:
                if not site.holds(code, day):
                    notes.add("accreditation-not-held", where, f"{site.site_id} on {day}", f"holder of {code}")
            if line.approved_sites and site.site_id not in line.approved_sites:
                notes.add("site-not-approved", where, site.site_id, f"one of {', '.join(line.approved_sites)}")


def check_ways_through(book: Book, notes: Notebook) -> None:
    """Every step has someone to do it, who may have the pieces."""
    for entry in book.builds.values():
        _check_way(entry.where, entry.site.site_id, entry.journey, notes)
    for lot in book.lots.values():
        _check_way(lot.where, lot.build.site.site_id, lot.journey, notes)


def _check_way(where: str, site_id: str, journey: Journey, notes: Notebook) -> None:
    notes.look("ways through the steps after the build")
    for gap in journey.gaps:
        if gap.for_want_of == "service":
            notes.add(
                "no-way-through-step", where, f"no {gap.step} at {site_id}", "a work centre or an outside service"
            )
        else:
            notes.add(
                "export-code-not-held-outside",
                where,
                f"no outside service for {gap.step} with the export code on pick-up day",
                "a service that holds it",
            )


def check_outside_named(book: Book, notes: Notebook) -> None:
    """A lot names the outside services of its own steps, chosen as the rules say."""
    for entry in book.lots.values():
        if entry.lot is None:
            continue
        notes.look("outside services")
        if entry.lot.outside != entry.journey.outside and not entry.journey.gaps:
            notes.add("wrong-outside-service", entry.where, _named(entry.lot.outside), _expected(entry))


def _expected(entry: LotEntry) -> str:
    return f"{_named(entry.journey.outside)} (cheapest allowed, own work centres first)"


def _named(services: tuple[str, ...]) -> str:
    return ", ".join(services) or "none"
