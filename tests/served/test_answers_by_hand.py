"""What the server does for each name that it answers: asked of a stand-in for the session, nothing is solved."""

from __future__ import annotations

import dataclasses
import json
from contextlib import nullcontext
from types import SimpleNamespace

import pytest

from synth.errors import InputError
from synth.served import address, knowledge, papers
from synth.served import answers as room
from synth.served.address import Address
from synth.served.answers import Answers
from synth.served.history import MOST, History
from synth.served.hub import MOST_WAITING, Hub
from synth.served.server import Ask, RequestError
from synth.served.tuning_page import TuningFeed
from synth.served.versions import Versions


class Session:
    """Notes what is asked of it; two models, the second of which stands in the file."""

    def __init__(self):
        self.asked = []
        self.lock = nullcontext()
        self.old, self.model = (
            SimpleNamespace(name=name, through=("bar", "lid"), packet=self._packet(name))
            for name in ("old", "new")
        )

    def _packet(self, name):
        return lambda through: SimpleNamespace(
            content=f"{name} {through}".encode(), framed=lambda: f"head {name} {through}".encode()
        )

    def named(self, name):
        return {"old": self.old, "new": self.model}[name]

    def version(self, name):
        return SimpleNamespace(name=f"version {name}", text=f"text of {name}")

    def state(self):
        return {"serial": 7}

    def __getattr__(self, name):
        return lambda *words: self.asked.append((name, *words))


@pytest.fixture
def served():
    session = Session()
    return SimpleNamespace(session=session, answers=Answers(session, "lid"))


def get(served, path):
    return served.answers("GET", Ask(tuple(path.split("/"))))


def post(served, name, /, **body):
    return served.answers("POST", Ask((name,), {}, body))


@pytest.mark.parametrize(
    ("name", "body", "wanted"),
    [
        ("back", {"on": "t"}, ("back", "t")), ("forth", {"on": "t"}, ("forth", "t")), ("put_back", {},
          ("put_back",)),
        ("keep", {"name": "n", "model": "m"}, ("keep", "n", "m")),
        ("keep", {"name": "n", "on": "t"}, ("keep", "n")), ("forget", {"name": "n", "on": "t"}, ("forget", "n")),
        ("save_versions", {}, ("save_versions",)), ("recall", {"name": "n", "on": "t"}, ("put", "text of n", "t")),
    ],
)  # fmt: skip
def test_each_name_does_its_own_and_answers_how_it_stands(served, name, body, wanted):
    reply = post(served, name, **body)
    assert served.session.asked == [wanted]
    assert json.loads(reply.content) == {"serial": 7}


def test_edits_reach_the_session_with_every_word_that_was_sent(served):
    sent = {"path": "a.b", "value": 3.5, "comment": "by ear", "instead_of": "a.c"}
    post(served, "change", on="t", edits=[sent, {"path": "d", "value": None}])
    ((name, edits, *on),) = served.session.asked
    assert (name, *on) == ("change", "t", "t")
    first, second = (dataclasses.asdict(each) for each in edits)
    assert {key: first[key] for key in sent} == sent
    assert (second["path"], second["value"], second["comment"], second["instead_of"]) == ("d", None, "", "")
    for edits in ([], None, [{"path": "a"}] * 1001, ["a"], [{"value": 1}]):
        with pytest.raises(InputError):
            post(served, "change", on="t", edits=edits)


def test_a_change_says_from_which_text_was_drawn_what_it_changes(served):
    post(served, "change", on="t", drawn="s", edits=[{"path": "d", "value": 1}])
    assert served.session.asked[0][2:] == ("t", "s")
    with pytest.raises(InputError, match="'drawn' is missing"):
        post(served, "change", on="t", drawn=None, edits=[{"path": "d", "value": 1}])


def test_how_it_stands_is_asked_before_anyone_else_changes_it(served):
    """Else a page would take what another one wrote meanwhile for its own."""
    held = []

    class Lock:
        def __enter__(self):
            held.append("held")

        def __exit__(self, *_):
            held.append("left")

    served.session.lock, served.session.state = Lock(), lambda: held.append("state") or {}
    post(served, "forget", name="n")
    assert held == ["held", "state", "left"]


