"""Who may do what: every route with every kind of caller; names, sites, rates, sign-ins."""

from __future__ import annotations

import re
from typing import Any

import httpx
import pytest
from fastapi.routing import APIRoute

from idlewhy.web.guard import Need
from idlewhy.web.server import check_safe
from idlewhy.web.settings import Settings
from signal_defs.errors import UsageError

ID = "0" * 24

# Method and path -> the scope it needs, or "open". A route that is not here fails the test below.
TABLE = {
    "GET /": "read",
    "POST /upload": "upload",
    "GET /recordings/{job_id}": "read",
    "GET /recordings/{job_id}/events": "read",
    "GET /recordings/{job_id}/report": "read",
    "GET /recordings/{job_id}/analysis.json": "read",
    "GET /recordings/{job_id}/traces.parquet": "read",
    "POST /recordings/{job_id}/cancel": "upload",
    "POST /recordings/{job_id}/again": "upload",
    "POST /recordings/{job_id}/delete": "admin",
    "GET /vehicles": "read",
    "GET /vehicles/{vehicle_id}": "read",
    "POST /vehicles/{vehicle_id}/delete": "admin",
    "GET /fleet": "read",
    "GET /fleet/report": "read",
    "POST /comparisons": "upload",
    "GET /comparisons/{job_id}": "read",
    "GET /comparisons/{job_id}/events": "read",
    "GET /comparisons/{job_id}/report": "read",
    "POST /comparisons/{job_id}/cancel": "upload",
    "POST /comparisons/{job_id}/delete": "admin",
    "GET /platforms": "read",
    "POST /platforms": "upload",
    "GET /platforms/{platform_id}": "read",
    "POST /platforms/{platform_id}": "upload",
    "POST /platforms/{platform_id}/accept": "upload",
    "POST /platforms/{platform_id}/drop": "upload",
    "POST /platforms/{platform_id}/delete": "admin",
    "GET /sign-in": "open",
    "POST /sign-in": "open",
    "POST /sign-out": "read",
    "GET /language/{code}": "open",
    "GET /static/{name}": "open",
    "GET /favicon.ico": "open",
    "GET /health/live": "open",
    "GET /health/ready": "open",
    "GET /metrics": "read",
    "OPTIONS /api/v1/uploads": "upload",
    "POST /api/v1/uploads": "upload",
    "HEAD /api/v1/uploads/{upload_id}": "upload",
    "PATCH /api/v1/uploads/{upload_id}": "upload",
    "GET /api/v1/uploads/{upload_id}": "upload",
    "DELETE /api/v1/uploads/{upload_id}": "upload",
    "POST /api/v1/recordings": "upload",
    "GET /api/v1/recordings": "read",
    "GET /api/v1/recordings/{job_id}": "read",
    "DELETE /api/v1/recordings/{job_id}": "admin",
    "POST /api/v1/recordings/{job_id}/cancel": "upload",
    "POST /api/v1/recordings/{job_id}/again": "upload",
    "GET /api/v1/recordings/{job_id}/analysis": "read",
    "GET /api/v1/recordings/{job_id}/report": "read",
    "GET /api/v1/recordings/{job_id}/traces": "read",
    "GET /api/v1/vehicles": "read",
    "DELETE /api/v1/vehicles/{vehicle_id}": "admin",
    "POST /api/v1/comparisons": "upload",
    "GET /api/v1/comparisons/{job_id}": "read",
    "GET /api/v1/comparisons/{job_id}/report": "read",
    "DELETE /api/v1/comparisons/{job_id}": "admin",
    "GET /api/v1/platforms": "read",
    "POST /api/v1/platforms": "upload",
    "GET /api/v1/platforms/{platform_id}": "read",
    "PUT /api/v1/platforms/{platform_id}": "upload",
    "DELETE /api/v1/platforms/{platform_id}": "admin",
}
SCOPES = ("read", "upload", "admin")


@pytest.fixture(scope="module")
def site(start: Any) -> Any:
    return start(workers=0)


