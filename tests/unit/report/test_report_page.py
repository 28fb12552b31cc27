"""The report as a whole: complete, self-contained, well formed, safe with hostile names, quick."""

from __future__ import annotations

import base64
import hashlib
import itertools
import re
import time
from collections import Counter
from dataclasses import replace
from datetime import timedelta
from functools import cache

import pytest
from lxml import etree, html
from report_fakes import make_run

from router.domain.network import Scenario
from router.domain.plan import Plan, Totals
from router.domain.result import Result
from router.report import write_report

Run = tuple[Scenario, Result]


@cache
def _text(lines: int, seed: int) -> str:
    scenario, result = make_run(lines, seed)
    return write_report(scenario, result, [], 1234)


@pytest.fixture(scope="module")
def text() -> str:
    return _text(60, 7)


@pytest.fixture(scope="module")
def page(text: str) -> html.HtmlElement:
    return html.document_fromstring(text)


def test_one_title_one_first_heading_and_a_language(page: html.HtmlElement, run: Run) -> None:
    assert page.get("lang") == "en"
    assert [h.text_content() for h in page.iter("h1")] == [run[0].network.name]
    assert run[0].network.name in page.findtext(".//title")


def test_headings_skip_no_level(page: html.HtmlElement) -> None:
    levels = [int(h.tag[1]) for h in page.iter("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert len(levels) > 20


def test_ids_are_unique_and_every_inner_link_arrives(page: html.HtmlElement) -> None:
    ids = Counter(page.xpath("//@id"))
    assert [name for name, n in ids.items() if n > 1] == []
    targets = [h[1:] for h in page.xpath("//@href") if h.startswith("#")]
    assert len(targets) > 200
    assert [t for t in targets if t not in ids] == []
    labels = " ".join(page.xpath("//@aria-labelledby")).split()
    assert labels and [t for t in labels if t not in ids] == []


def test_nothing_is_fetched(text: str, page: html.HtmlElement) -> None:
    assert re.findall(r"https?://", text) == []
    assert page.xpath("//link[not(starts-with(@href, 'data:'))] | //img | //iframe | //object | //script[@src]") == []
    assert re.findall(r"url\((?!#)[^)]*\)", text) == [] and "@import" not in text
    assert {h[:1] for h in page.xpath("//@href")} == {"#", "d"}


def test_every_drawing_is_well_formed_and_named_or_hidden(text: str) -> None:
    drawings = re.findall(r"<svg\b.*?</svg>", text, flags=re.S)
    assert len(drawings) > 100
    for drawing in drawings:
        root = etree.fromstring(drawing)
        named = root.find("title") is not None and (root.find("title").text or "").strip()
        assert root.get("aria-hidden") == "true" or named, drawing[:120]


def test_every_build_line_and_shipment_is_there(page: html.HtmlElement, run: Run) -> None:
    scenario, result = run
    shown = page.xpath("//figure[contains(@class,'plate')]/h4/span/text()")
    assert sorted(shown) == sorted(b.build_id for b in result.plan.builds)
    bars = page.xpath("//section[@id='schedule']//a[contains(@class,'bar')]/title/text()")
    assert sorted(t.split(",")[0] for t in bars) == sorted(b.build_id for b in result.plan.builds)
    assert page.xpath("//details[@class='line']/summary/span[@class='id']/text()") == [
        x.line_id for x in scenario.lines
    ]
    rows = page.xpath("//section[@id='legs']//tbody/tr/td[3]/text()")
    assert sum(int(n) for n in rows) == len(result.plan.shipments) > 0
    for shipment in result.plan.shipments:
        line = page.xpath(f"//details[summary/span[@class='id' and text()='{shipment.line_id}']]")[0]
        assert line.xpath("string(.//span[@class='where']/b)") == scenario.network.site[shipment.site_id].name
        assert set(line.xpath("./div/p/a/text()")) == set(shipment.build_ids)
        late = f"{shipment.late_days} day" if shipment.late_days else "on time"
        assert line.xpath("string(summary//em)").startswith(late)


def test_every_site_of_every_line_has_its_row(page: html.HtmlElement, run: Run) -> None:
    names = {s.site_id: s.name for s in run[0].network.sites}
    for options in run[1].options:
        line = page.xpath(f"//details[summary/span[@class='id' and text()='{options.line_id}']]")[0]
        rows = line.xpath(".//table[@class='sites']/tbody/tr/th")
        assert sorted(th.text.strip() for th in rows) == sorted(names[o.site_id] for o in options.sites)
        assert len(line.xpath(".//tr[@class='chosen']")) == sum(o.chosen for o in options.sites)
        refused = line.xpath(".//tr[@class='no']/td/text()")
        assert sorted(refused) == sorted(
            f"Not possible: {'; '.join(o.reasons)}" for o in options.sites if not o.possible
        )
        assert options.sentence in line.text_content()


def test_shares_and_totals_are_the_plans(page: html.HtmlElement, run: Run) -> None:
    for build in run[1].plan.builds:
        figure = next(
            f for f in page.xpath("//figure[contains(@class,'plate')]") if f.findtext("h4/span") == build.build_id
        )
        cells = [[td.text_content() for td in tr.xpath("td|th")] for tr in figure.xpath(".//tbody/tr")]
        assert [c[2] for c in cells] == [str(s.pieces) for s in build.shares]
        assert sum(round(100 * float(c[4].replace(",", ""))) for c in cells) == build.cost.total_cents
        assert sum(round(100 * float(c[5].replace(",", ""))) for c in cells) == build.plate_steps_cents
        assert f"{build.cost.total_cents / 100:,.2f}" == figure.xpath("string(.//tfoot/tr/td[4])")


def test_headline_figures(page: html.HtmlElement, run: Run) -> None:
    result = run[1]
    values = dict(
        zip(page.xpath("//dl[@class='claims']//dt/text()"), page.xpath("//dl[@class='claims']//b/text()"), strict=True)
    )
    saving = result.habit_kpis.landed_cents - result.kpis.landed_cents
    assert values == {
        "Landed cost": f"{result.kpis.landed_cents / 100:,.0f}\xa0EUR",
        "Saving": f"{saving / 100:,.0f}\xa0EUR",
        "Late lines": str(result.kpis.late_lines),
        "Proven gap": "7.0\xa0%",
        "Audit": "passed",
    }
    assert f"{result.bound_cents / 100:,.0f}\xa0EUR" in page.xpath("string(//dl[@class='claims'])")  # type: ignore[operator]
    lead = page.xpath("string(//p[@class='lead'])")
    assert f"{len(result.plan.builds)} builds" in lead and "2 lines could not be planned" in lead


def test_tables_have_captions_and_scopes(page: html.HtmlElement) -> None:
    tables = page.xpath("//table")
    assert len(tables) > 100
    assert all((t.findtext("caption") or "").strip() for t in tables)
    assert page.xpath("//th[not(@scope)]") == []


def test_invented_data_is_marked_only_when_it_is(text: str, run: Run) -> None:
    assert text.count("Invented data.") == 2
    scenario, result = run
    real = replace(scenario, network=replace(scenario.network, invented=False))
    assert "Invented data." not in write_report(real, result, [], 1)


def test_audit_findings_come_first_and_no_checks_is_no_pass(run: Run) -> None:
    found = html.document_fromstring(write_report(*run, ["build B001: height is 61.0, expected 60.0"], 99))
    header = found.xpath("string(//header)")
    assert "1 finding" in header and "height is 61.0" in header and "Do not release this plan" in header
    unchecked = html.document_fromstring(write_report(*run, [], 0)).xpath("string(//header)")
    assert "not made" in unchecked and "passed" not in unchecked


def test_unplanned_lines_and_part_remarks(page: html.HtmlElement, run: Run) -> None:
    scenario, result = run
    told = page.xpath("string(//section[@id='unplanned'])")
    for left_out in result.plan.unplanned:
        assert left_out.line_id in told and all(r in told for r in left_out.reasons)
    ordered = {x.model for x in scenario.lines}
    odd = {m for m, f in scenario.parts.items() if m in ordered and (f.closed_hollows or not f.closed)}
    assert odd and odd == set(page.xpath("//section[@id='unplanned']/div[2]//tbody/tr/th/text()"))


def test_a_line_received_after_now_is_remarked_on(run: Run) -> None:
    scenario, result = run
    first, *others = scenario.lines
    later = replace(first, received_at=scenario.network.now + timedelta(days=400))
    found = html.document_fromstring(write_report(replace(scenario, lines=(later, *others)), result, [], 1))
    (said,) = (x for x in found.xpath("//section[@id='unplanned']//li/text()") if "after now" in x)
    assert said.startswith(f"line {first.line_id}: received 400 days after now")


def test_safety_names_the_burning_powders(page: html.HtmlElement) -> None:
    told = page.xpath("string(//section[@id='safety'])")
    assert "Titanium 6-4" in told and "Nickel 718" not in told
    assert "licensed engineer" in told and "explode" in told


def test_the_policy_admits_the_reports_own_script_and_no_other(page: html.HtmlElement) -> None:
    scripts = page.xpath("//script")
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].text.encode()).digest()).decode()
    policy = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    assert f"script-src 'sha256-{digest}'" in policy and "default-src 'none'" in policy


_HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>&amp;"


def test_hostile_names_stay_text(run: Run) -> None:
    scenario, result = run
    n = scenario.network
    network = replace(
        n, name=_HOSTILE, currency=_HOSTILE,
        sites=tuple(replace(s, name=s.name + _HOSTILE, place=replace(s.place, name=_HOSTILE)) for s in n.sites),
        machines=tuple(replace(m, model=_HOSTILE) for m in n.machines),
        alloys=tuple(replace(a, name=a.alloy_id + _HOSTILE) for a in n.alloys),
        carriers=tuple(replace(c, name=_HOSTILE) for c in n.carriers),
    )  # fmt: skip
    renamed = {x.line_id: x.line_id + _HOSTILE for x in scenario.lines}
    lines = tuple(
        replace(x, line_id=renamed[x.line_id], customer=_HOSTILE, model=_HOSTILE + x.model, export_control=_HOSTILE,
                ship_to=replace(x.ship_to, name=_HOSTILE))
        for x in scenario.lines
    )  # fmt: skip
    parts = {_HOSTILE + m: replace(f, notes=(_HOSTILE,)) for m, f in scenario.parts.items()}
    p = result.plan
    builds = tuple(
        replace(
            b, build_id=b.build_id + _HOSTILE, shares=tuple(replace(s, line_id=renamed[s.line_id]) for s in b.shares),
            pieces=tuple(replace(q, line_id=renamed[q.line_id] if q.line_id else None) for q in b.pieces),
        )
        for b in p.builds
    )  # fmt: skip
    shipments = tuple(
        replace(s, line_id=renamed[s.line_id], build_ids=tuple(b + _HOSTILE for b in s.build_ids)) for s in p.shipments
    )
    plan = replace(
        p, builds=builds, shipments=shipments, made_by=_HOSTILE,
        lots=tuple(
            replace(x, line_id=renamed[x.line_id], build_id=x.build_id + _HOSTILE, outside=(_HOSTILE,)) for x in p.lots
        ),
        unplanned=tuple(replace(u, line_id=renamed[u.line_id], reasons=(_HOSTILE,)) for u in p.unplanned),
    )  # fmt: skip
    options = tuple(
        replace(o, line_id=renamed[o.line_id], sentence=_HOSTILE,
                sites=tuple(replace(s, reasons=(_HOSTILE,)) for s in o.sites))
        for o in result.options
    )  # fmt: skip
    hostile = replace(
        result, plan=plan, options=options, status=_HOSTILE, stop_reason=_HOSTILE, versions=((_HOSTILE, _HOSTILE),)
    )
    text = write_report(Scenario(network, lines, parts, _HOSTILE), hostile, [_HOSTILE], 1)
    page = html.document_fromstring(text)
    assert text.count("<script") == 1 and "<img" not in text
    assert page.xpath("//img | //*[@onerror]") == []
    assert page.findtext(".//h1") == _HOSTILE
    assert len(page.xpath("//figure[contains(@class,'plate')]")) == len(builds)
    assert Counter(page.xpath("//@id")).most_common(1)[0][1] == 1
    for drawing in re.findall(r"<svg\b.*?</svg>", text, flags=re.S):
        etree.fromstring(drawing)