def test_a_model_is_sent_with_its_head_or_bare_and_what_it_is_heard_through_is_remembered(
    served, monkeypatch
):
    shown = []
    monkeypatch.setattr(
        room, "bench_page", lambda model, through: shown.append((model.name, through)) or "page"
    )
    assert get(served, "").content == b"page"
    assert get(served, "model/old/bar").content == b"head old bar"
    assert get(served, "model/new/pickup/bytes").content == b"new pickup"
    get(served, "")
    assert get(served, "model/new/bar/other").content == b"head new bar"
    get(served, "")
    assert shown == [("new", "lid"), ("new", "bar"), ("new", "bar")]  # it has no pickup


def test_what_takes_seconds_is_asked_of_the_present_design_alone(served, monkeypatch):
    told = []
    monkeypatch.setattr(knowledge, "advised", lambda model: told.append(model.name) or {})
    get(served, "advise/new")
    with pytest.raises(InputError, match="has changed since"):
        get(served, "advise/old")
    assert told == ["new"]
    stands = []

    def better(model, *, still):
        stands.append(still())
        served.session.model = served.session.old
        stands.append(still())
        return {"model": model.name}

    monkeypatch.setattr(room, "better", better)
    assert json.loads(post(served, "suggest", model="new").content) == {"model": "new"}
    assert stands == [True, False]


@pytest.mark.parametrize(
    ("path", "asks"),
    [
        ("things/old", ("things", "old")), ("know/old", ("knowledge", "old")), ("board/old/lid", ("board",
          "old", "lid")),
        ("trims/old/12", ("trims", "old", 12)), ("trims/old/x", ("trims", "old", -1)), ("trims/old", ("trims",
          "old", -1)),
        ("papers/old/map.svg", ("paper", "old", "map.svg")),
    ],
)  # fmt: skip
def test_what_is_known_is_asked_of_the_model_that_is_named(served, monkeypatch, path, asks):
    asked = []

    def told(name, answer=None):
        return lambda model, *words: asked.append((name, model.name, *words)) or answer

    monkeypatch.setattr(room, "things", told("things"))
    monkeypatch.setattr(room, "trims", told("trims"))
    monkeypatch.setattr(knowledge, "knowledge", told("knowledge"))
    monkeypatch.setattr(knowledge, "board_knowledge", told("board"))
    monkeypatch.setattr(papers, "paper_file", told("paper", (b"ink", "image/svg+xml")))
    reply = get(served, path)
    assert asked == [asks]
    if "papers" in path:
        assert (reply.content, reply.kind, reply.saved_as) == (b"ink", "image/svg+xml", "map.svg")


def test_foreseen_is_the_tine_with_the_nuts_that_are_named_and_nothing_half_said(served, monkeypatch):
    asked = []
    monkeypatch.setattr(
        room, "foreseen", lambda model, tine, nuts: asked.append((model.name, tine, nuts)) or {}
    )
    nuts = [{"nut": "M4", "at_mm": 3.0}]
    post(served, "foresee", model="old", tine=2, nuts=nuts)
    assert asked == [("old", 2, nuts)]
    for wrong in (
        {"tine": "2", "nuts": nuts},
        {"tine": 2, "nuts": nuts[0]},
        {"tine": 2, "nuts": ["M4"]},
        {"tine": 2},
    ):
        with pytest.raises(InputError, match="are missing"):
            post(served, "foresee", model="old", **wrong)


def test_a_gesture_goes_to_each_version_that_is_named_and_its_page_is_of_the_last(served, monkeypatch):
    asked = []

    def replayed(models, stroke, through):
        asked.append(({name: each.name for name, each in models.items()}, stroke, through))
        return SimpleNamespace(sounds=lambda: {"sounds": through}, page=lambda: f"page of {through}")

    monkeypatch.setattr(room, "replayed", replayed)
    with pytest.raises(InputError, match="nothing was replayed"):
        get(served, "listen")
    reply = post(served, "replay", names=["one", ""], stroke={"group": "low"}, through="lid")
    assert asked == [({"one": "version one", "now": "version "}, {"group": "low"}, "lid")]
    assert json.loads(reply.content) == {"sounds": "lid"}
    assert get(served, "listen").content == b"page of lid"
    for wrong in (
        {"stroke": "low", "names": []},
        {"stroke": {}, "names": "one"},
        {"stroke": {}, "names": [1]},
    ):
        with pytest.raises(InputError):
            post(served, "replay", through="bar", **wrong)


