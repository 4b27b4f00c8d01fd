"""Plain HTTP as anybody may speak it: without the secret, the name and the place of this server it gets nothing."""

from __future__ import annotations

import http.client
import json
import os
import socket
import stat
import time

import pytest

from synth.served.address import known
from synth.served.server import CONNECTIONS, LARGEST
from synth.served.serving import Serving

from .conftest import DESIGN, Asker


def unchanged(served):
    return served.path.read_text() == DESIGN


def test_the_page_is_there_for_who_has_the_address(served):
    status, content = served.ask("GET", "")
    assert status == 200
    assert b"<title>Slat</title>" in content
    assert served.serving.address.words == f"http://{served.host}/{served.serving.address.secret}/"


@pytest.mark.parametrize("secret", ["", "x", "dktPAm6X0FSbWU11ryai-DKYbis-fQ-i", "%00", "%c3%a9", "%ff"])
@pytest.mark.parametrize("name", ["", "code", "events", "things/x"])
def test_without_the_secret_nothing_is_answered(served, secret, name):
    status, content = served.ask("GET", name, secret=secret)
    assert status == 403
    assert served.serving.address.secret.encode() not in content


def test_a_secret_in_another_place_is_none(served):
    secret = served.serving.address.secret
    for name in (f"?secret={secret}", f"a/{secret}/"):
        assert served.ask("GET", name, secret="")[0] == 403
    assert served.ask("GET", "", secret="", Cookie=f"secret={secret}", Authorization=secret)[0] == 403


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1", "127.0.0.1:1", "[::1]", None])
def test_another_host_is_refused(served, host):
    assert served.ask("GET", "", Host=host)[0] == 421


def test_two_hosts_are_refused(served):
    connection = http.client.HTTPConnection("127.0.0.1", served.serving.address.port)
    connection.putrequest("GET", f"/{served.serving.address.secret}/", skip_host=True)
    for host in (served.host, "evil.example"):
        connection.putheader("Host", host)
    connection.endheaders()
    assert connection.getresponse().status == 421
    connection.close()


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "https://127.0.0.1", "http://localhost:80"]
)
def test_another_origin_is_refused(served, origin):
    body = {"on": served.state()["text"], "edits": [{"path": "name", "value": "Theirs"}]}
    assert served.ask("POST", "change", body, Origin=origin)[0] == 403
    assert served.ask("GET", "", Origin=origin)[0] == 403
    assert unchanged(served)


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_a_browser_says_comes_from_elsewhere_is_refused(served, site):
    assert served.ask("GET", "", Sec_Fetch_Site=site)[0] == 403


def test_its_own_origin_may(served):
    body = {"on": served.state()["text"], "edits": [{"path": "name", "value": "Mine"}]}
    status, _ = served.ask(
        "POST", "change", body, Origin=f"http://{served.host}", Sec_Fetch_Site="same-origin"
    )
    assert status == 200
    assert 'name = "Mine"' in served.path.read_text()


def test_no_answer_lets_another_site_read_or_frame_it(served):
    connection = http.client.HTTPConnection("127.0.0.1", served.serving.address.port)
    connection.request("GET", f"/{served.serving.address.secret}/", headers={"Host": served.host})
    answer = connection.getresponse()
    names = {name.lower(): value for name, value in answer.getheaders()}
    connection.close()
    assert not [name for name in names if name.startswith("access-control")]
    assert names["content-security-policy"] == "frame-ancestors 'none'"
    assert names["cross-origin-resource-policy"] == "same-origin"
    assert names["referrer-policy"] == "no-referrer"
    assert names["x-content-type-options"] == "nosniff"
    assert names["cache-control"] == "no-store"


def test_a_paper_may_fetch_and_run_nothing(served):
    """What is drawn of a design is opened in a tab of its own, under no rights of the page's."""
    connection = http.client.HTTPConnection("127.0.0.1", served.serving.address.port)
    place = f"/{served.serving.address.secret}/papers/{served.state()['model']}/cutlist.html"
    connection.request("GET", place, headers={"Host": served.host})
    answer = connection.getresponse()
    names = {name.lower(): value for name, value in answer.getheaders()}
    connection.close()
    assert answer.status == 200
    rules = dict(each.strip().split(" ", 1) for each in names["content-security-policy"].split(";"))
    assert rules["default-src"] == rules["frame-ancestors"] == "'none'"
    assert set(rules) <= {"default-src", "frame-ancestors", "style-src", "img-src"}
    assert names["content-disposition"] == 'inline; filename="cutlist.html"'


