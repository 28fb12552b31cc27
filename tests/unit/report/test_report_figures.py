"""The figures alone: what is drawn stands where the values say."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from lxml import etree
from report_fakes import make_run

from router.domain.machines import KeepOutZone, Plate
from router.domain.plan import PlacedPiece
from router.domain.result import TracePoint
from router.domain.sites import Shift, Site
from router.geometry.facts import Footprint
from router.report.footprints import Drawn, Room, drawn_footprints, outline, widest_room
from router.report.kpi_table import difference_word, kpi_groups, paired_bars
from router.report.legs_map import Leg, MapSite, clipped, leg_width_px, legs_map, outlines, window
from router.report.plate_picture import SIDE_PX, PlateLine, plate_picture
from router.report.scales import Linear, TimeScale, local_midnights, ticks
from router.report.schedule_chart import Bar, DueMark, Lane, SiteSchedule, schedule_chart
from router.report.staffed import staffed_spans, unstaffed_spans
from router.report.trace_chart import trace_chart

BERLIN = ZoneInfo("Europe/Berlin")
START = datetime(2026, 11, 25, tzinfo=UTC)


def _root(svg: str) -> etree._Element:
    return etree.fromstring(svg)


def test_ticks_are_round_and_inside() -> None:
    assert ticks(0, 97.3, 5) == (0, 20, 40, 60, 80)
    assert ticks(3, 3, 5) == (3,)
    assert all(100 <= t <= 260 for t in ticks(100, 260, 8)) and len(ticks(100, 260, 8)) == 9


def test_linear_scale() -> None:
    scale = Linear(10, 20, 100, 300)
    assert (scale.at(10), scale.at(15), scale.at(20)) == (100, 200, 300)
    assert Linear(5, 5, 0, 10).at(5) == 5


def test_a_day_with_a_clock_change_is_longer_on_the_chart() -> None:
    scale = TimeScale(datetime(2026, 10, 24, tzinfo=UTC), datetime(2026, 10, 28, tzinfo=UTC), 24.0)
    at = {day: scale.at(moment) for day, moment in local_midnights(scale.start, scale.end, BERLIN)}
    assert at[date(2026, 10, 26)] - at[date(2026, 10, 25)] == pytest.approx(25)
    assert at[date(2026, 10, 27)] - at[date(2026, 10, 26)] == pytest.approx(24)


def _site(shifts: tuple[Shift, ...], closures: tuple[date, ...] = ()) -> Site:
    site = make_run(10, 1)[0].network.site["STR"]
    return replace(site, shifts=shifts, closures=closures)


def test_staffed_time_leaves_out_weekends_holidays_and_closures() -> None:
    site = _site((Shift((0, 1, 2, 3, 4), time(6), time(14)),), (date(2026, 12, 24),))
    spans = staffed_spans(site, datetime(2026, 12, 23, tzinfo=UTC), datetime(2026, 12, 29, tzinfo=UTC))
    assert spans == (
        (datetime(2026, 12, 23, 5, tzinfo=UTC), datetime(2026, 12, 23, 13, tzinfo=UTC)),
        (datetime(2026, 12, 28, 5, tzinfo=UTC), datetime(2026, 12, 28, 13, tzinfo=UTC)),
    )


def test_a_region_without_known_holidays_is_staffed_by_its_shifts() -> None:
    start, end = datetime(2026, 12, 25, tzinfo=UTC), datetime(2026, 12, 26, tzinfo=UTC)
    site = _site((Shift((4,), time(6), time(14)),))
    assert staffed_spans(site, start, end) == ()
    assert len(staffed_spans(replace(site, holiday_country="XX"), start, end)) == 1
    assert len(staffed_spans(replace(site, holiday_subdivision="??"), start, end)) == 1


def test_night_shifts_join_and_the_rest_is_unstaffed() -> None:
    site = _site((Shift((0,), time(14), time(22)), Shift((0,), time(22), time(6))))
    start, end = datetime(2026, 11, 23, tzinfo=UTC), datetime(2026, 11, 25, tzinfo=UTC)
    staffed = staffed_spans(site, start, end)
    assert staffed == ((datetime(2026, 11, 23, 13, tzinfo=UTC), datetime(2026, 11, 24, 5, tzinfo=UTC)),)
    gaps = unstaffed_spans(site, start, end)
    total = sum(((b - a) for a, b in (*staffed, *gaps)), timedelta(0))
    assert total == end - start and len(gaps) == 2


def _bar(late: bool = False) -> Bar:
    hours = [START + timedelta(hours=h) for h in (0, 10, 12, 36, 48, 49)]
    return Bar("B1", "Ti64", 3, 2, "build-B1", "B1 of Ti64", (hours[0], hours[1]), "316L to Ti64", hours[1], hours[2],
               hours[3], hours[4], hours[5], late)  # fmt: skip


def test_a_build_is_drawn_where_its_times_lie() -> None:
    scale = TimeScale(START, START + timedelta(days=10), 48.0)
    stop = ((START + timedelta(days=4), START + timedelta(days=5)), "service")
    due = DueMark(START + timedelta(days=6), True, "due: L1 (late)")
    lane = Lane("M-1", "M250", (_bar(True),), (stop,), (due,))
    root = _root(schedule_chart("s", SiteSchedule("Hall", BERLIN, (lane,), (), START), scale))
    assert root.get("width") == "480"
    bar = root.find(".//a")
    assert bar is not None and bar.get("href") == "#build-B1" and bar.findtext("title") == "B1 of Ti64"
    rect = bar.find("rect")
    assert rect is not None and (rect.get("x"), rect.get("width")) == ("24", "48")
    assert bar.xpath("rect/@fill") == ["url(#hatch-2)"]
    assert bar.xpath("text/text()") == ["B1", "Ti64"]
    assert root.xpath("//rect[@class='change']/@x | //rect[@class='change']/@width") == ["0", "20"]
    assert root.xpath("//rect[@class='wait']/@x | //rect[@class='wait']/@width") == ["72", "24"]
    assert root.xpath("//rect[@class='stop']/@x | //rect[@class='stop']/@width") == ["192", "48"]
    assert bar.xpath("path[@class='latecorner']") and root.xpath("//path[@class='due late']/@d")[0].startswith("M288 ")
    assert root.get("role") == "group", "a picture role would hide the links"


def test_a_punctual_build_has_no_corner() -> None:
    scale = TimeScale(START, START + timedelta(days=10), 48.0)
    lane = Lane("M-1", "M250", (_bar(),), (), ())
    assert "latecorner" not in schedule_chart("s", SiteSchedule("Hall", BERLIN, (lane,), (), START), scale)


def test_outline_keeps_every_ring_and_hundredths() -> None:
    ring = ((0.0, 0.0), (10.004, 0.0), (10.004, 5.25), (0.0, 5.25))
    hole = ((2.0, 1.0), (2.0, 3.0), (4.0, 3.0))
    assert outline([(ring, (hole,))]) == "M0 0l10 0 0 5.25 -10 0zM2 1l0 2 2 0z"


def test_the_letter_lands_on_material() -> None:
    square = ((0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0))
    hole = ((2.0, 2.0), (2.0, 18.0), (14.0, 18.0), (14.0, 2.0))
    room = widest_room((square, hole))
    assert (room.x_mm, room.radius_mm) == (pytest.approx(17.0), pytest.approx(3.0))
    assert widest_room((square,)).radius_mm == pytest.approx(10, rel=1e-3)


def test_the_plate_is_to_scale() -> None:
    plate = Plate(250, 250, False, 6, 2, (KeepOutZone(12, 13, 9),))
    room = Room(10, 10, 8)
    lines = {("L1", "a"): PlateLine(Drawn("fp0", room, room), "A", 4, "A: line L1")}
    pieces = [
        PlacedPiece("L1", "a", 50, 60, 0),
        PlacedPiece("L1", "a", 150, 60, 90),
        PlacedPiece(None, "", 100, 100, 0),
    ]
    root = _root(plate_picture("p", "Plate", "two pieces", plate, pieces, lines, 10))
    scale = SIDE_PX / 250
    assert root.xpath("//use/@transform") == ["translate(50 60)", "translate(150 60) rotate(90)"]
    assert set(root.xpath("//use/@href")) == {"#fp0"}
    assert root.xpath("//rect[@class='coupon']/@width") == ["10"]
    assert root.xpath("//rect[@class='rim']/@x | //rect[@class='rim']/@width") == ["6", "238"]
    assert root.xpath("//circle[@class='keep']/@*")[1:] == ["12", "13", "9"]
    flipped = root.xpath("//g[contains(@transform,'scale')]/@transform")[0]
    assert flipped.endswith(f"scale({scale:g} -{scale:g})")
    letters = root.xpath("//g[@class='pl']/text")
    assert [t.text for t in letters] == ["A", "A"]
    # first piece: 60 mm from the left; turned piece: its place (10, 10) becomes (-10, 10), so 140 mm
    assert float(letters[1].get("x")) - float(letters[0].get("x")) == pytest.approx(80 * scale, abs=0.11)


@pytest.mark.parametrize(
    ("width", "depth", "round_"),
    [(250, 250, False), (100, 100, True), (60, 60, True), (400, 100, False), (100, 400, False), (420, 500, False)],
)
def test_words_below_a_plate_lie_beside_each_other_and_inside(width: float, depth: float, round_: bool) -> None:
    root = _root(plate_picture("p", "Plate", "", Plate(width, depth, round_, 3, 2, ()), [], {}, 10))
    whole = float(root.get("viewBox").split()[2])
    spans: dict[str, list[tuple[float, float]]] = {}
    for text in root.xpath("//text[@class='note'][not(@transform)]"):
        long = 0.65 * 10.5 * len(text.text)  # px; 0.65 em a letter is wider than the fonts the pages ask for
        begin = float(text.get("x")) - (long if text.get("text-anchor") == "end" else 0.0)
        assert begin >= 0 and begin + long <= whole
        spans.setdefault(text.get("y"), []).append((begin, begin + long))
    assert sum(map(len, spans.values())) == 2
    assert all(a[1] < b[0] for row in spans.values() for a, b in itertools.pairwise(sorted(row)))


def test_footprints_are_defined_once_and_used_by_every_piece() -> None:
    scenario, result = make_run(60, 7)
    svg, drawn = drawn_footprints(scenario, result.plan.builds)
    models = {scenario.line[p.line_id].model for b in result.plan.builds for p in b.pieces if p.line_id}
    assert svg.count("<path ") == len(drawn) == len(models)
    assert _root(svg) is not None


def test_a_part_that_is_not_known_is_left_out() -> None:
    scenario, result = make_run(60, 7)
    bare = replace(scenario, parts={})
    svg, drawn = drawn_footprints(bare, result.plan.builds)
    assert drawn == {} and "<path" not in svg


def test_footprint_holes_are_in_the_outline() -> None:
    facts = next(f for f in make_run(60, 7)[0].parts.values() if f.orientations[0].footprint.polygons[0][1])
    footprint: Footprint = facts.orientations[0].footprint
    assert outline(footprint.polygons).count("M") == 1 + len(footprint.polygons[0][1])


def test_leg_width_follows_mass_and_the_map_holds_every_leg() -> None:
    assert leg_width_px(50, 100) == pytest.approx(leg_width_px(100, 100) / 2)
    assert 0 < leg_width_px(0.001, 100) < leg_width_px(20, 100)
    site = MapSite("Hall", 48.8, 9.2, 1)
    legs = [Leg(site, "Oslo, NO", 59.9, 10.8, 40.0, 2), Leg(site, "Porto, PT", 41.2, -8.6, 10.0, 1)]
    root = _root(legs_map("m", [site], legs))
    widths = {
        p.findtext("title").split(":")[0]: float(p.get("stroke-width"))
        for p in root.xpath("//path[contains(@class,'leg s')]")
    }
    assert widths["Hall to Oslo, NO"] == pytest.approx(4 * widths["Hall to Porto, PT"])
    assert root.xpath("//text[@class='sitename']/text()") == ["Hall"]
    assert len(root.xpath("//path[@class='land']/@d")[0]) > 5000


def test_the_window_holds_all_points_and_squeezes_longitudes() -> None:
    points = [(-8.6, 41.2), (23.8, 61.5), (19.9, 50.1)]
    shown = window(points)
    for x, y in (shown.at(*p) for p in points):
        assert 0 < x < 1000 and 0 < y < shown.height_px
    one = window([(10.0, 50.0)])
    east, north = one.at(11, 50)[0] - one.at(10, 50)[0], one.at(10, 50)[1] - one.at(10, 51)[1]
    assert east / north == pytest.approx(0.6428, abs=1e-3)  # cos 50 degrees


def test_outlines_are_plausible() -> None:
    def holds(lon: float, lat: float) -> bool:
        inside = 0
        for ring in outlines():
            crossings = sum(
                1
                for (x0, y0), (x1, y1) in zip(ring, ring[1:] + ring[:1], strict=True)
                if (y0 > lat) != (y1 > lat) and lon < x0 + (lat - y0) * (x1 - x0) / (y1 - y0)
            )
            inside += crossings % 2
        return inside > 0

    assert holds(10.0, 51.0) and holds(-3.7, 40.4) and holds(-100.0, 40.0) and holds(134.0, -25.0)
    assert not holds(-30.0, 45.0) and not holds(3.0, 56.0) and not holds(-140.0, 0.0)


def test_clipping_cuts_a_square() -> None:
    square = [(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0)]
    kept = clipped(square, (1, 1, 9, 9))
    assert sorted(kept) == [(1.0, 1.0), (1.0, 4.0), (4.0, 1.0), (4.0, 4.0)]
    assert clipped(square, (5, 5, 9, 9)) == []


def test_the_trace_ends_at_the_plan_and_bound_lies_below() -> None:
    trace = [TracePoint(1.0, 10, 120_00), TracePoint(5.0, 50, 100_00)]
    root = _root(trace_chart("t", trace, 10.0, 90_00, 130_00, "EUR"))
    line = root.xpath("//path[@class='incumbent']/@d")[0]
    ends = [float(v) for v in re.findall(r"V([\d.]+)", line)]
    level = {
        c: float(root.xpath(f"//path[@class='{c}line']/@d")[0].split("H")[0].split()[1]) for c in ("habit", "bound")
    }
    assert level["habit"] < ends[0] < ends[1] < level["bound"]
    assert "no bound proven" in trace_chart("t", trace, 10.0, None, 130_00, "EUR")


def test_key_figures_carry_sign_and_word() -> None:
    plan = make_run(60, 7)[1].kpis
    habit = replace(
        plan, landed_cents=plan.landed_cents * 2, builds=plan.builds + 3, on_time_share=plan.on_time_share - 0.1
    )
    rows = {
        r.name: r
        for g in kpi_groups(plan, habit, "EUR")
        for r in g.rows
        if not (g.name.startswith("Cost") and r.name == "Builds")
    }
    landed = rows["Landed cost"]
    assert (
        landed.plan == f"{plan.landed_cents / 100:,.0f}"
        and landed.difference == f"\u2212{plan.landed_cents / 100:,.0f}"
    )
    assert (landed.relative, landed.word) == ("\u221250.0\xa0%", "better")
    assert (rows["Lines on time"].difference, rows["Lines on time"].word) == ("+10.0 points", "better")
    assert (rows["Builds"].difference, rows["Builds"].word) == ("\u22123", "lower")
    assert rows["Freight"].word == "same"
    assert difference_word(1.0, -1, False) == "worse" and difference_word(-1.0, 1, False) == "worse"


def test_paired_bars_are_in_proportion() -> None:
    widths = [float(w) for w in _root(paired_bars(30, 60, 60)).xpath("//rect/@width")]
    assert widths[0] * 2 == pytest.approx(widths[1])
    assert _root(paired_bars(0, 0, 0)).xpath("//rect/@width") == ["0", "0"]
