"""What a planner does, in a real browser; several with the keyboard alone."""

from __future__ import annotations

import re
import zipfile
from itertools import permutations
from pathlib import Path

import pytest
from api_client import a_free_move
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from router.service.desk import Desk
from router.service.plans import live_in_full

WHAT_IF = """format: platewright what-if 1
name: Freight three times as dear
changes:
  - {{change: change_carrier, price_factor: {factor}}}
"""


def a_move(desk: Desk) -> tuple[str, str, str]:
    """A line of the live plan, the build it is on and another one of its powder, whether it can go there or not."""
    builds = live_in_full(desk).result.plan.builds
    pairs = ((b, o) for b, o in permutations(builds, 2) if b.parameter_set_id == o.parameter_set_id)
    build, onto = next(pairs)
    return build.shares[0].line_id, build.build_id, onto.build_id


def tab_to(page: Page, selector: str, most: int = 200) -> None:
    """Press Tab until the element has the focus."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement && document.activeElement.matches(s)", selector):
            return
    raise AssertionError(f"{selector} cannot be reached with the keyboard")


def test_hold_and_release_a_line_with_the_keyboard_alone(page: Page, address: str) -> None:
    page.goto(f"{address}/orders/1001-1")
    tab_to(page, "form[action$='/hold'] input[name=why]")
    page.keyboard.type("waiting for the drawing")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("Line 1001-1 is held.")
    tab_to(page, "form[action$='/release'] button")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("is open again")


def test_start_a_run_watch_it_stop_it_and_accept_with_the_keyboard_alone(page: Page, address: str) -> None:
    page.goto(f"{address}/runs/new")
    tab_to(page, "#f-seconds")
    page.keyboard.press("Control+a")
    page.keyboard.type("300")
    tab_to(page, "#f-keep_h")  # with every build of the live plan kept there may be nothing left to search
    page.keyboard.press("Control+a")
    page.keyboard.type("0")
    page.keyboard.press("Enter")
    expect(page.locator("[data-show=best]")).to_contain_text("USD", timeout=60_000)
    tab_to(page, "form[action$='/stop'] button")
    page.keyboard.press("Enter")
    link = page.get_by_role("link", name="To the plan it made")
    expect(link).to_be_visible(timeout=90_000)
    tab_to(page, "a.button.first")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("proposed")
    tab_to(page, "form[action$='/accept'] button")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("is live")


def test_move_a_build_with_the_keyboard_alone_and_undo(page: Page, address: str) -> None:
    page.goto(f"{address}/schedule?plan=1")
    queues = page.locator("g.row").all()
    row = max(queues, key=lambda q: q.locator("a.bld").count())
    count = row.locator("a.bld").count()
    assert count > 1
    last = row.locator("a.bld").nth(count - 1)
    name = last.get_attribute("data-build")
    tab_to(page, f"a.bld[data-build='{name}']")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#moving")).to_contain_text(f"{name} to")
    page.keyboard.press("Enter")
    expect(page.locator(".asked").first).to_contain_text("Landed cost of the plan")
    expect(page.locator(".asked").first).to_contain_text("the auditor finds nothing")
    tab_to(page, "form[action='/schedule/keep'] button")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("proposed. Undo goes back to plan 1")
    page.get_by_role("link", name="Undo: back to plan 1").click()
    expect(page.locator("main")).to_contain_text("Plan 1,")


def test_drag_a_build_before_another(page: Page, address: str) -> None:
    page.goto(f"{address}/schedule?plan=1")
    row = max(page.locator("g.row").all(), key=lambda q: q.locator("a.bld").count())
    last = row.locator("a.bld").nth(row.locator("a.bld").count() - 1).locator(".body")
    first = row.locator("a.bld").first.locator(".body")
    last.scroll_into_view_if_needed()
    box, to = last.bounding_box(), first.bounding_box()
    assert box is not None and to is not None
    page.mouse.move(box["x"] + 12, box["y"] + 10)
    page.mouse.down()
    page.mouse.move(box["x"] - 30, box["y"] + 10, steps=4)
    page.mouse.move(to["x"] - 3, to["y"] + 10, steps=6)
    page.mouse.up()
    expect(page.locator(".asked").first).to_contain_text("first")
    expect(page.locator(".asked").first).to_contain_text("Landed cost of the plan")


def test_a_drag_that_is_given_up_asks_nothing_and_opens_nothing(page: Page, address: str) -> None:
    page.goto(f"{address}/schedule?plan=1")
    row = max(page.locator("g.row").all(), key=lambda q: q.locator("a.bld").count())
    box, to = row.locator("a.bld .body").nth(1).bounding_box(), row.locator("a.bld .body").first.bounding_box()
    assert box is not None and to is not None
    told = page.locator("#moving")
    page.mouse.move(box["x"] + 12, box["y"] + 10)
    page.mouse.down()
    page.mouse.move(to["x"] - 3, to["y"] + 10, steps=6)
    expect(told).to_contain_text("first. Let it go here asks")
    page.keyboard.press("Escape")
    expect(told).to_be_hidden()
    page.mouse.move(box["x"] + 14, box["y"] + 10, steps=4)
    expect(told).to_be_hidden()
    page.mouse.up()
    page.wait_for_timeout(300)
    assert page.url == f"{address}/schedule?plan=1" and page.locator(".asked:visible").count() == 0
    row.locator("a.bld").nth(1).click()  # a click is one again
    page.wait_for_url("**/plates/**")


def test_pin_a_build_with_the_keyboard_and_release_it_with_the_mouse(page: Page, address: str) -> None:
    page.goto(f"{address}/schedule")
    row = max(page.locator("g.row").all(), key=lambda q: q.locator("a.bld").count())
    first, last = row.locator("a.bld").first, row.locator("a.bld").nth(row.locator("a.bld").count() - 1)
    name, behind = first.get_attribute("data-build"), last.get_attribute("data-build")
    tab_to(page, f"a.bld[data-build='{name}']")
    page.keyboard.press("p")
    expect(page.locator("main")).to_contain_text(f"Build {name} is pinned")
    pinned = page.locator(f"a.bld[data-build='{name}']")
    # A sign and a word, not a colour alone.
    expect(pinned.locator("path.pin")).to_have_count(1)
    expect(pinned.locator("title").first).to_contain_text("pinned by pia")
    tab_to(page, f"a.bld[data-build='{behind}']")
    for _ in range(20):
        page.keyboard.press("ArrowLeft")
    expect(page.locator("#moving")).to_contain_text("first")
    page.keyboard.press("Enter")
    expect(page.locator(".asked").first).to_contain_text(f"build {name} is pinned and would not stay as it is")
    page.goto(f"{address}/schedule")
    page.locator(f"a.bld[data-build='{name}'] .body").click(modifiers=["Alt"], position={"x": 3, "y": 20})
    expect(page.locator("main")).to_contain_text(f"Build {name} is released")
    expect(page.locator(f"a.bld[data-build='{name}'] path.pin")).to_have_count(0)


def test_pin_and_release_on_the_plate_without_script_needed(page: Page, address: str) -> None:
    page.goto(f"{address}/plates")
    page.locator("tbody th a").first.click()
    page.get_by_role("button", name="Pin", exact=True).click()
    expect(page.locator("main")).to_contain_text("pinned by pia")
    page.get_by_role("button", name="Release", exact=True).click()
    expect(page.locator("main")).not_to_contain_text("pinned by pia")


def test_try_a_line_on_another_plate_with_the_keyboard_alone(page: Page, address: str, site: Desk) -> None:
    plan_id = live_in_full(site).head.plan_id
    free = a_free_move(site)
    line, build, onto = free or a_move(site)
    page.goto(f"{address}/plates/{build}?plan={plan_id}")
    for name, wanted in (("line", line), ("onto", onto)):
        tab_to(page, f"#f-{name}")
        page.keyboard.press("Home")
        options = page.locator(f"#f-{name} option").evaluate_all("all => all.map(o => o.value)")
        for _ in range(options.index(wanted)):
            page.keyboard.press("ArrowDown")
        expect(page.locator(f"#f-{name}")).to_have_value(wanted)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    asked = page.locator(".asked").first
    expect(asked).to_contain_text("Landed cost of the plan" if free else "It cannot stand there")
    expect(page.locator("#f-line")).to_have_value(line)
    expect(page.locator("#f-onto")).to_have_value(onto)
    assert live_in_full(site).head.plan_id == plan_id, "nothing moves before somebody says so"


def test_the_curve_of_quantities_comes_by_itself(page: Page, address: str) -> None:
    page.goto(f"{address}/orders/1001-1")
    expect(page.locator(".curve circle")).to_have_count(12, timeout=30_000)
    assert Axe().run(page).response["violations"] == []
    page.get_by_text("The same as a table").click()
    expect(page.locator("[data-fill] tr.chosen")).to_have_count(1)


def test_go_on_from_the_live_plan_and_see_what_it_disturbs(page: Page, address: str) -> None:
    page.goto(f"{address}/runs/new")
    expect(page.locator("#f-begin")).to_have_value("live")
    page.fill("#f-seconds", "2")
    page.fill("#f-keep_h", "48")
    page.get_by_role("button", name="Start", exact=True).click()
    expect(page.locator("main")).to_contain_text("What it disturbs of plan", timeout=90_000)
    expect(page.locator("main")).to_contain_text("Lines that arrive later")
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("link", name=re.compile("promises that got later")).click()
    expect(page.locator("main")).to_contain_text(re.compile("No line arrives later|Promises that get later"))
    assert Axe().run(page).response["violations"] == []


def test_import_a_book_with_a_fault_mend_it_and_store_it(page: Page, address: str, tmp_path: Path) -> None:
    head = "line,order,customer,model,unit,alloy,quantity,ship_to,ship_country,received,due\n"
    row = "e2e-1,e2e,Invented,ring.stl,mm,316l,{},Lyon,FR,2027-02-20,2027-04-01\n"
    file = tmp_path / "orders.csv"
    file.write_text(head + row.format("lots"))
    page.goto(f"{address}/orders/import")
    page.set_input_files("#f-files", str(file))
    page.get_by_role("button", name="Look at it").click()
    expect(page.locator(".faults")).to_contain_text("quantity")
    file.write_text(head + row.format("4"))
    page.set_input_files("#f-files", str(file))
    page.get_by_role("button", name="Look at it").click()
    page.get_by_role("button", name="Store it").click()
    expect(page.locator("main")).to_contain_text("1 line new")
    page.goto(f"{address}/orders?text=e2e-1")
    page.get_by_role("link", name="e2e-1").click()
    expect(page.locator("main")).to_contain_text("Where to build")


def test_pin_a_line_and_change_a_machine(page: Page, address: str) -> None:
    page.goto(f"{address}/orders/1003-1")
    page.select_option("#f-site", "RHINE")
    page.get_by_role("button", name="Pin").click()
    expect(page.locator("main")).to_contain_text("pinned to Uferhof works")
    page.goto(f"{address}/network")
    form = page.locator("form[action='/network/field']").nth(1)
    form.locator("input[name=value]").fill("nothing")
    form.get_by_role("button").click()
    expect(page.locator("main")).to_contain_text("This could not be used")
    page.go_back()
    form.locator("input[name=value]").fill("88")
    before = form.locator("output").inner_text().removeprefix("now ")
    assert float(before) > 0
    form.get_by_role("button").click()
    expect(page.locator("main")).to_contain_text(f"{before} \u2192 88: keep?")
    page.get_by_role("button", name="Keep it").click()
    expect(page.locator("main")).to_contain_text("Saved as edition 2")
    expect(page.locator("main")).to_contain_text(f"{before} \u2192 88")


def test_a_pin_where_the_line_cannot_be_built_is_said_at_once(page: Page, address: str) -> None:
    page.goto(f"{address}/orders/1004-1")
    page.select_option("#f-site", "RHINE")
    page.get_by_role("button", name="Pin").click()
    said = page.get_by_role("alert")
    expect(said).to_contain_text("Uferhof works cannot build it")
    expect(said).to_contain_text("pin it to Millrace works, or to no site")
    assert Axe().run(page).response["violations"] == []
    page.select_option("#f-site", "")
    page.get_by_role("button", name="Pin").click()
    expect(said).to_have_count(0)


def test_download_a_plate(page: Page, address: str, tmp_path: Path) -> None:
    page.goto(f"{address}/plates?plan=1")
    page.locator("tbody th a").first.click()
    with page.expect_download() as download:
        page.get_by_role("link", name="3MF").click()
    target = tmp_path / "plate.3mf"
    download.value.save_as(target)
    with zipfile.ZipFile(target) as archive:
        assert any(n.endswith(".model") for n in archive.namelist())


def test_one_line_elsewhere_and_compare(page: Page, address: str) -> None:
    page.goto(f"{address}/orders/1001-1")
    page.fill("#f-seconds", "1")
    page.get_by_role("button", name="Try elsewhere").click()
    expect(page.locator("main")).to_contain_text("The true difference", timeout=60_000)
    expect(page.locator("main")).not_to_contain_text("Best landed cost")  # of which site, nobody could say
    page.get_by_role("link", name=re.compile("^plan ")).first.click()
    page.get_by_role("link", name=re.compile("^Beside plan")).click()
    expect(page.locator("main")).to_contain_text("Key figures")


def test_a_machine_that_is_down_is_recorded_and_taken_back(page: Page, address: str) -> None:
    page.goto(f"{address}/plates?plan=1")
    page.get_by_role("link", name="What happened on the floor").click()
    for machine, local in (("R01", "2027-03-01T12:00"), ("M01", "2027-03-01T06:00")):
        page.select_option("#f-machine", machine)
        assert page.input_value("#f-at") == local
    page.fill("#f-at", "2027-03-02T07:30")
    page.select_option("#f-machine", "R01")
    assert page.input_value("#f-at") == "2027-03-02T07:30"  # typed by hand, it stays
    page.fill("#f-until", "2027-03-01T07:30")
    page.get_by_role("button", name="Record").click()
    expect(page.locator("main")).to_contain_text("after the event")
    page.select_option("#f-machine", "M01")
    page.select_option("#f-machine", "R01")
    assert page.input_value("#f-at") == "2027-03-02T07:30"  # also when the form comes back with what is wrong
    page.fill("#f-until", "")
    page.fill("#f-note", "a lens is cracked")
    page.get_by_role("button", name="Record").click()
    machines = page.get_by_role("region", name="Machines").locator("table")
    expect(machines).to_contain_text("nobody knows until when")
    page.locator("summary", has_text="Withdraw").first.click()
    page.get_by_label("Why it is not so").fill("it was another machine")
    page.get_by_role("button", name="Withdraw").click()
    expect(machines).not_to_contain_text("since")


def test_make_a_what_if_look_at_it_compare_it_and_read_the_result(page: Page, address: str) -> None:
    page.goto(f"{address}/what-if")
    page.get_by_role("link", name="New what-if").first.click()
    page.fill("#f-file", "dearer.yaml")
    page.fill("#f-text", WHAT_IF.format(factor="much"))
    page.get_by_role("button", name="Look at it").click()
    expect(page.locator(".faults")).to_contain_text("price_factor")
    assert Axe().run(page).response["violations"] == []
    page.fill("#f-text", WHAT_IF.format(factor="3"))
    page.get_by_role("button", name="Look at it").click()
    expect(page.locator("main")).to_contain_text("It fits the network of today. Nothing is stored yet.")
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("button", name="Keep it").click()
    expect(page.locator("main")).to_contain_text("Freight three times as dear is kept as dearer.yaml")
    page.fill("#f-text", WHAT_IF.format(factor="much"))
    page.get_by_role("button", name="Look at it").click()
    expect(page.locator(".faults")).to_contain_text("price_factor")
    page.fill("#f-text", WHAT_IF.format(factor="3.0"))
    page.get_by_role("button", name="Keep as the next version").click()
    expect(page.locator("main")).to_contain_text("Kept as version 2.")
    page.get_by_role("link", name="Compare it").click()
    assert page.get_by_label("Freight three times as dear").is_checked()
    page.fill("#f-months", "1")
    page.fill("#f-replications", "2")
    page.fill("#f-near_km", "300")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator("main")).to_contain_text("Replications as CSV", timeout=120_000)
    main = page.locator("main")
    for said in ("invented data", "beside the network of today", "near is within 300", "Lines under export control"):
        expect(main).to_contain_text(said)
    page.get_by_text("What it changes (1)").click()
    expect(page.locator("details ol li")).to_contain_text("3")
    expect(page.get_by_role("row", name=re.compile("^landed cost"))).not_to_have_count(0)
    assert Axe().run(page).response["violations"] == []
    page.set_viewport_size({"width": 390, "height": 900})
    told = page.locator("td[data-of=Difference]").first.bounding_box()
    assert told is not None and told["x"] + told["width"] <= 390
    page.goto(f"{address}/what-if")
    page.get_by_role("link", name="Freight three times as dear").click()
    asked: list[str] = []
    page.once("dialog", lambda box: (asked.append(box.message), box.dismiss()))
    page.get_by_role("button", name="Delete").click()
    assert asked and "dearer.yaml" in asked[0]
    page.once("dialog", lambda box: box.accept())
    page.get_by_role("button", name="Delete").click()
    expect(page.locator("main")).to_contain_text("dearer.yaml is deleted.")


def test_try_rules_of_holding_plates_open(page: Page, address: str) -> None:
    page.goto(f"{address}/what-if")
    page.get_by_role("link", name="Hold a plate open?").click()
    page.fill("#f-covers", "50 fifty")
    page.get_by_role("button", name="Try the rules").click()
    expect(page.locator(".faults")).to_contain_text("50 fifty")
    page.fill("#f-covers", "50")
    page.fill("#f-months", "1")
    page.fill("#f-replications", "2")
    page.get_by_role("button", name="Try the rules").click()
    expect(page.locator("main")).to_contain_text("Cheapest of those that keep promises", timeout=120_000)
    expect(page.get_by_role("row", name=re.compile("^never held"))).to_have_count(1)
    assert Axe().run(page).response["violations"] == []


def test_ask_where_the_next_site_should_stand_keep_it_and_go_on_to_compare_it(page: Page, address: str) -> None:
    page.goto(f"{address}/what-if/site")
    page.fill("#f-places", "Detroit, US")
    page.select_option("#f-works_like", "OHIO")
    page.fill("#f-fixed_per_year", "50000")
    page.fill("#f-credentials", "AS9100")
    page.select_option("#f-machine_1", "M01")
    page.fill("#f-capex_1", "200000")
    page.fill("#f-staff_per_year_1", "20000")
    page.fill("#f-history_days", "3")
    page.fill("#f-bought_per_h", "lots")
    page.get_by_role("button", name="Write the question").click()
    expect(page.locator(".faults")).to_contain_text("bought_per_h")
    page.fill("#f-bought_per_h", "340")
    page.get_by_role("button", name="Write the question").click()
    expect(page.locator("main")).to_contain_text("It can be asked of the network of today.")
    assert Axe().run(page).response["violations"] == []
    page.fill("#f-seconds", "5")
    page.get_by_role("button", name="Ask", exact=True).click()
    expect(page.locator("main")).to_contain_text("Break-even map", timeout=120_000)
    expect(page.locator(".tornado rect")).to_have_count(6)
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("button", name="Keep as what-if").click()
    expect(page.locator("#f-beside option:checked")).to_contain_text("on the terms of")
    assert page.get_by_label("Open Detroit").is_checked()
    assert Axe().run(page).response["violations"] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 390])
def test_no_page_has_an_axe_violation_or_scrolls_sideways(page: Page, address: str, scheme: str, width: int) -> None:
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{address}/plates?plan=1")
    plate = page.locator("tbody th a").first.get_attribute("href")
    pages = (
        "/ /orders /orders/1001-2 /orders/import /schedule?plan=1 /plates?plan=1 /network /network/file /plans /plans/1"
    )
    more = "/compare?before=1&after=1 /runs /runs/new /tokens /trail /password /what-if /what-if/new /what-if/hold"
    paths = [
        *pages.split(),
        *more.split(),
        "/what-if/difference",
        "/what-if/site",
        "/what-if/hold",
        "/floor",
        str(plate),
    ]
    for path in paths:
        page.goto(f"{address}{path}")
        found = Axe().run(page).response["violations"]
        assert found == [], (path, [(v["id"], v["nodes"][0]["html"]) for v in found])
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, path


def test_schedule_moves_about_without_a_long_task(page: Page, address: str) -> None:
    page.goto(f"{address}/schedule?plan=1&days=56")
    page.evaluate(
        "() => { window.long = []; const told = l => l.getEntries().forEach(e => window.long.push(e.duration));"
        " new PerformanceObserver(told).observe({ entryTypes: ['longtask'] }); }"
    )
    for _ in range(20):
        page.mouse.wheel(0, 400)
        page.wait_for_timeout(30)
    assert [d for d in page.evaluate("window.long") if d > 100] == []


def test_names_in_tables_stay_whole_on_a_narrow_screen(page: Page, address: str) -> None:
    page.set_viewport_size({"width": 390, "height": 900})
    page.goto(f"{address}/orders")
    lines = page.evaluate(
        """() => [...document.querySelectorAll(".scroll tbody td:nth-child(3)")].map((cell) => {
          const range = document.createRange(); range.selectNodeContents(cell.firstChild);
          return range.getClientRects().length; })"""
    )
    assert lines and set(lines) == {1}  # names of models, none of them broken
    assert page.evaluate("document.documentElement.scrollWidth") == 390


def test_what_matters_most_in_a_table_is_in_sight_on_a_narrow_screen(page: Page, address: str) -> None:
    page.set_viewport_size({"width": 390, "height": 900})
    for path, table, cells in (
        ("/floor", "Machines", "td:last-child"),
        ("/orders/1001-1", "Where to build", "td"),
    ):
        page.goto(f"{address}{path}")
        found = page.get_by_role("region", name=table).locator(f"tbody {cells}").all()
        boxes = [box for cell in found if (box := cell.bounding_box())]
        assert boxes and all(b["x"] >= 0 and b["x"] + b["width"] <= 390 for b in boxes), path


def test_a_printed_schedule_keeps_lanes_beside_their_names_and_leaves_out_what_only_a_screen_can_do(
    page: Page, address: str
) -> None:
    page.goto(f"{address}/schedule?plan=1")
    page.emulate_media(media="print")
    for width in (718, 1047):  # A4 inside its margins, upright and across
        page.set_viewport_size({"width": width, "height": 900})
        heights = page.evaluate(
            """() => [...document.querySelectorAll(".sched")].map((s) =>
              [...s.querySelectorAll(":scope > * > svg")].map((d) => d.getBoundingClientRect().height))"""
        )
        assert heights and all(len(pair) == 2 and abs(pair[0] - pair[1]) < 1.5 for pair in heights), heights
        assert page.evaluate("document.querySelector('.sched').getBoundingClientRect().right") <= width
    for gone in ("nav.main", "#move-form", "main details summary"):
        expect(page.locator(gone).first).to_be_hidden()
    expect(page.get_by_role("heading", name="Move a build")).to_be_hidden()


@pytest.mark.parametrize("path", ["/orders", "/plates?plan=1", "/network", "/orders/1001-1"])
def test_a_printed_table_is_not_cut_off(page: Page, address: str, path: str) -> None:
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 1047, "height": 900})  # A4 across, inside its margins
    page.goto(f"{address}{path}")
    assert page.locator("table.broad").count()
    assert page.evaluate("document.scrollingElement.scrollWidth") <= 1047


def test_captions_are_whole_on_a_narrow_screen(page: Page, address: str) -> None:
    page.set_viewport_size({"width": 390, "height": 900})
    page.goto(f"{address}/plates")
    caption = page.locator("caption").first.bounding_box()
    assert caption is not None and caption["x"] + caption["width"] <= 390
    page.goto(f"{address}/schedule")
    names = page.evaluate(
        """() => [...document.querySelectorAll(".sched .names")].flatMap((names) =>
          [...names.querySelectorAll("text")].filter((text) => text.getClientRects().length)
            .map((text) => [text.textContent, text.getBoundingClientRect().right,
                            names.getBoundingClientRect().right]))"""
    )
    assert any("\u2026" in text for text, *_ in names), "a model too long for the room says that it goes on"
    assert [text for text, right, edge in names if right > edge] == []