def test_a_plan_without_builds_is_still_a_report(run: Run) -> None:
    scenario, result = run
    nothing = Plan("ab" * 32, "optimizer", 1, result.plan.now, (), (), (), (), Totals(0, 0, 0, 0, 0, 0))
    zero = replace(
        result.kpis, landed_cents=0, build_cents=0, changeover_cents=0, after_build_cents=0, freight_cents=0,
        carbon_cents=0, lateness_cents=0, lines_planned=0, late_lines=0, late_days=0, builds=0, mean_fill=0.0,
        machine_h=0.0, changeover_h=0.0, shipment_km=0.0, tonne_km=0.0, co2e_kg=0.0, last_unload=None,
    )  # fmt: skip
    bare = replace(
        result,
        plan=nothing,
        habit=nothing,
        kpis=zero,
        habit_kpis=zero,
        bound_cents=None,
        gap=None,
        trace=(),
        options=(),
    )
    page = html.document_fromstring(write_report(scenario, bare, [], 1))
    assert "The plan has no builds" in page.text_content() and "No lower bound was proven" in page.text_content()
    assert page.xpath("//figure[contains(@class,'plate')]") == []


def test_the_same_run_gives_the_same_text(run: Run) -> None:
    assert write_report(*run, [], 5) == write_report(*run, [], 5)


def test_a_large_report_is_small_and_quick(large_run: Run) -> None:
    started = time.process_time()
    text = write_report(*large_run, [], 20_000)
    took = time.process_time() - started
    assert len(large_run[1].plan.builds) > 120 and sum(len(b.pieces) for b in large_run[1].plan.builds) > 3000
    assert len(text.encode()) < 6_000_000
    assert took < 4.0