def test_what_one_page_replays_does_not_take_the_place_of_another_s(served, monkeypatch):
    """Each is listened to from the page that asked for it; the pages that asked longest ago are forgotten."""
    monkeypatch.setattr(
        room,
        "replayed",
        lambda models, stroke, through: SimpleNamespace(sounds=dict, page=lambda: f"page of {through}"),
    )

    def replay(page, through):
        post(served, "replay", names=[""], stroke={}, through=through, page=page)

    for page, through in (
        ("one", "lid"),
        ("two", "bar"),
        ("three", "bar"),
        ("one", "pickup"),
        ("four", "bar"),
    ):
        replay(page, through)
    assert get(served, "listen/one").content == b"page of pickup"
    assert get(served, "listen/two").content == b"page of bar"
    replay("five", "lid")
    assert get(served, "listen/one").content == b"page of pickup"
    for page in ("two", "", "never"):
        with pytest.raises(InputError, match="nothing was replayed"):
            get(served, f"listen/{page}")
    with pytest.raises(InputError, match="'page' is missing"):
        replay(1, "bar")


def test_the_tuner_is_asked_where_one_listens(served):
    for method, name in (("GET", "tuning"), ("POST", "press")):
        with pytest.raises(InputError, match="nobody listens"):
            served.answers(method, Ask((name,), {}, {"key": "y"}))
    served.answers.feed = TuningFeed("Rail", str)
    post(served, "press", key="y")
    assert served.answers.feed.pressed() == "y"
    with pytest.raises(InputError, match="no key of this page"):
        post(served, "press", key="q")
    for method, name in (("GET", "change"), ("POST", "know"), ("GET", "nothing")):
        with pytest.raises(RequestError):
            served.answers(method, Ask((name,)))


def test_who_is_a_hundred_events_behind_is_left_out_and_others_hear_all():
    hub = Hub()
    with hub.listening() as slow, hub.listening() as quick:
        for number in range(MOST_WAITING):
            hub.tell("state", number)
        for _ in range(MOST_WAITING):
            next(quick)
        hub.tell("state", "last")
        assert next(quick) == 'event: state\ndata: "last"\n\n'
        assert next(slow, None) is None


def test_of_many_texts_the_latest_are_kept_beside_the_first_in_their_order():
    history = History(["opened"])
    for number in range(MOST + 3):
        history.take(str(number), ours=False)
    assert history.texts == ["opened", *(str(n) for n in range(4, MOST + 3))]
    assert history.back == str(MOST + 1)


@pytest.mark.parametrize("name", ["con", "NUL", "aux.1", "com3", "Lpt9.x"])
def test_a_version_s_file_is_never_called_as_a_device(tmp_path, name):
    """On Windows these are no files, with any ending and in either case."""
    versions = Versions(tmp_path / "rail.toml")
    versions.keep(name, "text\n")
    versions.save()
    (file,) = (tmp_path / "rail.versions").iterdir()
    assert file.name.lower().split(".")[0] not in ("con", "nul", "aux", "com3", "lpt9")
    assert Versions(tmp_path / "rail.toml").texts == {name: "text\n"}


def test_an_address_is_kept_for_its_own_design_and_taken_again_where_it_can_be(tmp_path, monkeypatch):
    """One of the same name in another folder is another; a secret too short to be one, or no port, begins anew."""
    monkeypatch.setattr(address, "folder", lambda: tmp_path / "kept")
    one, other = (tmp_path / name / "rail.toml" for name in ("a", "b"))
    secrets = {path: letter * 32 for path, letter in ((one, "x"), (other, "y"))}
    for port, path in enumerate(secrets, start=4000):
        address.keep(path, Address(port, secrets[path]))
    for port, path in enumerate(secrets, start=4000):
        assert address.known(path) == Address(port, secrets[path])
        assert address.known(path).words == f"http://127.0.0.1:{port}/{secrets[path]}/"
    for port, secret in ((4000, "short"), (0, "x" * 32), (65536, "x" * 32), (-1, "x" * 32)):
        address.keep(one, Address(port, secret))
        found = address.known(one)
        assert found.port == 0
        assert found.secret != secret
        assert len(found.secret) >= 32
    assert address.known(tmp_path / "c" / "rail.toml").port == 0
