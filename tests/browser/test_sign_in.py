"""Sign-in by OpenID Connect against a real provider on this machine: who gets in, and who may do what."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from audit.logbook import Logbook
from tests.browser.desk_server import free_port, idle, press, served, turned
from tests.browser.test_bring_in import small_jpeg
from tests.desk_samples import judged_logbook

pytestmark = pytest.mark.browser
#: So many that a visit is under way when a page is loaded anew, so few that it starts no workers of its own (chosen).
GOOD = 15
#: Subjects of the provider, with the roles that the operator gave them; who they say they are is another thing.
ROLES = {"ada": "signer", "ben": "reviewer", "cleo": "crew", "dan": "reader"}
ADA = {"email": "ada@example.org", "email_verified": True, "name": "Ada Example"}
CLAIMS: dict[str, dict[str, Any]] = {
    **{who: ADA | {"email": f"{who}@example.org", "name": "What they call themselves"} for who in ROLES},
    "eve": {"email": "eve@example.org", "email_verified": True, "name": "Ada Example"},
    "mal": ADA | {"email_verified": False},
    "textual": ADA | {"email_verified": "true"},
    "silent": {name: ADA[name] for name in ("email", "name")},
    "shouting": ADA | {"email": "ADA@example.org"},
    "kelvin": {"email": "\u212aim@example.org", "email_verified": True, "name": "Kim Example"},
    "accents": {"email": "jose\u0301@example.org", "email_verified": True, "name": "Jose Example"},
}
STRANGERS = sorted(set(CLAIMS) - set(ROLES))


@dataclass(frozen=True)
class Shared:
    """A desk with sign-in, and its provider."""

    address: str
    book: Path
    photos: Path
    issuer: str


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    """A desk with sign-in, and a provider (PyPI oidc-provider-mock, MIT) that speaks OpenID Connect Core 1.0."""
    provider = pytest.importorskip("oidc_provider_mock", reason="pip install oidc-provider-mock")
    folder = tmp_path_factory.mktemp("shared")
    judged_logbook(folder, cameras=4, visits=1).close()
    photos = folder / "photos"
    photos.mkdir()
    port = free_port()
    people = [provider.User(sub=who, claims=claims) for who, claims in CLAIMS.items()]
    with provider.run_server_in_thread(user_claims=people) as server:
        issuer = f"http://localhost:{server.server_port}"
        settings = write_settings(folder / "desk.toml", port, issuer, folders=(photos,))
        with served(folder / "logbook", port=port, settings=settings) as address:
            yield Shared(address, folder / "logbook", photos, issuer)


def write_settings(path: Path, port: int, issuer: str, folders: tuple[Path, ...] = ()) -> Path:
    """The operator's file: Ada by her address, the others by their subject."""
    people = (
        "".join(
            f'[[people]]\nrole = "{role}"\nname = "{who.title()} Example"\n'
            + (f'email = "{who}@example.org"\n' if who == "ada" else f'subject = "{who}"\n')
            for who, role in ROLES.items()
        )
        + '[[people]]\nrole = "signer"\nemail = "Kim@example.org"\n'
    )
    path.write_text(
        f'[auth]\nredirect_uri = "http://127.0.0.1:{port}/oauth2callback"\n'
        'cookie_secret = "only for this test, never elsewhere"\nclient_id = "desk"\nclient_secret = "made up"\n'
        f'server_metadata_url = "{issuer}/.well-known/openid-configuration"\n'
        f"{people}[desk]\nfolders = [{', '.join(repr(str(f)) for f in folders)}]\n"
    )
    path.chmod(0o600)
    return path


@pytest.fixture
def visitor(browser: Any, new_page_of: Callable[[str], Any]) -> Iterator[Callable[[], Any]]:
    """A browser for each person, no shared cookies: the first of a test has the kept window, which was emptied of them."""
    contexts: list[Any] = []
    first: list[Any] = []

    def make() -> Any:
        if not first:
            first.append(new_page_of("desk"))
            return first[0]
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