@pytest.mark.parametrize(
    "name",
    [
        "../../../../etc/passwd",
        "..%2f..%2fetc%2fpasswd",
        "papers/NOW/../../../etc/passwd",
        "papers/NOW/..%2F..%2Fslat.toml",
        "papers/NOW/%2Fetc%2Fpasswd",
        "model/NOW/..%2f..%2fslat.toml",
        "board/NOW/..%2f..",
        "slat.toml",
        "etc/passwd",
        "web/bench.css",
        "%2e%2e/slat.toml",
        "things/..",
    ],
)
def test_no_path_of_the_disk_is_reached(served, name):
    status, content = served.ask("GET", name.replace("NOW", served.state()["model"]))
    assert status in (404, 409)
    assert b"root:" not in content
    assert b"maker's own words" not in content


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "HEAD", "TRACE", "CONNECT"])
def test_other_methods_do_nothing(served, method):
    assert served.ask(method, "change")[0] == 501
    assert unchanged(served)


def test_a_body_of_ten_megabytes_is_refused_before_it_is_read(served):
    began = time.monotonic()
    connection = socket.create_connection(("127.0.0.1", served.serving.address.port))
    head = f"POST /{served.serving.address.secret}/change HTTP/1.1\r\nHost: {served.host}\r\n"
    head += f"Content-Type: application/json\r\nContent-Length: {10_000_000}\r\n\r\n"
    connection.sendall(head.encode())
    answer = connection.recv(1000)
    connection.close()
    assert answer.startswith(b"HTTP/1.1 413 ")
    assert time.monotonic() - began < 2.0
    assert unchanged(served)


def test_a_body_of_ten_megabytes_that_is_sent_whole_does_no_harm(served):
    try:
        status, _ = served.ask("POST", "change", b" " * 10_000_000)
    except (ConnectionError, http.client.BadStatusLine):
        status = 413  # the server hung up on it
    assert status == 413
    assert served.ask("GET", "")[0] == 200


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"{", {}, 400),
        (b"[]", {}, 400),
        (b"[" * 100_000, {}, 400),
        (b"\xff\xfe", {}, 400),
        (b"{}", {"Content_Type": "text/plain"}, 415),
        (b"{}", {"Content_Type": "application/x-www-form-urlencoded"}, 415),
        (b"{}", {"Content_Type": None}, 415),
        (b"", {"Content_Length": "-1"}, 400),
        (b"", {"Content_Length": "9" * 30}, 400),
        (b"", {"Content_Length": str(LARGEST + 1)}, 413),
        (b"", {"Transfer_Encoding": "chunked"}, 411),
        (b"{}", {}, 409),
        (b'{"on": 1, "edits": [{"path": "name", "value": 1}]}', {}, 409),
        (b'{"on": "x", "edits": [{"path": "name", "value": "y"}]}', {}, 409),
        (b'{"on": "x", "edits": [[]]}', {}, 409),
        (b'{"on": "x", "edits": []}', {}, 409),
    ],
)
def test_a_body_that_is_none_is_refused(served, body, headers, status):
    found, content = served.ask("POST", "change", body, **headers)
    assert found == status
    assert "refused" in json.loads(content)
    assert unchanged(served)


def test_an_edit_that_no_design_has_is_refused_in_a_sentence(served):
    status, told = served.change("bar.hight_mm", 3.0)
    assert status == 409
    assert "unknown key 'hight_mm'" in told["refused"]
    for value in ([[[1]]], {"a": {}}, 1e999, "x" * 1000, True):
        assert served.change("group[low].spacing_mm", value)[0] == 409
    assert unchanged(served)


