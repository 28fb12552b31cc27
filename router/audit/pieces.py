"""Checks of what stands together on a plate (RULES.md, sections 2 and 3)."""

from __future__ import annotations

from router.audit.book import Book
from router.audit.figures import near
from router.audit.finding import Notebook

HEIGHT_SLACK_MM = 1e-6


def check_mixture(book: Book, notes: Notebook) -> None:
    """One parameter set and alloy a plate, and restricted lots alone."""
    for entry in book.builds.values():
        for line_id in entry.pieces_of:
            line = book.scenario.line[line_id]
            where = f"{entry.where}, line {line_id}"
            notes.look("parameter set and alloy of the plate")
            if line.alloy_id != entry.alloy.alloy_id:
                notes.add("wrong-alloy", where, f"a plate of {entry.alloy.alloy_id}", line.alloy_id)
            elif line.parameter_set_id != entry.params.parameter_set_id:
                notes.add(
                    "wrong-parameter-set",
                    where,
                    f"a plate with {entry.params.parameter_set_id}",
                    line.parameter_set_id,
                )
            notes.look("restricted lots alone")
            others = [x for x in entry.pieces_of if x != line_id]
            if line.own_plate and others:
                notes.add("own-plate-shared", where, f"plate shared with {', '.join(others)}", "a plate of its own")


def check_coupons(book: Book, notes: Notebook) -> None:
    """As many coupons as the most demanding line asks for."""
    for entry in book.builds.values():
        notes.look("coupons")
        due = max(book.scenario.line[x].coupons for x in entry.pieces_of)
        if entry.coupons < due:
            notes.add("coupons-missing", entry.where, f"{entry.coupons} coupons", f"{due}")
        elif entry.coupons > due:
            notes.add("coupons-extra", entry.where, f"{entry.coupons} coupons", f"{due}")


def check_stance(book: Book, notes: Notebook) -> None:
    """As-modelled lines stand as modelled, a line stands one way on a plate, nothing is taller than the machine."""
    for entry in book.builds.values():
        for line_id in entry.pieces_of:
            notes.look("one orientation of a line on a plate")
            keys = sorted({p.orientation for p in entry.build.pieces if p.line_id == line_id})
            if len(keys) > 1:
                where = f"{entry.where}, line {line_id}"
                notes.add("line-in-several-orientations", where, f"orientations {', '.join(keys)}", "one orientation")
        tallest = entry.machine.height_mm
        for number, (piece, body) in enumerate(zip(entry.build.pieces, entry.bodies, strict=True), start=1):
            where = f"{entry.where}, piece {number}"
            notes.look("stance and height of pieces")
            if body.height_mm > tallest + HEIGHT_SLACK_MM:
                notes.add("too-tall", where, f"{body.height_mm:g} mm", f"at most {tallest:g} mm")
            if piece.line_id is not None and book.scenario.line[piece.line_id].as_modelled and piece.orientation != "a":
                notes.add("not-as-modelled", where, f"orientation {piece.orientation}", "orientation a")


def check_melt_figures(book: Book, notes: Notebook) -> None:
    """Height, layers, exposure and fill as stated."""
    for entry in book.builds.values():
        build, melt = entry.build, entry.melt
        notes.look("height, layers, exposure, fill", 4)
        if not near(build.height_mm, melt.height_mm):
            notes.add("wrong-height", entry.where, f"{build.height_mm!r} mm", f"{melt.height_mm!r} mm")
        if build.layers != melt.layers:
            notes.add("wrong-layers", entry.where, f"{build.layers} layers", f"{melt.layers}")
        if not near(build.exposure_s, melt.exposure_s):
            notes.add("wrong-exposure", entry.where, f"{build.exposure_s!r} s", f"{melt.exposure_s!r} s")
        if not near(build.fill, melt.fill):
            notes.add("wrong-fill", entry.where, f"{build.fill!r}", f"{melt.fill!r}")