def test_nothing_is_shown_before_sign_in(desk: Shared, visitor: Callable[[], Any]) -> None:
    page = visitor()
    sockets: list[str] = []
    page.on("websocket", lambda socket: sockets.append(socket.url))
    for name in ("", "review", "sign", "site", "plan"):
        page.goto(f"{desk.address}/{name}?name=Ada&visit=1")
        page.get_by_role("button", name="Sign in").wait_for()
        text = page.locator("body").inner_text()
        assert "C-1" not in text and "defect" not in text and page.locator(".counts").count() == 0
    assert sockets == []


def test_a_reviewer_decides_under_the_operators_name_with_issuer_and_subject(
    desk: Shared, visitor: Callable[[], Any]
) -> None:
    page = visitor()
    sign_in(page, desk.address, "ben")
    page.wait_for_selector(".finding")
    idle(page)
    assert page.get_by_label("Your name").count() == 0
    press(page, "c")
    page.wait_for_selector("text=confirmed by Ben Example")
    with Logbook.open(str(desk.book)) as book:
        decision = book.decisions(1)[-1]
        assert (decision.by, decision.decision) == (f"Ben Example <{desk.issuer} ben>", "confirm")
    page.goto(f"{desk.address}/sign")
    page.wait_for_selector(".counts")
    page.wait_for_selector("text=Handover")
    assert page.get_by_role("button", name="Sign off as").count() == 0


def test_who_signed_out_is_out_with_every_open_page_and_every_copy_of_the_cookie(
    desk: Shared, visitor: Callable[[], Any]
) -> None:
    page = visitor()
    sign_in(page, desk.address, "ben")
    page.wait_for_selector(".counts")
    other = page.context.new_page()
    other.goto(desk.address)
    other.wait_for_selector(".finding")
    idle(other)
    copied = page.context.cookies()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/oauth2/end_session?**")
    with Logbook.open(str(desk.book)) as book:
        before = len(book.decisions(1))
        for key in ("c", "Enter"):
            other.keyboard.press(key)
            other.wait_for_timeout(700)
        assert len(book.decisions(1)) == before
    page.context.add_cookies(copied)
    page.goto(desk.address)
    page.get_by_role("button", name="Sign in").wait_for()


def test_people_see_where_they_are_signed_in_and_end_it(desk: Shared, visitor: Callable[[], Any]) -> None:
    left, here = visitor(), visitor()
    for page in (left, here):
        sign_in(page, desk.address, "ben")
        page.wait_for_selector(".counts")
    here.get_by_role("link", name="Where you are signed in").click()
    here.wait_for_url("**/sessions")
    buttons = here.get_by_role("button", name="End it")
    assert here.get_by_text("(this one)").count() == 1 and buttons.count() >= 1
    while buttons.count():
        buttons.first.click()
        here.wait_for_load_state()
    left.goto(desk.address)
    left.get_by_role("button", name="Sign in").wait_for()
    here.get_by_role("link", name="Back to the desk").click()
    here.wait_for_selector(".counts")


def test_a_reader_looks_and_changes_nothing(desk: Shared, visitor: Callable[[], Any]) -> None:
    page = visitor()
    sign_in(page, desk.address, "dan")
    page.wait_for_selector(".finding")
    assert page.locator(".st-key-confirm").count() == 0
    with Logbook.open(str(desk.book)) as book:
        before = len(book.decisions(1))
        for key in ("c", "d", "t", "Enter"):
            page.keyboard.press(key)
            page.wait_for_timeout(300)
        assert len(book.decisions(1)) == before
    page.goto(f"{desk.address}/bring_in")
    page.wait_for_selector("text=not change anything")
    assert page.get_by_role("button", name="Start").count() == 0


def test_only_a_signer_is_offered_to_sign_and_not_without_the_passphrase(
    desk: Shared, visitor: Callable[[], Any]
) -> None:
    page = visitor()
    sign_in(page, desk.address, "ada")
    page.wait_for_selector(".counts")
    page.goto(f"{desk.address}/sign")
    page.get_by_role("button", name="Sign off as Ada Example").click()
    page.wait_for_selector("text=Type the key's passphrase")
    with Logbook.open(str(desk.book)) as book:
        assert book.visit(1).signed_at is None


