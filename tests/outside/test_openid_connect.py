"""Sign-in held to OpenID Connect Core 1.0: what an ID token must say (2, 3.1.3.7, 3.1.3.8), and RFC 6749's state.

The provider is PyPI's oidc-provider-mock (MIT), whose true tokens are bent on their way out, one claim a test, and signed
anew by PyPI's joserfc (BSD-3-Clause). A bent token lets nobody in.
"""

from __future__ import annotations

import base64
import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest

from tests.browser.desk_server import free_port, served
from tests.desk_samples import judged_logbook

Claims = dict[str, Any]
Bend = Callable[[Claims], object]


@dataclass
class Provider:
    """A provider that lies on request."""

    bend: Bend = field(default=lambda claims: None)
    sign: Callable[[Claims, Any], str] | None = None
    metadata: Bend = field(default=lambda said: None)
    issuer: str = ""

    def be_honest(self) -> None:
        """No lies."""
        self.bend, self.sign, self.metadata = (lambda claims: None), None, (lambda said: None)


def part(text: str) -> Claims:
    found: Claims = json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    return found


def packed(value: Claims) -> str:
    return base64.urlsafe_b64encode(json.dumps(value).encode()).rstrip(b"=").decode()


def by_key(claims: Claims, key: Any, alg: str = "RS256") -> str:
    from joserfc import jwt

    header = {"alg": alg, "kid": key.kid} if key.kid else {"alg": alg}
    return jwt.encode(header, claims, key, algorithms=[alg])


def by_another_key(claims: Claims, key: Any) -> str:
    from joserfc.jwk import RSAKey

    return by_key(claims, RSAKey.generate_key(2048, {"kid": key.kid} if key.kid else None))


def by_a_key_it_brings(claims: Claims, key: Any) -> str:
    """The token's own header offers the key to check it with, and a place to fetch one."""
    from joserfc import jwt
    from joserfc.jwk import RSAKey

    own = RSAKey.generate_key(2048, {"kid": "its own"})
    header = {"alg": "RS256", "kid": "its own", "jwk": own.as_dict(private=False), "jku": "http://127.0.0.1:1/keys"}
    return jwt.encode(header, claims, own, algorithms=["RS256"])


def by_nothing(claims: Claims, key: Any) -> str:
    return f"{packed({'alg': 'none', 'kid': key.kid})}.{packed(claims)}."


def by_client_secret(claims: Claims, key: Any) -> str:
    """Asymmetric to symmetric: whoever knows the client's secret isn't the provider."""
    from joserfc.jwk import OctKey

    return by_key(claims, OctKey.import_key("made up, of the client"), "HS256")


def by_public_key(claims: Claims, key: Any) -> str:
    """The public key's text taken for a secret."""
    from joserfc.jwk import OctKey

    return by_key(claims, OctKey.import_key(key.as_pem(private=False)), "HS256")


def unsigned(claims: Claims, key: Any) -> str:
    return by_key(claims, key).rpartition(".")[0] + "."


