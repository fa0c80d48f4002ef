"""Sign-in by OpenID Connect against a real provider on this machine: who gets in, and who may do what."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from tests.browser.desk_server import free_port, idle, press, served
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
PEOPLE = {"ada": "signer", "ben": "reviewer", "dan": "reader", "eve": None, "mal": "signer"}
UNVERIFIED = "mal"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """A desk with sign-in, and a provider (PyPI oidc-provider-mock, MIT) that speaks OpenID Connect Core 1.0."""
    provider = pytest.importorskip("oidc_provider_mock", reason="pip install oidc-provider-mock")
    folder = tmp_path_factory.mktemp("shared")
    judged_logbook(folder, cameras=4, visits=1).close()
    port = free_port()
    people = [
        provider.User(
            sub=name,
            claims={
                "email": f"{name}@example.org",
                "email_verified": name != UNVERIFIED,
                "name": f"{name.title()} Example",
            },
        )
        for name in PEOPLE
    ]
    with provider.run_server_in_thread(user_claims=people) as server:
        secrets = folder / ".streamlit" / "secrets.toml"
        secrets.parent.mkdir()
        secrets.write_text(
            "[auth]\n"
            f'redirect_uri = "http://127.0.0.1:{port}/oauth2callback"\n'
            'cookie_secret = "only for this test, never elsewhere"\nclient_id = "desk"\nclient_secret = "made up"\n'
            f'server_metadata_url = "http://localhost:{server.server_port}/.well-known/openid-configuration"\n'
            "[roles]\n" + "".join(f'"{who}@example.org" = "{role}"\n' for who, role in PEOPLE.items() if role)
        )
        with served(folder / "logbook", port=port, folder=folder) as address:
            yield address, folder / "logbook"


@pytest.fixture
def visitor(browser: Any) -> Iterator[Callable[[], Any]]:
    """A browser of its own for each person: no shared cookies."""
    contexts = []

    def make() -> Any:
        contexts.append(browser.new_context())
        page = contexts[-1].new_page()
        page.set_default_timeout(30_000)
        return page

    yield make
    for context in contexts:
        context.close()


def sign_in(page: Any, address: str, who: str) -> None:
    page.goto(address)
    page.get_by_role("button", name="Sign in").click()
    page.locator("input[name='sub']").fill(who)
    page.locator("button[type='submit'], input[type='submit']").first.click()
    page.wait_for_url(f"{address}/**")


def test_nothing_is_shown_before_sign_in(desk: tuple[str, Path], visitor: Callable[[], Any]) -> None:
    page = visitor()
    for name in ("", "review", "sign", "site", "plan"):
        page.goto(f"{desk[0]}/{name}?name=Ada&visit=1")
        page.get_by_role("button", name="Sign in").wait_for()
        text = page.locator("body").inner_text()
        assert "C-1" not in text and "defect" not in text and page.locator(".counts").count() == 0


def test_a_reviewer_decides_under_the_name_of_the_sign_in(desk: tuple[str, Path], visitor: Callable[[], Any]) -> None:
    address, folder = desk
    page = visitor()
    sign_in(page, address, "ben")
    page.wait_for_selector(".finding")
    idle(page)
    assert page.get_by_label("Your name").count() == 0
    press(page, "c")
    page.wait_for_selector("text=confirmed by Ben Example")
    with Logbook.open(str(folder)) as book:
        decision = book.decisions(1)[-1]
        assert (decision.by, decision.decision, decision.check) == ("Ben Example", "confirm", "aim")
    page.goto(f"{address}/sign")
    page.wait_for_selector(".counts")
    page.wait_for_selector("text=Handover")
    assert page.get_by_role("button", name="Sign off as").count() == 0
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/oauth2/end_session?**")
    page.goto(address)
    page.get_by_role("button", name="Sign in").wait_for()


def test_a_reader_looks_and_changes_nothing(desk: tuple[str, Path], visitor: Callable[[], Any]) -> None:
    address, folder = desk
    page = visitor()
    sign_in(page, address, "dan")
    page.wait_for_selector(".finding")
    for name in ("Accept", "Reject", "Waive"):
        assert page.get_by_role("button", name=name).count() == 0
    with Logbook.open(str(folder)) as book:
        before = len(book.decisions(1))
        for key in ("c", "d", "t", "Enter"):
            page.keyboard.press(key)
            page.wait_for_timeout(300)
        assert len(book.decisions(1)) == before
    page.goto(f"{address}/bring_in")
    page.wait_for_selector("text=not change anything")
    assert page.get_by_role("button", name="Start").count() == 0


def test_only_a_signer_is_offered_to_sign(desk: tuple[str, Path], visitor: Callable[[], Any]) -> None:
    page = visitor()
    sign_in(page, desk[0], "ada")
    page.wait_for_selector(".counts")
    page.goto(f"{desk[0]}/sign")
    page.get_by_role("button", name="Sign off as Ada Example").wait_for()


@pytest.mark.parametrize("who", ["eve", UNVERIFIED])
def test_a_stranger_who_signed_in_sees_a_sentence(desk: tuple[str, Path], visitor: Callable[[], Any], who: str) -> None:
    """Also one whose address the provider has not verified (OpenID Connect Core 1.0, 5.1: email_verified)."""
    page = visitor()
    sign_in(page, desk[0], who)
    page.wait_for_selector(f"text=({who}@example.org) has no role here")
    assert page.locator(".counts").count() == 0
