"""How long a feasibility question takes, and what deep search adds.

    python -m tests.bench.feasibility real_parts.json.gz --json feasibility.json

Plate 241 x 241 mm, 2 mm spacing, 5 mm edge, thirty real outlines (repeats occur) drawn so that, spacing included, they
need a chosen share of the plate. Easy yes: 40 %; easy no: 130 %; tight: 95 %. Every layout is checked exactly. Outlines
have been on a plate before (a plan asks about the same parts over and over); what the first time costs is told apart.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from router.kernel.run import TimeLimit
from router.nesting import Nest, Placement, PlateSpec, Shape, clear_caches, confirm, quick_verdict
from router.nesting.best_subset import best_subset
from router.nesting.plate_fit import fit_all, forget_fits
from router.nesting.verdict import too_large
from tests.bench.cases import RIGHT_ANGLES, read_cases

SPEC = PlateSpec(241.0, 241.0, edge_margin_mm=5.0, spacing_mm=2.0)
OUTLINES = 30
EASY_YES, EASY_NO, TIGHT = 0.40, 1.30, 0.95
_NEAR = 0.01

Question = tuple[tuple[Shape, int], ...]
"""Thirty outlines and how often each is asked for."""


def questions(path: Path, share: float, count: int, seed: int) -> list[Question]:
    """``count`` sets of thirty real outlines whose spaced area is ``share`` of the plate's, to a hundredth of it.

    Raises ``ValueError`` when the file's outlines are too few or too large for that.
    """
    types = {t.outer: t for c in read_cases(path) for t in c.types}
    shapes = list({s.key: s for s in (Shape.make([(t.outer, t.holes)], RIGHT_ANGLES) for t in types.values())}.values())
    shapes = [s for s in shapes if not too_large(SPEC, s)]
    if not shapes:
        raise ValueError(f"{path.name}: no outline fits the plate")
    draw = random.Random(seed)
    return [_question(shapes, share * SPEC.bound_area_mm2, draw) for _ in range(count)]


def _question(shapes: Sequence[Shape], wanted_mm2: float, draw: random.Random) -> Question:
    """A random draw, then random exchanges that bring the area nearer to what is wanted."""
    need = [s.bound_area_mm2(SPEC.spacing_mm) for s in shapes]
    drawn = draw.choices(range(len(shapes)), k=OUTLINES)
    total = math.fsum(need[i] for i in drawn)
    for _ in range(100_000):
        if abs(total - wanted_mm2) <= _NEAR * SPEC.bound_area_mm2:
            return tuple((shapes[i], drawn.count(i)) for i in sorted(set(drawn)))
        place, other = draw.randrange(OUTLINES), draw.randrange(len(shapes))
        changed = total - need[drawn[place]] + need[other]
        if abs(changed - wanted_mm2) < abs(total - wanted_mm2):
            drawn[place], total = other, changed
    raise ValueError(f"no {OUTLINES} outlines need {wanted_mm2:.0f} mm2")


def main(arguments: Sequence[str] | None = None) -> int:
    """Print and record the figures; 1 if a layout was unsound or an easy question got the wrong answer."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.feasibility", description=__doc__.split("\n")[0])
    parser.add_argument("file", type=Path, help="real_parts.json.gz or a file of its format")
    parser.add_argument("--sets", type=int, default=30, help="questions of each kind (default 30)")
    parser.add_argument("--deep-sets", type=int, default=8, help="tight sets given to deep search (default 8)")
    parser.add_argument("--seconds", type=float, default=10.0, help="deep search on each tight set (default 10)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args(arguments)
    figures = {**_latencies(options), **_depth(options)}
    if options.json:
        options.json.write_text(json.dumps(figures, indent=1) + "\n")
    for name, value in figures.items():
        print(f"{name:<40} {value}")
    return int(any(figures[name] for name in ("unsound", "easy_yes_wrong", "easy_no_wrong")))


def _latencies(options: argparse.Namespace) -> dict[str, float]:
    figures: dict[str, float] = {"outline_first_time_median_ms": _first_time(options)}
    for kind, share, wanted in (("easy_yes", EASY_YES, "yes"), ("easy_no", EASY_NO, "no")):
        asked = questions(options.file, share, options.sets, options.seed + 1)
        figures[f"{kind}_wrong"] = figures[f"{kind}_unanswered"] = 0
        forget_fits()
        for call, ask in (("quick_verdict", _quick), ("fit_all", _fit)):
            spent, known = [], []
            for question in asked:
                milliseconds, answer = _timed(ask, question)
                spent.append(milliseconds)
                known.append(_timed(ask, question)[0])
                figures[f"{kind}_unanswered"] += answer == "unknown"
                figures[f"{kind}_wrong"] += answer not in (wanted, "unknown")
            figures[f"{kind}_{call}_median_ms"] = round(statistics.median(spent), 3)
            figures[f"{kind}_{call}_p90_ms"] = round(statistics.quantiles(spent, n=10)[-1], 3)
            figures[f"{kind}_{call}_again_median_ms"] = round(statistics.median(known), 3)
    return figures


def _first_time(options: argparse.Namespace) -> float:
    """Ask once about every outline by itself: what an outline costs the first time, compiled code loaded before."""
    shapes = {s.key: s for t in questions(options.file, EASY_NO, 3, options.seed) for s, _ in t}
    quick_verdict(SPEC, [(Shape.make([(((0, 0), (9, 0), (0, 9)), ())], RIGHT_ANGLES), 1)])
    spent = [_timed(_quick, ((shape, 1),))[0] for shape in shapes.values()]
    for share in (EASY_YES, EASY_NO):
        for question in questions(options.file, share, options.sets, options.seed + 1):
            for shape, _ in question:
                _quick(((shape, 1),))
    return round(statistics.median(spent), 3)


def _timed(ask: Callable[[Question], str], question: Question) -> tuple[float, str]:
    start = time.perf_counter()
    answer = ask(question)
    return 1000 * (time.perf_counter() - start), answer


def _quick(question: Question) -> str:
    return quick_verdict(SPEC, question).answer


def _fit(question: Question) -> str:
    found = fit_all(SPEC, question)
    return "yes" if found.fits else "no" if found.status == "infeasible" else "unknown"


def _depth(options: argparse.Namespace) -> dict[str, float]:
    """Fill of the first greedy answer against that of deep search on sets that do not fit as a whole."""
    first_fills, deep_fills, unsound = [], [], 0
    for number, question in enumerate(questions(options.file, TIGHT, options.deep_sets, options.seed + 2)):
        clear_caches()
        nest = Nest(SPEC)
        for shape, count in sorted(question, key=lambda d: (-d[0].area_mm2, d[0].key)):
            nest.add(shape, count)
        valued = [(shape, count, shape.area_mm2) for shape, count in question]
        found = best_subset(SPEC, valued, TimeLimit(options.seconds), options.seed + number)
        shapes = {shape.key: shape for shape, _ in question}
        unsound += bool(_wrong(question, shapes, found.placements)) + bool(_wrong(question, shapes, nest.placements))
        first_fills.append(100 * nest.fill)
        area = math.fsum(shapes[p.shape_key].area_mm2 for p in found.placements)
        deep_fills.append(100 * area / SPEC.usable_area_mm2)
    gains = [deep - first for deep, first in zip(deep_fills, first_fills, strict=True)]
    return {
        "tight_first_answer_fill_percent": round(statistics.mean(first_fills), 2),
        "tight_deep_fill_percent": round(statistics.mean(deep_fills), 2),
        "tight_gain_points_mean": round(statistics.mean(gains), 2),
        "tight_gain_points_least": round(min(gains), 2),
        "unsound": unsound,
    }


def _wrong(question: Question, shapes: dict[str, Shape], placements: Sequence[Placement]) -> list[str]:
    found = confirm(SPEC, shapes, placements)
    for shape, count in question:
        if sum(p.shape_key == shape.key for p in placements) > count:
            found.append(f"too many of {shape.key}")
    return found


if __name__ == "__main__":
    sys.exit(main())