@pytest.mark.parametrize("who", STRANGERS)
def test_a_stranger_who_signed_in_sees_a_sentence(desk: Shared, visitor: Callable[[], Any], who: str) -> None:
    """Whoever calls themselves Ada, and whoever has her address unverified or nearly hers (OpenID Connect Core 1.0, 5.1
    and 5.7: ``email_verified`` is a boolean, and only issuer and subject say who it is)."""
    page = visitor()
    sockets: list[str] = []
    page.on("websocket", lambda socket: sockets.append(socket.url))
    sign_in(page, desk.address, who)
    page.wait_for_selector(f"text=({CLAIMS[who]['email']}) has no role here")
    assert page.locator(".counts").count() == 0 and sockets == []


def test_photos_are_brought_in_by_drop_and_from_a_folder_of_the_list_alone(
    desk: Shared, visitor: Callable[[], Any], tmp_path: Path
) -> None:
    with Logbook.open(str(desk.book)) as book:
        before, refused = len(book.photos(book.visit())), book.refusals(book.visit())
    for n in range(GOOD):
        (desk.photos / f"IMG_{n:03d}.jpg").write_bytes(small_jpeg(before + n))
    dropped = tmp_path / "dropped.jpg"
    dropped.write_bytes(small_jpeg(before + GOOD))
    page = visitor()
    sign_in(page, desk.address, "cleo")
    page.wait_for_selector(".counts")
    page.goto(f"{desk.address}/bring_in")
    start = page.get_by_role("button", name="Start")
    start.wait_for()
    idle(page)
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "IMG_999.jpg").write_bytes(small_jpeg(999))
    outside = desk.photos.parent / "outside"
    outside.unlink(missing_ok=True)
    outside.symlink_to(secret)
    for folder in (secret, "/etc", f"{desk.photos}/../outside", desk.photos.parent, "relative"):
        page.get_by_label("Folder on this computer").fill(str(folder))
        start.press("Enter")
        page.wait_for_selector("text=not on the server's list")
        turned(page, "bring_in")
        page.wait_for_selector("text=not on the server's list", state="detached")
    page.get_by_label("Folder on this computer").fill(str(desk.photos))
    start.press("Enter")
    page.wait_for_function(f"/of {GOOD}|{before + GOOD} photos read/.test(document.body.innerText)", timeout=120_000)
    page.reload()
    page.wait_for_selector(f"text={before + GOOD} photos read, {len(refused)} refused", timeout=120_000)
    with Logbook.open(str(desk.book)) as book:
        visit = book.visit()
        assert len(book.photos(visit)) == before + GOOD and book.refusals(visit) == refused
    idle(page)
    page.get_by_label("Folder on this computer").fill("")
    page.get_by_test_id("stForm").locator("input[type='file']").set_input_files([str(dropped)])
    page.wait_for_selector("text=dropped.jpg")
    idle(page)
    start.press("Enter")
    page.wait_for_selector(f"text={before + GOOD + 1} photos read, {len(refused)} refused", timeout=120_000)


def test_without_a_list_of_folders_none_is_asked_for(desk: Shared, tmp_path: Path, visitor: Callable[[], Any]) -> None:
    port = free_port()
    settings = write_settings(tmp_path / "desk.toml", port, desk.issuer)
    with served(desk.book, port=port, settings=settings) as address:
        page = visitor()
        sign_in(page, address, "cleo")
        page.wait_for_selector(".counts")
        page.goto(f"{address}/bring_in")
        page.get_by_test_id("stForm").locator("input[type='file']").wait_for(state="attached")
        assert page.get_by_label("Folder on this computer").count() == 0


def test_a_foreign_page_can_not_frame_the_desk(tmp_path: Path, visitor: Callable[[], Any]) -> None:
    """The Content Security Policy's frame-ancestors (W3C CSP Level 3, 6.4.2), on a desk without sign-in, the easier prey."""
    judged_logbook(tmp_path, cameras=1, visits=1).close()
    with served(tmp_path / "logbook") as address:
        page = visitor()
        for host in (address, address.replace("127.0.0.1", "localhost")):
            page.set_content(f'<iframe src="{host}/sign?name=Ada+Example&visit=1" width="900" height="900"></iframe>')
            page.wait_for_timeout(4000)
            (frame,) = page.main_frame.child_frames
            assert "Sign off" not in frame.content() and frame.locator(".stApp").count() == 0