@pytest.fixture(scope="module")
def tokens(site: Any) -> dict[str, str]:
    identity = site.application.office.identity
    made = {name: identity.new_token(name, {name}) for name in SCOPES}
    made["revoked"] = identity.new_token("revoked", {"admin"})
    identity.revoke(made["revoked"].split("_")[1])
    return made


def _routes(site: Any) -> dict[str, APIRoute]:
    found = {}
    for module_route in _walk(site.application.inner.router):
        for method in module_route.methods or ():
            found[f"{method} {module_route.path}"] = module_route
    return found


def _walk(router: Any) -> Any:
    for route in router.routes:
        if isinstance(route, APIRoute):
            yield route
        elif hasattr(route, "original_router"):
            yield from _walk(route.original_router)


def test_every_route_is_in_the_table_and_asks_for_what_the_table_says(site: Any) -> None:
    routes = _routes(site)
    assert set(routes) == set(TABLE)
    for name, route in routes.items():
        asked = {one.call.scope for one in route.dependant.dependencies if isinstance(one.call, Need)}
        assert asked == ({TABLE[name]} if TABLE[name] != "open" else set()), name


def _call(site: Any, name: str, **options: Any) -> int:
    method, path = name.split(" ")
    path = re.sub(r"\{platform_id\}", f"own:{ID}" if "/api/" in path else ID, path)
    path = re.sub(r"\{\w+\}", ID, path)
    return int(site.call(method, path, **options).status_code)


@pytest.mark.parametrize("name", TABLE)
def test_each_kind_of_caller_gets_what_the_table_says(site: Any, tokens: dict[str, str], name: str) -> None:
    needed = TABLE[name]
    for caller, token in tokens.items():
        status = _call(site, name, headers={"Authorization": f"Bearer {token}"})
        if caller == "revoked":
            assert status in {401, 429}
            site.application.guard._guesses._buckets.clear()
        elif needed == "open" or caller in {needed, "admin"}:
            assert status != 401 or needed == "open", (caller, status)
            if needed != "open" and name.split(" ")[1].startswith("/api/"):
                assert status != 403, (caller, status)  # pages' forms are refused later: they carry no form token
        else:
            assert status == 403, (caller, status)
    anonymous = _call(site, name)
    if needed == "open":
        assert anonymous != 401 or name == "POST /sign-in"
    else:
        assert anonymous in {401, 403}


def test_a_person_who_is_not_signed_in_is_led_to_the_sign_in_page(site: Any, tokens: dict[str, str]) -> None:
    with httpx.Client(base_url=site.address, headers={"Accept": "text/html"}) as person:
        answer = person.get("/vehicles")
        assert answer.status_code == 303
        assert answer.headers["Location"] == "/sign-in?next=/vehicles"
        page = person.get(answer.headers["Location"]).text
        key = page.partition('name="form" value="')[2].partition('"')[0]
        wrong = person.post("/sign-in", data={"form": key, "token": "idlewhy_x", "next": "/vehicles"})
        assert wrong.status_code == 401
        right = person.post("/sign-in", data={"form": key, "token": tokens["read"], "next": "/vehicles"})
        assert right.status_code == 303
        cookie = right.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=lax" in cookie
        assert person.get("/vehicles").status_code == 200
        assert person.post("/upload", data={"form": key}).status_code == 403
        site.application.office.identity.revoke(tokens["read"].split("_")[1])
        assert person.get("/vehicles").status_code == 303


@pytest.mark.parametrize(
    "next_page", ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)"]
)
def test_a_sign_in_never_leads_elsewhere(site: Any, next_page: str) -> None:
    page = site.call("GET", "/sign-in", params={"next": next_page}, headers={"Accept": "text/html"}).text
    assert 'name="next" value="/"' in page


def test_guessing_tokens_is_slowed_down(start: Any) -> None:
    site = start(workers=0)
    site.application.office.identity.new_token("x", {"read"})
    statuses = [
        site.call("GET", "/api/v1/vehicles", headers={"Authorization": "Bearer x"}).status_code for _ in range(14)
    ]
    assert statuses[0] == 401
    assert statuses[-1] == 429


