"""A real server on a real port, and Chromium; without Chromium these tests are left out."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Iterator

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright
from whole_site import PASSWORD, peopled_desk

from router.asgi import from_settings
from router.bootstrap import Settings
from router.service.desk import Desk

_ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """The desk of the site, with a live plan."""
    return peopled_desk(tmp_path_factory.mktemp("e2e"))


@pytest.fixture(scope="module")
def address(site: Desk) -> Iterator[str]:
    """The site with a live plan and a worker."""

    with socket.socket() as some:
        some.bind(("127.0.0.1", 0))
        port = some.getsockname()[1]
    application = from_settings(site, Settings("", site.cache_dir))
    server = uvicorn.Server(uvicorn.Config(application, port=port, log_level="error"))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(30)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium of the system."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        pytest.skip("no Chromium on this machine")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=_ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def page(browser: Browser, address: str) -> Iterator[Page]:
    """A page with the planner signed in; trouble on the console fails the test."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    fresh = context.new_page()
    trouble: list[str] = []
    # Answers of 4xx are told on the console too; some journeys ask for them.
    fresh.on(
        "console", lambda m: trouble.append(m.text) if m.type == "error" and "a status of 4" not in m.text else None
    )
    fresh.goto(f"{address}/sign-in")
    fresh.fill("#f-name", "pia")
    fresh.fill("#f-password", PASSWORD)
    fresh.keyboard.press("Enter")
    fresh.wait_for_url(f"{address}/")
    yield fresh
    context.close()
    assert trouble == []
