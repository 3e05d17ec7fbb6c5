"""Who may ask: each way in that is not the owner's own browser is refused, over a real socket, with the right number.

The ways are those of the Fetch standard's metadata headers, of RFC 9110 and 9112 (hosts, lengths, chunks) and of DNS
rebinding as it is commonly told; the numbers are RFC 9110's.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from at_the_desk import Client, raw, read_answer, served

from analysis.desk.app import Served
from analysis.desk.gate import LARGEST_BODY, LONGEST_TARGET

Opened = tuple[Served, Client]
NOTE = b"text=hello"


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with served(tmp_path_factory.mktemp("store")) as both:
        yield both


GET: dict[str, tuple[int, dict[str, str | None]]] = {
    "no host": (400, {"host": None}),
    "a rebound name": (421, {"host": "evil.example"}),
    "a rebound name with the port": (421, {"host": "evil.example:PORT"}),
    "our name as another's part": (421, {"host": "127.0.0.1:PORT.evil.example"}),
    "our address and a user": (421, {"host": "a@127.0.0.1:PORT"}),
    "another port": (421, {"host": "127.0.0.1:1"}),
    "no port": (421, {"host": "127.0.0.1"}),
    "localhost without port": (421, {"host": "localhost"}),
    "every address": (421, {"host": "0.0.0.0:PORT"}),
    "the sixth protocol": (421, {"host": "[::1]:PORT"}),
    "the address in one number": (421, {"host": "2130706433:PORT"}),
    "a short address": (421, {"host": "127.1:PORT"}),
    "a dot behind": (421, {"host": "localhost.:PORT"}),
    "an empty host": (421, {"host": ""}),
    "another site": (403, {"sec_fetch_site": "cross-site"}),
    "the same site on another port": (403, {"sec_fetch_site": "same-site"}),
    "a site that is no word": (403, {"sec_fetch_site": "x"}),
    "another origin": (403, {"origin": "http://evil.example"}),
    "an origin of no name": (403, {"origin": "null"}),
    "our origin by https": (403, {"origin": "https://127.0.0.1:PORT"}),
    "an origin on another port": (403, {"origin": "http://127.0.0.1:1"}),
    "an origin that begins as ours": (403, {"origin": "http://127.0.0.1:PORT.evil.example"}),
    "localhost's origin at our address": (403, {"origin": "http://localhost:PORT"}),
    "no cookie": (403, {"cookie": None}),
    "another cookie": (403, {"cookie": "desk_PORT=guess"}),
    "another desk's cookie": (403, {"cookie": "desk_1=SESSION"}),
    "a cookie in other letters": (403, {"cookie": "DESK_PORT=SESSION"}),
    "an empty cookie": (403, {"cookie": "desk_PORT="}),
    "a cookie cut short": (403, {"cookie": "desk_PORT=SESSIO"}),
    "a cookie that is no text": (403, {"cookie": "desk_PORT=\xff\xfe"}),
    "the token as a cookie": (403, {"cookie": "desk_PORT=TOKEN"}),
}
TARGETS: dict[str, tuple[int, str]] = {
    "an encoded parent": (404, "/static/%2e%2e/gate.py"),
    "an encoded parent in capitals": (404, "/static/%2E%2E/gate.py"),
    "half an encoded parent": (404, "/static/.%2e/gate.py"),
    "a parent": (404, "/static/../gate.py"),
    "a parent of a drive": (404, "/drive/../../etc/passwd"),
    "an encoded slash": (404, "/static/..%2fgate.py"),
    "an encoded slash alone": (404, "/static/a%2Fb"),
    "a backslash": (404, "/static/..\\gate.py"),
    "an encoded backslash": (404, "/static/%5cgate.py"),
    "a nul": (404, "/static/desk.css%00.py"),
    "twice encoded": (404, "/static/%252e%252e%252fgate.py"),
    "an empty part": (404, "//etc/passwd"),
    "an empty part inside": (404, "/static//desk.css"),
    "another's whole address": (404, "http://evil.example/now"),
    "a file that is there and not shown": (404, "/static/gate.py"),
    "no page": (404, "/nothing"),
    "a hidden file": (404, "/static/.hidden"),
    "too long": (414, "/now?" + "a" * LONGEST_TARGET),
    "a wrong token": (403, "/open/guess"),
    "no token": (403, "/open/"),
    "a token and more": (403, "/open/TOKENx"),
    "a token cut short": (403, "/open/TOKE"),
    "a token that is no text": (403, "/open/%ff%fe"),
}
POSTS: dict[str, tuple[int, dict[str, str | None]]] = {
    "no origin": (403, {"origin": None}),
    "another origin": (403, {"origin": "http://evil.example"}),
    "an origin of no name": (403, {"origin": "null"}),
    "another site": (403, {"sec_fetch_site": "cross-site"}),
    "no cookie": (403, {"cookie": None}),
    "a rebound name": (421, {"host": "evil.example:PORT", "origin": "http://evil.example:PORT"}),
    "plain text": (415, {"content_type": "text/plain"}),
    "JSON": (415, {"content_type": "application/json"}),
    "no kind": (415, {"content_type": None}),
    "a form's kind as another's part": (415, {"content_type": "application/x-www-form-urlencodedx"}),
    "too long by its header": (413, {"content_length": str(LARGEST_BODY + 1)}),
    "far too long by its header": (413, {"content_length": "9" * 18}),
    "longer than any number": (413, {"content_length": "9" * 19}),
    "a length below nothing": (400, {"content_length": "-1"}),
    "a length that is no number": (400, {"content_length": "ten"}),
}
METHODS = {"PUT": 405, "DELETE": 405, "PATCH": 405, "OPTIONS": 405, "TRACE": 405, "CONNECT": 405, "PROPFIND": 405}
TWICE = [
    ("host", "evil.example", 400), ("origin", "http://evil.example", 400), ("sec-fetch-site", "none", 400),
    ("content-type", "text/plain", 400), ("content-length", "3", 400), ("cookie", "a=b", 400),
]  # fmt: skip


def test_there_are_sixty_ways_and_more() -> None:
    assert len(GET) + len(TARGETS) + len(POSTS) + len(METHODS) + len(TWICE) >= 80


def filled(opened: Opened, text: str | None) -> str | None:
    desk, client = opened
    if text is None:
        return None
    session = client.cookie.partition("=")[2]
    for word, value in (("PORT", str(desk.port)), ("SESSIO", session[:-1] if "SESSION" not in text else session)):
        text = text.replace("SESSION", session) if word == "SESSIO" and "SESSION" in text else text.replace(word, value)
    return text.replace("TOKEN", desk.token).replace("TOKE", desk.token[:-1])


def refused(opened: Opened, answer: object, status: int) -> None:
    """The number, one plain line, and nothing of the store or of the program."""
    assert answer.status == status, answer.head
    assert b"Traceback" not in answer.body and b"python" not in answer.body.lower()
    assert answer.header("set-cookie") == "" and opened[0].token not in answer.text


@pytest.mark.parametrize("name", GET)
def test_a_page(opened: Opened, name: str) -> None:
    status, but = GET[name]
    refused(opened, opened[1].ask("GET", "/now", **{k: filled(opened, v) for k, v in but.items()}), status)


@pytest.mark.parametrize("name", TARGETS)
def test_an_address(opened: Opened, name: str) -> None:
    status, target = TARGETS[name]
    refused(opened, opened[1].ask("GET", filled(opened, target) or ""), status)


@pytest.mark.parametrize("name", POSTS)
def test_a_form(opened: Opened, name: str) -> None:
    status, but = POSTS[name]
    said = opened[1].said("POST", "/now/note", (), NOTE, **{k: filled(opened, v) for k, v in but.items()})
    refused(opened, raw(opened[0].port, said), status)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("target", ["/now", "/now/note"])
def test_a_method(opened: Opened, method: str, target: str) -> None:
    refused(opened, opened[1].ask(method, target), METHODS[method])


@pytest.mark.parametrize(("name", "value", "status"), TWICE)
@pytest.mark.parametrize("first", [True, False])
def test_a_header_twice(opened: Opened, name: str, value: str, status: int, first: bool) -> None:
    """Whichever stands first, ours or the other's."""
    client, more = opened[1], f"{name}: {value}\r\n".encode()
    line, _, rest = client.said("POST", "/now/note", (), NOTE).partition(b"\r\n")
    head, _, body = rest.partition(b"\r\n\r\n")
    both = more + head + b"\r\n" if first else head + b"\r\n" + more
    refused(opened, raw(client.port, line + b"\r\n" + both + b"\r\n" + body), status)


