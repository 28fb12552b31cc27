"""Nesting against published sets. The data lie beside the repository and are not part of it; absent, all is skipped.

Sources: perfect packings by Hopper & Turton (2001), Hopper (2000), Burke, Kendall & Whitwell (2004), Pinto & Oliveira
(2005); rectangle bins by Berkey & Wang (1987) and Martello & Vigo (1998); polygon bins by Terashima-Marin et al. (2010)
and Lopez-Camacho (2012); real part outlines from the open AM production planning instances LUZEDI (2024).
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from router.nesting import Nest, PlateSpec, Shape, allowed_angles, confirm, pack, quick_verdict

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
PACKING, AM = DATA / "packing", DATA / "am"

pytestmark = pytest.mark.skipif(not PACKING.is_dir() or not AM.is_dir(), reason="published sets are not at hand")

QUARTERS = (0.0, 90.0, 180.0, 270.0)


def lines(name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (PACKING / name).read_text(encoding="utf-8").splitlines()]


def rectangle(width: float, depth: float) -> Shape:
    return Shape.make([([(0, 0), (width, 0), (width, depth), (0, depth)], [])], (0.0, 90.0))


def bare_plate(bin_size: Sequence[float], resolution: float) -> PlateSpec:
    return PlateSpec(bin_size[0], bin_size[1], edge_margin_mm=0, spacing_mm=0, resolution_mm=resolution)


def bins_used(spec: PlateSpec, pieces: Sequence[Shape], snug: bool = True) -> list[Nest]:
    """Largest first into the first bin with room; every bin goes through the exact check, no piece may be lost."""
    nests: list[Nest] = []
    for piece in sorted(pieces, key=lambda s: (-s.area_mm2, s.key)):
        if not any(nest.add(piece, snug=snug) for nest in nests):
            nests.append(Nest(spec))
            assert nests[-1].add(piece) == 1
    assert sum(len(nest.placements) for nest in nests) == len(pieces)
    for nest in nests:
        assert confirm(spec, nest.shapes, nest.placements) == []
    return nests


def test_perfect_packings_are_never_refused_and_one_unit_more_always_is() -> None:
    checked = 0
    for record in lines("rect_perfect.jsonl"):
        width, height = record["bin"]
        if record["n"] > 60 or record["item_area"] != width * height:
            continue
        checked += 1
        spec = bare_plate((width, height), 1.0 if max(width, height) <= 512 else 0.0)
        demand = [(rectangle(w, d), n) for w, d, n in record["items"]]
        assert quick_verdict(spec, demand).answer != "no", record["name"]
        more = quick_verdict(spec, [*demand, (rectangle(1, 1), 1)])
        assert more.answer == "no" and "need" in more.reason, record["name"]
        result = pack(spec, demand, rounds=2)
        assert sum(n for _, n in demand) == len(result.placed) + sum(result.left.values())
    assert checked >= 20


def test_rectangle_bins_stay_above_the_best_known_and_near_it() -> None:
    used = best = 0
    for record in lines("rect_bpp.jsonl"):
        if record["n"] != 20 or max(record["bin"]) > 100:
            continue
        pieces = [rectangle(w, d) for w, d, n in record["items"] for _ in range(n)]
        count = len(bins_used(bare_plate(record["bin"], 1.0), pieces))
        assert count >= record["area_lower_bound"]
        assert count >= record["allow_rotation_best_known"], record["name"]
        used += count
        best += record["allow_rotation_best_known"]
    assert best > 200
    assert used <= 1.10 * best


def test_polygon_bins_stay_above_the_area_bound() -> None:
    records = [r for r in lines("poly_bpp.jsonl") if r["n"] <= 30][::16]
    assert len(records) >= 8
    for record in records:
        spec = bare_plate(record["bin"], 4.0)
        shapes = [(Shape.make([(item["polygon"], [])], QUARTERS), item["qty"]) for item in record["items"]]
        pieces = [shape for shape, count in shapes for _ in range(count)]
        floor = record["area_lower_bound"]
        if record["best_known"]:
            floor = max(floor, record["best_known"]["bins"])
        assert len(bins_used(spec, pieces, snug=False)) >= floor, record["name"]
        if floor > 1:
            assert quick_verdict(spec, shapes).answer == "no", record["name"]


def test_real_outlines_nest_tighter_than_their_boxes() -> None:
    with gzip.open(AM / "real_parts.json.gz", "rt", encoding="utf-8") as file:
        data = json.load(file)
    machine = data["machines"][2]
    spec = PlateSpec(machine["plate_x_mm"], machine["plate_y_mm"], edge_margin_mm=5, spacing_mm=2)
    ids = data["instances"][0]["parts"]
    ids = json.loads(ids) if isinstance(ids, str) else ids
    outlines: list[Shape] = []
    boxes: list[Shape] = []
    for number in ids[:60]:
        rings = data["projections"][number]
        polygons = [(rings[0], rings[1:])]
        outlines.append(Shape.make(polygons, allowed_angles(polygons)))
        boxes.append(rectangle(*outlines[-1].size_mm()))
    assert len(bins_used(spec, outlines)) < len(bins_used(spec, boxes))
