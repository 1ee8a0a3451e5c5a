"""The pattern page's server: nothing without the token, nothing under another name, nothing beyond three routes."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from http.client import HTTPConnection

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

pytest.importorskip("aiohttp", reason="the page needs the extra `page`")
from greystep.plugins.pattern_page.driver import PatternPage
from greystep.plugins.pattern_page.server import new_token
from greystep.plugins.pattern_page.settings import PageSettings
from greystep.plugins.pattern_page.shown import announcement
from greystep.schema.errors import ConnectionLostError, InstrumentTimeoutError, RefusedError


@pytest.fixture(scope="module")
def page() -> Iterator[PatternPage]:
    driver = PatternPage.open(PageSettings(port=0, connect_s=0.2, answer_s=0.5), lambda *_: None)
    yield driver
    driver.close()


def ask(
    page: PatternPage, path: str, method: str = "GET", body: bytes | None = None, **headers: str
) -> tuple[int, str, dict[str, str]]:
    host = page.url.split("/")[2]
    connection = HTTPConnection(host, timeout=10)
    try:
        connection.request(method, path, body, {"Host": host, **headers})
        answer = connection.getresponse()
        return answer.status, answer.read().decode("utf-8", "replace"), dict(answer.getheaders())
    finally:
        connection.close()


def secret(page: PatternPage) -> str:
    return "/" + page.url.rsplit("/", 1)[1]


def report(page: PatternPage, **values: object) -> int:
    body = json.dumps({"page": "p1", **values}).encode()
    return ask(page, secret(page) + "/report", "POST", body)[0]


def test_only_the_secret_address_answers_and_wrong_ones_cost_time(page: PatternPage) -> None:
    status, text, headers = ask(page, secret(page))
    assert status == 200
    assert "Caution" in text
    assert headers["Cache-Control"] == "no-store"
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    begun = time.monotonic()
    for path in ("/", "/aaaaaaaaaaaa", "/../etc/passwd", secret(page).upper()):
        assert ask(page, path)[:2] == (404, "")
    assert time.monotonic() - begun > 0.6


def test_no_other_route_and_no_other_method(page: PatternPage) -> None:
    for method, rest in (
        ("GET", "/report"),
        ("POST", ""),
        ("PUT", "/next"),
        ("GET", "/page.html"),
        ("DELETE", ""),
        ("GET", "/../x"),
    ):
        assert ask(page, secret(page) + rest, method)[0] == 404


def test_another_name_for_the_same_machine_is_refused(page: PatternPage) -> None:
    assert ask(page, secret(page), Host="evil.example")[0] == 421
    assert ask(page, secret(page), Host=page.url.split("/")[2].replace("127.0.0.1", "localhost"))[0] == 421
    assert ask(page, secret(page) + "/report", "POST", b"{}", Origin="http://evil.example")[0] == 421


def test_orders_reach_the_page_at_once_and_silence_is_an_error(page: PatternPage) -> None:
    with pytest.raises(InstrumentTimeoutError, match="nobody has opened the page"):
        page.level(10)
    assert report(page, kind="ready", width=800, height=600) == 204
    with pytest.raises(InstrumentTimeoutError, match="hasn't shown level 10"):
        page.level(10)
    status, text, _ = ask(page, secret(page) + "/next?page=p1&seen=-1")
    assert (status, text.split(";")[3]) == (200, "10")
    assert ask(page, secret(page) + "/next?page=other&seen=-1")[0] == 409
    begun = time.monotonic()
    ask(page, secret(page) + f"/next?page=p1&seen={text.split(';')[0]}")
    assert 0.7 < time.monotonic() - begun < 3
    with pytest.raises(RefusedError, match="level 256"):
        page.level(256)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.one_of(
        st.binary(max_size=300),
        st.dictionaries(st.text(max_size=8), st.integers() | st.text(max_size=9)).map(
            lambda d: json.dumps({"page": "p1", "kind": "rate", **d}).encode()
        ),
    )
)
def test_any_report_is_taken_or_refused_and_never_breaks_the_server(page: PatternPage, body: bytes) -> None:
    assert ask(page, secret(page) + "/report", "POST", body)[0] in (204, 400, 409)


def test_an_oversized_report_is_refused(page: PatternPage) -> None:
    assert ask(page, secret(page) + "/report", "POST", b"[" + b"1," * 100_000 + b"1]")[0] in (400, 413)


def test_a_port_in_use_is_a_clear_error(page: PatternPage) -> None:
    port = int(page.url.split(":")[2].split("/")[0])
    with pytest.raises(ConnectionLostError, match="can't be served"):
        PatternPage.open(PageSettings(port=port), lambda *_: None)


def test_tokens_are_long_and_the_announcement_shows_address_and_code() -> None:
    tokens = {new_token() for _ in range(200)}
    assert len(tokens) == 200
    assert all(len(t) == 12 for t in tokens)
    text = announcement("http://192.0.2.10:8017/abcdefghjkmn")
    assert "http://192.0.2.10:8017/abcdefghjkmn" in text
    assert "\N{FULL BLOCK}" in text or "\N{UPPER HALF BLOCK}" in text