def test_what_the_owner_asks_is_answered(opened: Opened) -> None:
    """Else all of this could be refused for another reason."""
    desk, client = opened
    assert client.get("/now").status == 200
    assert client.ask("GET", "/now", sec_fetch_site=None).status == 200  # an older browser
    assert client.ask("GET", "/now", sec_fetch_site="none").status == 200  # typed
    assert client.ask("HEAD", "/now").status == 200
    assert client.ask("GET", "/now", cookie=f'odd="a{{;, {client.cookie}; other=1').status == 403
    assert client.ask("GET", "/now", cookie=f'odd={{"a": [1, 2]}}; {client.cookie}; other=\xe4').status == 200
    assert client.ask("POST", "/now/note", body=NOTE).status == 404  # no recorder: let through, and answered no
    assert client.ask("GET", f"/open/{desk.token}", cookie=None, sec_fetch_site="cross-site").status == 303
    localhost = f"localhost:{desk.port}"
    assert client.ask("POST", "/now/note", body=NOTE, host=localhost, origin=f"http://{localhost}").status == 404


def test_the_cookie_is_for_this_desk_alone(opened: Opened, tmp_path: Path) -> None:
    _, client = opened
    given = client.open(opened[0].address).header("set-cookie").lower()
    assert "httponly" in given and "samesite=strict" in given and "domain" not in given
    with served(tmp_path) as (desk, other):
        mine, client.cookie = client.cookie, other.cookie
        refused(opened, client.get("/now"), 403)
        client.cookie = mine
        assert other.ask("GET", "/now", cookie=mine).status == 403
        assert client.ask("GET", f"/open/{desk.token}").status == 403


