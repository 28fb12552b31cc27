"""Words, colours and orders at risk."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from report_fakes import make_run

from router.domain.network import Scenario
from router.domain.result import Result
from router.report.options_table import best_at
from router.report.plate_entries import letter
from router.report.risk import SPARE_DAYS, at_risk, days_spent
from router.report.svg import clip_text, esc, px
from router.report.theme import (
    BLACK,
    BLUE,
    GREEN,
    HATCHES,
    INK_DARK,
    INK_LIGHT,
    KEYED,
    PAPER_DARK,
    PAPER_LIGHT,
    SKY,
    VERMILION,
    contrast,
    mix,
    numbered,
    told_apart,
    tone,
)
from router.report.wording import (
    anchors,
    clock_time,
    day,
    duration,
    listed,
    moment,
    money,
    number,
    percent,
    signed,
    span,
)


def test_money_and_numbers() -> None:
    assert money(123_456_789, "EUR") == "1,234,568\xa0EUR"
    assert money(-1250, "EUR", 2) == "\u221212.50\xa0EUR"
    assert number(-0.2) == "0" and signed(0.04, 1) == "0.0" and signed(3) == "+3"
    assert percent(0.0712) == "7.1\xa0%"


def test_moments_on_the_local_clock() -> None:
    berlin = ZoneInfo("Europe/Berlin")
    night = datetime(2026, 11, 30, 23, 30, tzinfo=UTC)
    assert moment(night, berlin) == "Tue 1 Dec 00:30"
    assert span(night, night + timedelta(hours=2), berlin) == "Tue 1 Dec 00:30 \u2013 02:30"
    assert span(night, night + timedelta(hours=30), berlin) == "Tue 1 Dec 00:30 \u2013 Wed 2 Dec 06:30"
    assert day(date(2026, 12, 1)) == "Tue 1 Dec"
    assert [duration(timedelta(hours=h)) for h in (0.5, 7.5, 60)] == ["30 min", "7.5 h", "2.5 days"]
    assert clock_time(185) == "3 min 05 s" and clock_time(41.24) == "41.2 s"


def test_lists_letters_and_anchors() -> None:
    assert listed([]) == "" and listed("ab") == "a and b" and listed("abc", "or") == "a, b or c"
    assert [letter(n) for n in (0, 25, 26, 51, 52)] == ["A", "Z", "AA", "AZ", "BA"]
    made = anchors("build", ["B 1", "B-1", "B/1", "B 1", "\u00e9\u00e9"])
    assert len(set(made.values())) == 4 and made["B 1"] == "build-B-1"


def test_short_numbers_and_clipped_text() -> None:
    assert [px(v) for v in (3.0, 2.55, -0.04, 120)] == ["3", "2.5", "0", "120"]
    assert px(120, 0) == "120"
    assert clip_text("AlSi10Mg", 100, 6) == "AlSi10Mg" and clip_text("AlSi10Mg", 30, 6) == "AlSi\u2026"
    assert clip_text("AlSi10Mg", 12, 6) == ""
    assert esc("<a b='\"'>") == "&lt;a b=&#x27;&quot;&#x27;&gt;"


def test_contrast_of_black_and_white_is_21() -> None:
    """WCAG 2.1 gives 21:1 for black on white, the greatest ratio there is."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


def test_words_read_well_on_their_paper() -> None:
    assert contrast(mix(VERMILION, BLACK, 0.8), PAPER_LIGHT) >= 4.5
    assert contrast(mix(GREEN, BLACK, 0.74), PAPER_LIGHT) >= 4.5
    assert contrast(mix(VERMILION, "#FFFFFF", 0.7), PAPER_DARK) >= 4.5
    assert contrast(mix(GREEN, "#FFFFFF", 0.7), PAPER_DARK) >= 4.5
    assert contrast(BLUE, PAPER_LIGHT) >= 4.5 and contrast(SKY, PAPER_DARK) >= 4.5
    assert contrast("#59616A", PAPER_LIGHT) >= 4.5 and contrast("#A6ACB2", PAPER_DARK) >= 4.5


@pytest.mark.parametrize("index", range(len(KEYED)))
def test_labels_read_well_on_every_tint(index: int) -> None:
    made = tone(index)
    assert contrast(made.tint_light, INK_LIGHT) >= 4.5
    assert contrast(made.tint_dark, INK_DARK) >= 3.0


def test_tones_of_different_keys_differ_in_colour_or_hatch() -> None:
    assert len({(tone(i).tint_light, tone(i).hatch) for i in range(24)}) == 24
    assert all(0 <= tone(i).hatch < HATCHES for i in range(24))


def test_colours_follow_the_keys_not_their_order() -> None:
    assert numbered(["b", "a", "b", "c"]) == numbered(["c", "b", "a"]) == {"a": 0, "b": 1, "c": 2}


def test_lines_that_meet_on_a_plate_differ() -> None:
    groups = [["a", "b", "c"], ["c", "d"], ["a", "d", "e"], ["f"]]
    chosen = told_apart(groups, 8)
    assert all(len({chosen[k] for k in g}) == len(g) for g in groups)
    crowded = told_apart([[f"k{i}" for i in range(10)]], 8)
    assert len(set(crowded.values())) == 8


@pytest.fixture(scope="module")
def case() -> tuple[Scenario, Result]:
    return make_run(120, 3)


def test_orders_at_risk_are_those_and_only_those(case: tuple[Scenario, Result]) -> None:
    scenario, result = case
    expected = {
        s.line_id
        for s in result.plan.shipments
        if (scenario.line[s.line_id].due_date - s.arrive_date).days <= SPARE_DAYS
    }
    found = at_risk(scenario, result)
    assert expected and {r.line.line_id for r in found} == expected
    assert [r.spare_days for r in found] == sorted(r.spare_days for r in found)
    for risk in found:
        assert risk.cause and risk.remedy
        assert risk.verdict.endswith("late") == (risk.shipment.late_days > 0)


def test_the_days_spent_add_up(case: tuple[Scenario, Result]) -> None:
    scenario, result = case
    builds = {b.build_id: b for b in result.plan.builds}
    shipment = result.plan.shipments[0]
    line = scenario.line[shipment.line_id]
    stages = days_spent(line, shipment, builds, result.plan.now)
    arrives = datetime.combine(shipment.arrive_date, datetime.min.time(), tzinfo=UTC)
    assert sum(stages, timedelta(0)) == arrives - max(line.release_at, result.plan.now)
    assert len(stages) == 5


def test_a_site_is_praised_only_for_what_it_is_best_at(case: tuple[Scenario, Result]) -> None:
    options = next(o for o in case[1].options if sum(s.possible for s in o.sites) > 2)
    notes = best_at(options.sites)
    possible = [s for s in options.sites if s.possible]
    cheapest = min(possible, key=lambda s: s.marginal_cents or 0)
    assert "cheapest at the margin" in notes[cheapest.site_id]
    assert all(s.site_id not in notes for s in options.sites if not s.possible)
    assert best_at(possible[:1]) == {}