def test_a_thousand_connections_take_no_page_its_place(served):
    """Most are let go, the oldest first; a page that listens goes on listening and is answered."""
    assert served.ask("GET", "code")[0] == 200  # made once, which takes its time
    page = http.client.HTTPConnection("127.0.0.1", served.serving.address.port, timeout=20)
    page.request("GET", f"/{served.serving.address.secret}/events", headers={"Host": served.host})
    stream = page.getresponse()
    while not stream.readline().startswith(b"event: state"):
        pass
    flood, hung_up = [], 0
    try:
        for _ in range(1000):
            flood.append(socket.create_connection(("127.0.0.1", served.serving.address.port), timeout=20))
        began = time.monotonic()
        assert served.ask("GET", "code")[0] == 200
        assert time.monotonic() - began < 5.0
        assert served.change("group[high].spacing_mm", 18.0)[0] == 200
        while not (line := stream.readline()).startswith(b"data") or b'"undo": 1' not in line:
            pass
        for each in flood:
            each.setblocking(False)
            try:
                hung_up += each.recv(1) == b""
            except BlockingIOError:
                pass
            except ConnectionError:
                hung_up += 1
    finally:
        for each in flood:
            each.close()
        page.close()
    assert hung_up >= 1000 - CONNECTIONS
    assert served.ask("GET", "")[0] == 200


def test_half_a_request_holds_nobody_up(served):
    half = socket.create_connection(("127.0.0.1", served.serving.address.port))
    half.sendall(b"GET /")
    assert served.ask("GET", "")[0] == 200
    half.close()


def test_it_listens_to_this_machine_alone(served):
    assert served.serving._server.socket.getsockname()[0] == "127.0.0.1"


def test_the_same_design_is_served_at_the_same_address_again(design):
    with Serving(design) as first:
        address = first.address
    assert known(design) == address
    with Serving(design) as second:
        assert second.address == address
        assert Asker(second).ask("GET", "")[0] == 200


def test_another_design_has_another_secret(design):
    other = design.with_name("other.toml")
    other.write_text(DESIGN)
    assert known(other).secret != known(design).secret


def test_two_who_open_one_design_have_each_a_port(design):
    with Serving(design) as first, Serving(design) as second:
        assert first.address.port != second.address.port
        assert Asker(first).change("group[high].spacing_mm", 18.0)[0] == 200
        end = time.monotonic() + 5.0
        while second.session.model.design.group[1].spacing_mm != 18.0:
            assert time.monotonic() < end
            time.sleep(0.02)


@pytest.mark.skipif(os.name == "nt", reason="has no such permissions")
def test_the_kept_secret_is_its_users_alone(served):
    from synth.served import address

    place = address._place(served.path)
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    place.write_text("{not json")
    assert known(served.path).port == 0


def test_a_fault_of_the_program_is_told_and_the_others_go_on(served, monkeypatch, capsys):
    monkeypatch.setattr(served.serving.session, "state", lambda: 1 / 0)
    status, content = served.ask("POST", "put_back", {})
    assert status == 409  # refused before the state is asked for
    status, content = served.ask("POST", "keep", {"name": "one"})
    assert status == 500
    assert b"terminal" in content
    assert "ZeroDivisionError" in capsys.readouterr().err
    monkeypatch.undo()
    assert served.ask("GET", "")[0] == 200


def test_a_gesture_is_replayed_on_the_versions_that_are_named_through_what_is_named(served, monkeypatch):
    """Without a name the state of now; what is no list of names, or no stroke, is refused."""
    asked = []

    class Replayed:
        def sounds(self):
            return {"sounds": len(asked)}

        def page(self):
            return "<p>listen"

    def replayed(models, stroke, through):
        asked.append(({name: model.name for name, model in models.items()}, stroke, through))
        return Replayed()

    monkeypatch.setattr("synth.served.answers.replayed", replayed)
    assert served.ask("GET", "listen")[0] == 409
    first = served.state()["model"]
    assert served.ask("POST", "keep", {"name": "as drawn"})[0] == 200
    assert served.change("group[high].spacing_mm", 18.0)[0] == 200
    stroke = {"group": "low", "speed_mm_s": 300.0}
    status, told = served.post("replay", names=["", "as drawn"], stroke=stroke, through="panel")
    assert (status, told) == (200, {"sounds": 1})
    assert asked == [({"now": served.state()["model"], "as drawn": first}, stroke, "panel")]
    assert served.ask("GET", "listen") == (200, b"<p>listen")
    for wrong in (
        {"names": "as drawn", "stroke": stroke, "through": "bar"},
        {"names": [1], "stroke": stroke, "through": "bar"},
        {"names": ["lost"], "stroke": stroke, "through": "bar"},
        {"names": [""], "stroke": [], "through": "bar"},
        {"names": [""], "stroke": stroke},
    ):
        assert served.post("replay", **wrong)[0] == 409, wrong
    assert len(asked) == 1