@pytest.mark.parametrize("path", ["/now", "/static/desk.css", "/nothing", "/open/guess", "/now/note"])
def test_every_answer_bears_the_policy(opened: Opened, path: str) -> None:
    answer = opened[1].get(path)
    policy = answer.header("content-security-policy")
    assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "unsafe" not in policy
    assert answer.header("x-content-type-options") == "nosniff"
    assert answer.header("cache-control") == "no-store"
    assert answer.header("access-control-allow-origin") == "" and answer.header("server") == ""


def test_a_body_without_a_length_is_cut_where_it_grows_too_long(opened: Opened) -> None:
    client = opened[1]
    head = client.said("POST", "/now/note", [("transfer-encoding", "chunked")], content_length=None)
    chunk = b"1000\r\n" + b"a" * 0x1000 + b"\r\n"
    pieces = LARGEST_BODY // 0x1000
    answer = raw(client.port, head + b"4\r\ntext\r\n1\r\n=\r\n" + chunk * (pieces + 1) + b"0\r\n\r\n")
    refused(opened, answer, 413)
    assert client.get("/now").status == 200
    # As long as may be is read, and answered by the page.
    answer = raw(client.port, head + b"4\r\ntext\r\n1\r\n=\r\n" + chunk * (pieces - 5) + b"0\r\n\r\n")
    assert answer.status == 404


