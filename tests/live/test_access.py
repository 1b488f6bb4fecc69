"""Who may ask: names, methods, the token, and no way out of the folder of runs."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.errors import UsageError
from hilseq.live.access import AccessPolicy, is_loopback
from hilseq.live.app import check_token, listen

TOKEN = "correct-horse-battery-staple"


def test_every_answer_carries_the_policy(served: Any, write_whole: Callable[..., Path]) -> None:
    folder = write_whole("one")
    for path in ("/", f"/runs/{folder.name}", "/history", "/nowhere", "/static/live.js", "/stream"):
        _, headers, _ = served.ask(path, "HEAD")
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "no-referrer"
        assert "server" not in headers
    assert served.ask("/")[1]["cache-control"] == "no-store"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"])
def test_nothing_but_reading(served: Any, method: str) -> None:
    status, headers, body = served.ask("/", method)
    assert (status, headers["allow"]) == (405, "GET, HEAD")
    assert "Nothing can be changed here" in body


def test_a_head_has_no_body_and_ends(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    for path in ("/", f"/runs/{story.folder.name}", f"/runs/{story.folder.name}/stream", "/stream"):
        status, _, body = served.ask(path, "HEAD")
        assert (status, body) == (200, "")


@pytest.mark.parametrize(
    "host",
    ["evil.example", "127.0.0.1.evil.example", "10.0.0.7", "localhost@evil.example", "", "a b", "[::1"],
)
def test_a_name_that_is_not_this_servers_gets_nothing(
    served: Any, write_whole: Callable[..., Path], host: str
) -> None:
    """A foreign name bent to this address (DNS rebinding) reads no run."""
    write_whole("one", serial="RH-0009")
    status, _, body = served.ask("/", headers={"Host": host})
    assert status in {400, 421}
    assert "RH-0009" not in body


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8437", "127.0.0.1", "127.3.2.1:1", "[::1]:80"])
def test_the_names_of_this_computer_are_known(served: Any, host: str) -> None:
    assert served.ask("/", headers={"Host": host})[0] == 200


def test_two_hosts_or_none_get_nothing(served: Any) -> None:
    for lines in ("", "Host: localhost\r\nHost: evil.example\r\n"):
        with socket.create_connection(("127.0.0.1", served.port), 10) as connection:
            connection.sendall(f"GET / HTTP/1.1\r\n{lines}Connection: close\r\n\r\n".encode())
            assert connection.recv(100).split()[1] in {b"400", b"421"}


@pytest.mark.parametrize(
    "path",
    [
        "/runs/..",
        "/runs/%2e%2e",
        "/runs/../secret.txt",
        "/runs/%2e%2e%2fsecret.txt",
        "/runs/..%2f..%2fetc%2fpasswd",
        "/runs/....//secret",
        "/runs/one/../../secret.txt",
        "/runs/one/journal.jsonl",
        "/runs/one%00",
        "/runs/one%2fjournal.jsonl",
        "/runs/ONE",
        "/runs/outside",
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/uplot/../../app.py",
        "/static/",
        "//evil.example/",
        "/runs/one/report/..%2f1",
    ],
)
def test_no_path_leads_out_of_the_listing(
    served: Any, runs: Path, write_whole: Callable[..., Path], path: str
) -> None:
    """Also not through a link to a run elsewhere: links are not followed."""
    write_whole("one")
    (runs.parent / "secret.txt").write_text("the secret")
    elsewhere = write_whole("../elsewhere")
    (runs / "outside").symlink_to(elsewhere)
    status, _, body = served.ask(path)
    assert status == 404
    assert "the secret" not in body
    assert "def make_app" not in body


# -- the token ----------------------------------------------------------------------------------------------


@pytest.fixture
def locked(serve: Callable[..., Any], write_whole: Callable[..., Path]) -> Any:
    write_whole("one", serial="RH-0009")
    return serve(token=TOKEN).served


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Authorization": "Bearer wrong"},
        {"Authorization": f"Bearer {TOKEN}x"},
        {"Authorization": f"Basic {TOKEN}"},
        {"Authorization": TOKEN},
        {"Cookie": f"hilseq={TOKEN}"},
        {"Cookie": ";;;=\x01"},
    ],
)
@pytest.mark.parametrize("path", ["/", "/runs/one", "/runs/one/stream", "/static/../", "/history"])
def test_without_the_token_nothing_is_reported(locked: Any, path: str, headers: dict[str, str]) -> None:
    status, answer, body = locked.ask(path, headers=headers)
    assert status == 401
    assert "RH-0009" not in body
    assert "set-cookie" not in answer


def test_the_token_as_a_header_opens(locked: Any) -> None:
    status, answer, body = locked.ask("/", headers={"Authorization": f"Bearer {TOKEN}"})
    assert (status, "RH-0009" in body) == (200, True)
    assert "set-cookie" not in answer


def test_the_token_in_the_address_is_taken_once_for_a_pass(locked: Any) -> None:
    """The answer leads to the address without it; the cookie is not the token, and no script can read it."""
    status, answer, body = locked.ask(f"/runs/one?token={TOKEN}&a=%3Cb%3E")
    assert status == 200
    assert "RH-0009" not in body
    assert TOKEN not in body
    assert 'content="0; url=/runs/one?a=%3Cb%3E"' in body
    cookie = answer["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert TOKEN not in cookie
    kept = cookie.partition(";")[0]
    assert locked.ask("/runs/one", headers={"Cookie": kept})[0] == 200
    assert locked.ask("/runs/one", headers={"Cookie": kept + "0"})[0] == 401


def test_a_wrong_token_in_the_address_is_reported(locked: Any) -> None:
    status, _, body = locked.ask("/?token=wrong")
    assert (status, "Wrong token" in body) == (401, True)


@pytest.mark.parametrize("path", ["//evil.example", "/\\evil.example", "/%0d%0aX:y", "/<script>"])
def test_the_way_onward_stays_here(locked: Any, path: str) -> None:
    _, answer, body = locked.ask(f"{path}?token={TOKEN}")
    assert "url=/" in body
    assert "url=//" not in body
    assert "url=/\\" not in body
    assert "<script>" not in body
    assert "x" not in answer


def test_the_pass_outlives_a_restart(serve: Callable[..., Any], locked: Any) -> None:
    kept = locked.ask(f"/?token={TOKEN}")[1]["set-cookie"].partition(";")[0].partition("=")[2]
    again = serve(token=TOKEN).served
    assert again.ask("/", headers={"Cookie": f"hilseq-{again.port}={kept}"})[0] == 200


def test_other_addresses_need_a_good_token() -> None:
    check_token("127.0.0.1", None)
    check_token("192.0.2.1", TOKEN)
    with pytest.raises(
        UsageError, match="can be reached from other computers and needs --token; make one with"
    ):
        check_token("192.0.2.1", None)
    with pytest.raises(UsageError, match="16 characters or more"):
        check_token("127.0.0.1", "short")
    with pytest.raises(UsageError, match=r"--host no-such-host\.invalid"):
        check_token("no-such-host.invalid", None)


def test_on_other_addresses_any_bare_address_is_a_name_but_no_foreign_name() -> None:
    door = AccessPolicy(frozenset({"bench-7"}), any_address=True)
    assert door.knows("192.0.2.7:8437")
    assert door.knows("[2001:db8::7]:8437")
    assert door.knows("BENCH-7.")
    assert not door.knows("evil.example")


def test_loopback_is_what_the_name_stands_for() -> None:
    assert is_loopback("localhost")
    assert is_loopback("127.0.0.5")
    assert not is_loopback("192.0.2.1")


def test_a_taken_port_is_reported() -> None:
    with (
        socket.create_server(("127.0.0.1", 0)) as taken,
        pytest.raises(UsageError, match="give another --host or --port"),
    ):
        listen("127.0.0.1", taken.getsockname()[1])
