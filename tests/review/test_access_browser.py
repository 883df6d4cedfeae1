"""Signing in and the pages of access in a real browser: phone and desk, day and night, axe-core, no sideways.

WCAG 2.2: 1.4.10, 2.5.8, 3.3.1, 3.3.7 and 3.3.8 (a password may be pasted and filled in by the browser).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize

from alerts.policy import Route
from deploy.database import Database
from review.access import accounts
from review.access.passwords import ONE_TIME_MS, Passwords, one_time
from review.access.visitor import Role
from review.console.house import House
from tests.alerts.northfold import PLAN
from tests.review.browser import DESK, PHONE, WALL, browser, serious, wide
from tests.review.front_door import QUICK
from tests.review.stage import PASSWORD, Stage, account, house_of, page_signed_in, served
from tests.review.test_system_page import give_up, refuse

OTHER = "snow on the south yard"
SIZES = {"phone": PHONE, "desk": DESK, "wall": WALL}
PAGES = (
    "/me",
    "/accounts",
    "/accounts/1",
    "/accounts/tokens",
    "/accounts/log",
    "/people?truck=NF-01&kind=bypass_stuck&priority=high",
    "/system",
    "/system/quarantine",
    "/system/quarantine/1",
    "/sign-in/again?next=/accounts",
)


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    folder: Path = tmp_path_factory.mktemp("browser")
    database = Database(folder / "heatbook.db", synchronous="off")
    refuse(database, "wrong_type", "NF-01")
    give_up(database, "NF-01", "NF-02")
    with served(_with_people(house_of(database)), database) as at:
        account(at.database, Role.VIEWER)
        yield at


def _with_people(house: House) -> House:
    policy = replace(house.policy, plan=PLAN, routes=(Route(channel="log"),))
    return replace(house, policy=policy)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as started:
        yield started


@pytest.fixture
def phone(chromium: Browser) -> Iterator[Page]:
    context = chromium.new_context(viewport=_size("phone"))
    page = context.new_page()
    page.on("pageerror", lambda error: pytest.fail(str(error)))
    yield page
    context.close()


def _size(name: str) -> ViewportSize:
    return ViewportSize(width=SIZES[name]["width"], height=SIZES[name]["height"])


def test_a_wrong_password_is_said_and_the_right_one_leads_on(phone: Page, at: Stage) -> None:
    account(at.database, Role.MANAGER)
    phone.goto(at.url + "/people")
    assert phone.url == f"{at.url}/sign-in?next=%2Fpeople"
    assert serious(phone) == []
    assert wide(phone) <= 0
    phone.get_by_label("Name").fill("ines")
    phone.get_by_label("Password", exact=True).fill("not it at all")
    phone.get_by_role("button", name="Sign in").click()
    assert "That did not let you in" in phone.get_by_role("alert").inner_text()
    assert phone.get_by_label("Name").input_value() == "ines"
    assert phone.get_by_label("Password", exact=True).input_value() == ""
    assert serious(phone) == []
    phone.get_by_label("Password", exact=True).fill(PASSWORD)
    phone.keyboard.press("Enter")
    phone.wait_for_url(at.url + "/people")
    phone.get_by_role("button", name="Sign out").click()
    phone.wait_for_url(at.url + "/sign-in")
    phone.go_back()
    phone.reload()
    assert phone.url.startswith(at.url + "/sign-in")


def test_a_password_can_be_looked_at_while_it_is_typed(phone: Page, at: Stage) -> None:
    phone.goto(at.url + "/sign-in")
    field = phone.get_by_label("Password", exact=True)
    field.fill("seen")
    phone.get_by_role("button", name="Show password").click()
    assert field.get_attribute("type") == "text"
    phone.get_by_role("button", name="Hide password").click()
    assert field.get_attribute("type") == "password"
    assert field.get_attribute("autocomplete") == "current-password"


def test_it_works_without_scripts_and_no_script_reads_the_session(
    chromium: Browser, at: Stage
) -> None:
    account(at.database, Role.MANAGER)
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page_signed_in(page, at, path="/me")
    context.close()
    context = chromium.new_context()
    page = context.new_page()
    page_signed_in(page, at, path="/me")
    assert page.evaluate("document.cookie") == ""
    context.close()


def test_a_one_time_password_leads_to_ones_own(phone: Page, at: Stage) -> None:
    given = one_time()
    with at.database.write() as tx:
        kept = Passwords(QUICK).keep(given)
        until_ms = at.house.gate.now_ms() + ONE_TIME_MS
        accounts.add(tx, "Guest", Role.VIEWER, kept, now_ms=0, one_time_until_ms=until_ms)
    phone.goto(at.url + "/sign-in?next=/me")
    phone.get_by_label("Name").fill("Guest")
    phone.get_by_label("Password", exact=True).fill(given.upper())
    phone.get_by_role("button", name="Sign in").click()
    phone.wait_for_url(at.url + "/sign-in/password?next=%2Fme")
    assert serious(phone) == []
    assert wide(phone) <= 0
    phone.get_by_label("New password", exact=True).fill(OTHER)
    phone.get_by_label("New password once more", exact=True).fill(OTHER)
    phone.get_by_role("button", name="Keep this password").click()
    phone.wait_for_url(at.url + "/me")
    phone.get_by_label("Temperatures").select_option("F")
    phone.get_by_role("button", name="Show numbers so").click()
    assert phone.get_by_label("Temperatures").input_value() == "F"


def test_somebody_is_added_on_a_phone(phone: Page, at: Stage) -> None:
    page_signed_in(phone, at, path="/accounts")
    phone.get_by_label("Name").fill("Omar of the night")
    phone.get_by_label("technician").check()
    phone.get_by_role("button", name="Add, and show").click()
    assert len(phone.locator(".once").inner_text()) == 19
    assert serious(phone) == []
    phone.get_by_role("link", name="To the accounts").click()
    phone.get_by_role("link", name="Omar of the night").click()
    phone.get_by_role("button", name="Disable the account").click()
    assert "disabled" in phone.get_by_role("main").inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_pages_fit_and_can_be_used_by_everybody(
    chromium: Browser, at: Stage, size: str, scheme: str
) -> None:
    context = chromium.new_context(
        viewport=_size(size), color_scheme="dark" if scheme == "dark" else "light"
    )
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on(
        "console",
        lambda said: errors.append(said.text) if said.type == "error" else None,
    )
    page_signed_in(page, at, path="/me")
    for path in PAGES:
        page.goto(at.url + path)
        assert serious(page) == [], path
        assert wide(page) <= 0, path
        assert page.locator("h1").count() == 1, path
        assert _small(page) == [], path
    assert errors == []
    context.close()


def _small(page: Page) -> list[str]:
    """Give what is to be pressed and is less than 44 px high or wide (house rule; WCAG 2.5.8 asks for 24)."""
    found: list[str] = page.evaluate(
        """() => [...document.querySelectorAll("main button, main select, main summary, main .button")]
        .filter(each => each.offsetParent && each.getBoundingClientRect().height < 44)
        .map(each => each.outerHTML.slice(0, 100))"""
    )
    return found