@pytest.mark.parametrize("body", [b"zz\r\n", b"-5\r\n", b"ffffffffffffffffffff\r\n", b"5;" + b"x" * 100_000])
def test_chunks_that_are_none(opened: Opened, body: bytes) -> None:
    """The connection is closed, with 400 or without a word; the next is served."""
    client = opened[1]
    head = client.said("POST", "/now/note", [("transfer-encoding", "chunked")], content_length=None)
    with socket.create_connection(("127.0.0.1", client.port), 10) as line:
        line.sendall(head + body)
        line.shutdown(socket.SHUT_WR)
        answer = read_answer(line)
    assert answer.status in {0, 400, 413} and b"Traceback" not in answer.body
    assert client.get("/now").status == 200


def test_a_length_and_chunks_together(opened: Opened) -> None:
    """RFC 9112, 6.3: chunks go before a length, and whoever sends both may be smuggling; never more than one answer."""
    client = opened[1]
    said = client.said("POST", "/now/note", [("transfer-encoding", "chunked")], b"0\r\n\r\nGET /now HTTP/1.1\r\n\r\n")
    with socket.create_connection(("127.0.0.1", client.port), 10) as line:
        line.sendall(said)
        data = b""
        while piece := line.recv(65536):
            data += piece
    assert data.count(b"HTTP/1.1 ") == 1


@pytest.mark.parametrize(
    "data",
    [b"\x00" * 100, b"\x16\x03\x01\x02\x00", b"GET /now\r\n\r\n", b"GET /now HTTP/9.9\r\n\r\n", b"\r\n" * 50,
     b"GET /now HTTP/1.1\r\n" + b"a: " + b"b" * 100_000 + b"\r\n\r\n", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"],
)  # fmt: skip
def test_what_is_no_request(opened: Opened, data: bytes) -> None:
    with socket.create_connection(("127.0.0.1", opened[0].port), 5) as line:
        line.sendall(data)
        line.shutdown(socket.SHUT_WR)
        answer = read_answer(line)
    assert answer.status in {0, 400, 421, 431} and b"Traceback" not in answer.body
    assert opened[1].get("/now").status == 200


@pytest.mark.parametrize("seconds", [2, pytest.param(8, marks=pytest.mark.long)])
def test_those_who_dawdle_hold_nobody_up(opened: Opened, seconds: int) -> None:
    """Thirty who say a header a letter at a time, and thirty whose form never ends: others are answered at once."""
    desk, client = opened
    slow_head = client.said("GET", "/now")
    slow_form = client.said("POST", "/now/note", (), NOTE)
    over = threading.Event()
    lines = [socket.create_connection(("127.0.0.1", desk.port), 10) for _ in range(60)]

    def dawdle() -> None:
        for line in lines[30:]:
            line.sendall(slow_form[:-1])
        for byte in range(len(slow_head) - 1):
            for line in lines[:30]:
                line.sendall(slow_head[byte : byte + 1])
            if over.wait(0.1):
                return

    thread = threading.Thread(target=dawdle)
    thread.start()
    began, took = time.monotonic(), []
    try:
        while time.monotonic() - began < seconds:
            at = time.monotonic()
            assert client.get("/now").status == 200
            took.append(time.monotonic() - at)
    finally:
        over.set()
        thread.join()
        for line in lines:
            line.close()
    assert max(took) < 1.0, sorted(took)[-3:]


def test_a_form_that_stops_coming_is_let_go(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.desk.gate.BODY_S", 0.3)
    client = opened[1]
    with socket.create_connection(("127.0.0.1", client.port), 10) as line:
        line.sendall(client.said("POST", "/now/note", (), NOTE)[:-1])
        refused(opened, read_answer(line), 408)


def test_no_other_port_is_listened_on(opened: Opened) -> None:
    """Loopback alone: the machine's other addresses refuse."""
    psutil = pytest.importorskip("psutil")
    listening = [each.laddr for each in psutil.Process().net_connections() if each.status == psutil.CONN_LISTEN]
    assert [(each.ip, each.port) for each in listening] == [("127.0.0.1", opened[0].port)]
