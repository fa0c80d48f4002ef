"""A fitter's phone let in for aiming with the desk's code, in two browsers: the desk's and the phone's."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from audit.logbook import Logbook
from tests.browser import test_sign_in
from tests.browser.desk_server import SIZES, idle
from tests.browser.test_sign_in import Shared, sign_in

pytestmark = pytest.mark.browser
desk = test_sign_in.desk
visitor = test_sign_in.visitor
PAGES = ("review", "bring_in", "place", "site", "over_time", "checks", "sign", "plan", "aim", "sessions")


@pytest.fixture
def phone(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport=SIZES["phone"])
    page = context.new_page()
    page.set_default_timeout(30_000)
    yield page
    context.close()


def test_a_phone_is_let_in_for_aiming_alone_and_turned_away(
    desk: Shared, visitor: Callable[[], Any], phone: Any, keep: Any
) -> None:
    page = visitor()
    sign_in(page, desk.address, "cleo")
    page.goto(f"{desk.address}/aim")
    page.get_by_text("Let a phone in").click()
    idle(page)
    page.get_by_role("button", name="Show a new code").click()
    page.wait_for_selector("img.pair")
    idle(page)
    digits = page.locator("h3").last.inner_text().replace(" ", "")
    assert len(digits) == 8 and digits.isdigit()
    keep(page, "pair_desk")
    phone.goto(f"{desk.address}/pair#{digits}")
    assert phone.get_by_label("Code").input_value() == digits and "#" not in phone.url
    keep(phone, "pair_phone")
    phone.get_by_label("Your name").fill("Fay Example")
    phone.get_by_role("button", name="Let me in").click()
    phone.wait_for_selector("text=Visit 1, aiming alone, as Fay Example")
    phone.get_by_role("button", name="Start").wait_for()
    idle(phone)
    keep(phone, "pair_phone_in")
    assert phone.locator('[data-testid="stPageLink"]').count() == 0 and phone.get_by_text("Let a phone in").count() == 0
    for name in PAGES:
        answer = phone.goto(f"{desk.address}/{name}?visit=1")
        assert answer.status == 403 and "for aiming alone" in phone.locator("body").inner_text(), name
    phone.goto(f"{desk.address}/?visit=1&page=sign")
    phone.get_by_role("button", name="Start").wait_for()
    assert "Handover" not in phone.locator("body").inner_text()
    page.get_by_role("button", name="Turn away").click()
    page.get_by_role("button", name="Turn away").wait_for(state="detached")
    phone.goto(desk.address)
    phone.get_by_role("button", name="Sign in").wait_for()
    with Logbook.open(str(desk.book)) as book:
        events = [(p.event, p.name, p.by.partition(" <")[0]) for p in book.pairings(1)]
    assert events == [("issued", None, "Cleo Example"), ("joined", "Fay Example", "Cleo Example"), ("revoked", None, "Cleo Example")]