@pytest.fixture(scope="module")
def provider() -> Iterator[Provider]:
    library = pytest.importorskip("oidc_provider_mock", reason="pip install oidc-provider-mock")
    import flask
    import werkzeug.serving
    from joserfc.jwk import RSAKey

    said = Provider()
    ada = library.User(sub="ada", claims={"email": "ada@example.org", "email_verified": True})
    app = library.app(user_claims=[ada])

    @app.after_request
    def bent(response: Any) -> Any:
        body = response.get_json(silent=True)
        if flask.request.path == "/oauth2/token" and "id_token" in (body or {}):
            claims = part(body["id_token"].split(".")[1])
            said.bend(claims)
            private = flask.g.oidc_provider_mock_storage.jwk.as_dict(is_private=True)
            body["id_token"] = (said.sign or by_key)(claims, RSAKey.import_key(private))
            response.set_data(json.dumps(body))
        elif flask.request.path.startswith("/.well-known/"):
            said.metadata(body)
            response.set_data(json.dumps(body))
        return response

    server = werkzeug.serving.make_server("localhost", 0, app, threaded=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    said.issuer = f"http://localhost:{server.server_port}"
    yield said
    server.shutdown()


@pytest.fixture(scope="module")
def desk(provider: Provider, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("openid")
    judged_logbook(folder, cameras=1, visits=1).close()
    port = free_port()
    settings = folder / "desk.toml"
    settings.write_text(
        f'[auth]\nredirect_uri = "http://127.0.0.1:{port}/oauth2callback"\n'
        'cookie_secret = "made up for this test, and long enough"\nclient_id = "desk"\n'
        'client_secret = "made up, of the client"\n'
        f'server_metadata_url = "{provider.issuer}/.well-known/openid-configuration"\n'
        '[[people]]\nrole = "signer"\nsubject = "ada"\n[[people]]\nrole = "signer"\nemail = "ada@example.org"\n'
    )
    settings.chmod(0o600)
    with served(folder / "logbook", port=port, settings=settings) as address:
        yield address


def callback(visitor: httpx.Client, desk: str) -> str:
    """Through sign-in to where the provider sends the visitor back."""
    asked = visitor.get(f"{desk}/sign-in", follow_redirects=True)
    assert asked.status_code == 200, asked.text
    answered = visitor.post(str(asked.url), data={"sub": "ada"})
    assert answered.status_code == 302, answered.text
    return answered.headers["location"]


def gets_in(visitor: httpx.Client, desk: str) -> bool:
    return visitor.get(desk, headers={"Accept": "text/html"}).status_code == 200


def signs_in(desk: str) -> bool:
    with httpx.Client(timeout=30) as visitor:
        assert not gets_in(visitor, desk)
        visitor.get(callback(visitor, desk), follow_redirects=False)
        return gets_in(visitor, desk)


@pytest.fixture(autouse=True)
def honest(provider: Provider) -> Iterator[None]:
    provider.be_honest()
    yield
    provider.be_honest()


def without(name: str) -> Bend:
    return lambda claims: claims.pop(name, None)


def with_(**changed: Any) -> Bend:
    return lambda claims: claims.update(changed)


def test_an_honest_token_lets_in(desk: str) -> None:
    assert signs_in(desk)


def test_two_audiences_with_the_client_as_authorized_party_let_in(desk: str, provider: Provider) -> None:
    provider.bend = with_(aud=["desk", "other"], azp="desk")
    assert signs_in(desk)


@pytest.mark.parametrize(
    ("rule", "bend"),
    [
        ("2: iss is required", without("iss")),
        ("3.1.3.7, 2: iss must match exactly", with_(iss="https://elsewhere.example")),
        ("2: aud is required", without("aud")),
        ("3.1.3.7, 3: aud must contain the client", with_(aud="other")),
        ("3.1.3.7, 3: also as a list", with_(aud=["other"])),
        ("3.1.3.7, 5: azp must be the client", with_(aud=["desk", "other"], azp="other")),
        ("2: exp is required", without("exp")),
        ("3.1.3.7, 9: exp must be ahead", with_(exp=int(time.time()) - 3600)),
        ("2: iat is required", without("iat")),
        ("3.1.3.7, 10: iat too far ahead", with_(iat=int(time.time()) + 86400, exp=int(time.time()) + 90000)),
        ("RFC 7519, 4.1.5: nbf must be behind", with_(nbf=int(time.time()) + 86400)),
        ("3.1.3.7, 11: nonce must be there", without("nonce")),
        ("3.1.3.7, 11: nonce must be the one sent", with_(nonce="another")),
        ("2: sub is required", without("sub")),
        ("2: sub is text", with_(sub=1)),
        ("3.1.3.8: at_hash must fit the access token", with_(at_hash="AAAAAAAAAAAAAAAAAAAAAA")),
    ],
)
def test_a_bent_claim_lets_nobody_in(desk: str, provider: Provider, rule: str, bend: Bend) -> None:
    provider.bend = bend
    assert not signs_in(desk), rule


@pytest.mark.parametrize(
    "sign", [by_another_key, by_a_key_it_brings, by_nothing, by_client_secret, by_public_key, unsigned]
)
def test_a_token_that_the_provider_did_not_sign_lets_nobody_in(
    desk: str, provider: Provider, sign: Callable[[Claims, Any], str]
) -> None:
    """3.1.3.7, 6 and 7; RFC 8725, 3.1, 3.2 and 3.10 for algorithms turned into others and keys that a token brings."""
    provider.sign = sign
    assert not signs_in(desk)


def test_another_issuers_metadata_let_nobody_in(desk: str, provider: Provider) -> None:
    """OpenID Connect Discovery 1.0, 4.3: the issuer must be the one whose metadata was asked for."""
    provider.metadata = with_(issuer="https://elsewhere.example")
    provider.bend = with_(iss="https://elsewhere.example")
    assert not signs_in(desk)


def test_an_answer_that_was_not_asked_for_lets_nobody_in(desk: str) -> None:
    """RFC 6749, 10.12: state binds the answer to the browser that asked, so that nobody is signed in as another."""
    with httpx.Client(timeout=30) as one, httpx.Client(timeout=30) as other:
        of_one = callback(one, desk)
        other.get(of_one)
        assert not gets_in(other, desk)
        callback(other, desk)
        other.get(of_one)
        assert not gets_in(other, desk)
        bent = of_one.replace("state=", "state=x")
        one.get(bent)
        assert not gets_in(one, desk)


def test_signing_in_anew_ends_the_session_before(desk: str) -> None:
    with httpx.Client(timeout=30) as visitor, httpx.Client(timeout=30) as copy:
        visitor.get(callback(visitor, desk))
        copy.cookies.update(visitor.cookies)
        assert gets_in(copy, desk)
        visitor.get(callback(visitor, desk))
        assert gets_in(visitor, desk) and not gets_in(copy, desk)


def test_a_code_counts_once(desk: str) -> None:
    """RFC 6749, 4.1.2: a code is used once; the desk's answer to it again lets nobody in."""
    with httpx.Client(timeout=30) as visitor:
        back = callback(visitor, desk)
        visitor.get(back)
        assert gets_in(visitor, desk)
        visitor.get(f"{desk}/auth/logout")
        visitor.get(back)
        assert not gets_in(visitor, desk)
