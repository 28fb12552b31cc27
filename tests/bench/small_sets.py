"""Times the exact answers about few pieces on one plate: contact search, lattice search, and the quick cell search.

    python -m tests.bench.small_sets FILE [--sets 400] [--step 1] [--nodes 20000] [--seed 1]

Reads plate-grouping instances (first line: polygon sets; plate of 20 x 20, given orientation, no spacing), draws sets
that cover 60 to 95 % of the plate, and asks each search. Every layout is checked with shapely.
"""

from __future__ import annotations

import argparse
import gzip
import itertools
import json
import random
import statistics
import time
from collections import Counter
from pathlib import Path

from router.nesting import Nest, Placement, PlateSpec, Shape, confirm, contact_fit, lattice_fit

SIDE = 20.0
SHARES = (0.6, 0.7, 0.8, 0.95)


def main() -> None:
    """Read the command line, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--step", type=float, default=1.0)
    parser.add_argument("--nodes", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with gzip.open(asked.file, "rt") as lines:
        polygons = json.loads(lines.readline())["polygons"]
    kinds = [[Shape.make([(ring, [])], (0.0,)) for ring in rings] for rings in polygons.values()]
    chance = random.Random(asked.seed)
    spec = PlateSpec(SIDE, SIDE, edge_margin_mm=0, spacing_mm=0)
    sets = [draw(kinds, chance) for _ in range(asked.sets)]
    for search in (contact_fit, lattice_fit):
        search(spec, sets[0])  # loads the compiled kernels
    rows = [ask(spec, pieces, asked.step, asked.nodes) for pieces in sets]
    for low, high in [*itertools.pairwise(SHARES), (SHARES[0], SHARES[-1])]:
        part = [row for row in rows if low <= row["share"] < high]
        if part:
            report(f"area {low:.0%} to {high:.0%}", part)


def draw(kinds: list[list[Shape]], chance: random.Random) -> list[Shape]:
    """Three to twelve different pieces of one polygon set within the range of areas."""
    while True:
        kind = chance.choice(kinds)
        pieces = chance.sample(kind, min(chance.randint(3, 12), len(kind)))
        if SHARES[0] <= sum(s.area_mm2 for s in pieces) / SIDE**2 < SHARES[-1]:
            return pieces


def ask(spec: PlateSpec, pieces: list[Shape], step: float, nodes: int) -> dict[str, float]:
    """Answers and milliseconds; the lattice twice, since masks are kept by content."""
    times: list[float] = []

    def timed() -> float:
        now = time.perf_counter()
        times.append(now)
        return 1000 * (now - times[-2]) if len(times) > 1 else 0.0

    timed()
    lattice_fit(spec, pieces, step, nodes)
    first_ms = timed()
    answer = lattice_fit(spec, pieces, step, nodes)
    again_ms = timed()
    contact_fit(spec, pieces)
    timed()
    contact = contact_fit(spec, pieces)
    contact_ms = timed()
    nest = Nest(spec)
    quick = all(nest.add(s) for s in sorted(pieces, key=lambda s: -s.area_mm2))
    check(spec, pieces, answer.placements if answer.status == "yes" else None)
    check(spec, pieces, contact)
    return {
        "share": sum(s.area_mm2 for s in pieces) / SIDE**2,
        "pieces": len(pieces),
        "yes": answer.status == "yes",
        "no": answer.status == "no",
        "first_ms": first_ms,
        "again_ms": again_ms,
        "contact": contact is not None,
        "contact_ms": contact_ms,
        "quick": quick,
    }


def check(spec: PlateSpec, pieces: list[Shape], placements: tuple[Placement, ...] | None) -> None:
    """Stop at a layout that is wrong."""
    if placements is None:
        return
    wrong = confirm(spec, {s.key: s for s in pieces}, placements)
    if wrong or Counter(p.shape_key for p in placements) != Counter(s.key for s in pieces):
        raise SystemExit(f"unsound layout: {wrong}")


def report(title: str, rows: list[dict[str, float]]) -> None:
    """One line a search."""
    count = len(rows)

    def figure(key: str) -> str:
        values = sorted(row[key] for row in rows)
        return f"{statistics.median(values):.2f} / {values[int(0.9 * count)]:.2f} / {values[-1]:.2f}"

    yes, no = (sum(bool(row[key]) for row in rows) for key in ("yes", "no"))
    beyond = sum(bool(row["contact"] and not row["yes"]) for row in rows)
    print(f"{title}, {count} sets of {min(r['pieces'] for r in rows):g} to {max(r['pieces'] for r in rows):g} pieces")
    print(f"  lattice: {yes} yes, {no} no, {count - yes - no} open; ms median / 90 % / most {figure('again_ms')}")
    print(f"           first time asked {figure('first_ms')}")
    found = sum(bool(row["contact"]) for row in rows)
    print(f"  contact: {found} yes, {beyond} of them not on the lattice; ms {figure('contact_ms')}")
    missed = sum(bool(row["yes"] or row["contact"]) and not row["quick"] for row in rows)
    print(f"  quick cell search: {sum(bool(r['quick']) for r in rows)} yes, {missed} sets that fit missed")


if __name__ == "__main__":
    main()