def test_secrets_are_kept_as_hashes_only(site: Any, tokens: dict[str, str]) -> None:
    secret = tokens["admin"].rpartition("_")[2].encode()
    kept = b"".join(path.read_bytes() for path in site.settings.folder.glob("*.sqlite*"))
    assert secret not in kept
    assert b"$argon2id$" in kept


# On loopback nobody signs in, so another site's page and another name of this machine are what to fear.


@pytest.fixture(scope="module")
def local(start: Any) -> Any:
    return start(workers=0)


def test_another_name_for_this_machine_is_refused(local: Any) -> None:
    assert local.call("GET", "/", headers={"Host": "evil.example"}).status_code == 421


def test_a_proxy_in_front_is_refused(local: Any) -> None:
    assert local.call("GET", "/", headers={"X-Forwarded-For": "203.0.113.9"}).status_code == 403


@pytest.mark.parametrize(
    "headers", [{"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"}]
)
@pytest.mark.parametrize("path", ["/upload", "/api/v1/uploads", "/sign-in", "/platforms", "/comparisons"])
def test_another_sites_page_cannot_act(local: Any, path: str, headers: dict[str, str]) -> None:
    assert local.call("POST", path, headers=headers, data={"a": "b"}).status_code == 403


def test_a_form_without_our_token_cannot_act(local: Any) -> None:
    own = {"Origin": local.address, "Sec-Fetch-Site": "same-origin"}
    assert local.call("POST", f"/recordings/{ID}/delete", headers=own, data={}).status_code == 403
    assert local.call("POST", "/api/v1/recordings", headers=own, json={}).status_code == 403


def test_every_answer_carries_the_protecting_headers(local: Any) -> None:
    for path in ("/", "/health/live", "/api/v1/vehicles", "/nowhere", f"/recordings/{ID}"):
        headers = local.call("GET", path, headers={"Accept": "text/html"}).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe-inline" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["cache-control"] == "no-store"
        assert "server" not in headers


def test_a_large_body_is_refused_before_it_is_read(local: Any) -> None:
    answer = local.call("POST", "/api/v1/recordings", content=b"[" * 2_000_000)
    assert answer.status_code == 413


def test_too_many_requests_are_told_when_to_come_back(start: Any) -> None:
    slow = start(workers=0, writes_per_s=0.5)
    answers = [slow.call("POST", "/api/v1/recordings", json={}) for _ in range(4)]
    refused = [one for one in answers if one.status_code == 429]
    assert refused
    assert all(int(one.headers["Retry-After"]) <= 2 for one in refused)  # by hand: one request in 2 s


def test_a_proxy_is_believed_only_at_its_address(start: Any) -> None:
    options = {"workers": 0, "trusted_header": "x-user", "proxy_admins": frozenset({"anna"})}
    near = start(**options, trusted_proxies=("127.0.0.1",))
    assert near.call("GET", "/api/v1/vehicles").status_code == 401
    assert near.call("GET", "/api/v1/vehicles", headers={"X-User": "ben"}).status_code == 200
    far = start(**options, trusted_proxies=("203.0.113.9",))
    assert far.call("GET", "/api/v1/vehicles", headers={"X-User": "anna"}).status_code == 401


def test_beyond_loopback_it_does_not_start_without_credentials(tmp_path: Any) -> None:
    from idlewhy.web.app import Application

    settings = Settings(folder=tmp_path, host="0.0.0.0")
    application = Application(settings)
    with pytest.raises(UsageError, match="nobody would have to sign in"):
        check_safe(settings, application)
    application.office.identity.new_token("a", {"admin"})
    check_safe(settings, application)
    application.office.close()
    loose = Settings(folder=tmp_path, trusted_header="x-user")
    application = Application(loose)
    with pytest.raises(UsageError, match="from which proxy"):
        check_safe(loose, application)
    application.office.close()
