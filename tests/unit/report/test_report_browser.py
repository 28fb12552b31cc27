"""The report in a real browser, where one is at hand: nothing fetched, nothing too wide, the filter filters."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest

from router.domain.network import Scenario
from router.domain.result import Result
from router.report import write_report

sync_api = pytest.importorskip("playwright.sync_api")
_CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(_CHROMIUM is None, reason="no chromium on this machine")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=_CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"],
        )
        yield found
        found.close()


@pytest.fixture(scope="module")
def address(run: tuple[Scenario, Result], tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(write_report(*run, [], 10), encoding="utf-8")
    return path.as_uri()


def _open(browser: Any, address: str, width: int, **options: Any) -> tuple[Any, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 900}, **options)
    heard: list[str] = []
    page.on("console", lambda message: heard.append(message.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("request", lambda request: heard.append(request.url) if request.url.startswith("http") else None)
    page.goto(address)
    return page, heard


@pytest.mark.parametrize("width", [390, 820, 1440])
def test_nothing_is_fetched_and_nothing_hangs_over(browser: Any, address: str, width: int) -> None:
    page, heard = _open(browser, address, width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert heard == []
    page.close()


def test_the_filter_filters_and_a_link_opens_its_line(browser: Any, address: str, run: tuple[Scenario, Result]) -> None:
    page, heard = _open(browser, address, 1440)
    shown = "document.querySelectorAll('details.line:not([hidden])').length"
    assert page.evaluate(shown) == len(run[0].lines)
    page.select_option("#find-state", "late")
    assert page.evaluate(shown) == run[1].kpis.late_lines > 0
    page.select_option("#find-state", "")
    page.fill("#find-words", "titanium oslo")
    wanted = [x for x in run[0].lines if x.alloy_id == "Ti64" and x.ship_to.name == "Oslo"]
    assert page.evaluate(shown) == len(wanted)
    page.click("#line-tools button[type=reset]")
    page.wait_for_function(f"{shown} == {len(run[0].lines)}")
    page.evaluate("location.hash = document.querySelectorAll('details.line')[5].id")
    page.wait_for_function("document.querySelectorAll('details.line')[5].open")
    assert heard == []
    page.close()


def test_complete_without_script(browser: Any, address: str, run: tuple[Scenario, Result]) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(address)
    assert page.locator("details.line").count() == len(run[0].lines)
    assert not page.locator("#line-tools").is_visible()
    assert page.locator("figure.plate svg").first.is_visible()
    context.close()
