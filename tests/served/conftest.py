"""A flat bar with a recipe, tines by hand, nuts, a wish and a board; served, and asked as anybody would."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from synth.served.model import SolvedDesign
from synth.served.serving import Serving

from .bench_tab import ROOT, Page

DESIGN = """\
# the maker's own words
name = "Slat"   # a trial

[bar]
section = { shape = "rectangle", width_mm = 40.0, height_mm = 12.0 } # flat
path = [{ straight_mm = 420.0 }]
supports = [
    { at_mm = 30.0, kind = "rubber" }, # near
    { at_in = 15.0, kind = "cord" },
]

[stock.rod3]
kind = "plain"
diameter_mm = 3.0
material = "304 spring wire"

[recipe.pair]
members = ["1/1", { interval = "3/2", trim = [{ nut = "M4 hex", at_mm = 40.0 }] }, "2/1"]

[[group]]
name = "low"
stock = "M4"
start_mm = 50.0   # beside the pad
spacing_mm = 17.0
[[group.tine]]
free_length_mm = 150.0
[[group.tine]]
free_length_mm = 120.0
trim = [{ nut = "M4 hex", at_mm = 60.0 }] # by ear
[[group.tine]]
pitch = "A3"
trim_to = { partial = 2, ratio = 6.0, nut = "M4 hex" }

[[group]]
name = "high"
root = "A3"
recipe = "pair"
stock = "M4"
start_mm = 190.0
spacing_mm = 20.0

[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 300.0
length_mm = 400.0
thickness_mm = 4.0
feet = [ { bar_mm = 90.0, x_mm = 110.0, y_mm = 120.0 }, { bar_mm = 230.0, x_mm = 247.0, y_mm = 130.0 } ]
"""


@dataclass
class Asker:
    """What speaks HTTP with a server, and says of itself what it wants."""

    serving: Serving

    @property
    def path(self) -> Path:
        return self.serving.session.path

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.serving.address.port}"

    def ask(
        self, method: str, name: str, body: Any = None, *, secret: str | None = None, **headers: str | None
    ) -> tuple[int, bytes]:
        """Status and content; headers by name with _ for -, None leaves one out."""
        said: dict[str, str | None] = {"Host": self.host, "Content-Type": "application/json"}
        said |= {key.replace("_", "-"): value for key, value in headers.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.serving.address.port, timeout=30)
        try:
            secret = self.serving.address.secret if secret is None else secret
            content = None if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
            connection.putrequest(method, f"/{secret}/{name}", skip_host=True, skip_accept_encoding=True)
            for key, value in said.items():
                if value is not None:
                    connection.putheader(key, value)
            if content is not None and "Content-Length" not in said:
                connection.putheader("Content-Length", str(len(content)))
            connection.endheaders(content)
            answer = connection.getresponse()
            return answer.status, answer.read()
        finally:
            connection.close()

    def post(self, name: str, **body: Any) -> tuple[int, Any]:
        status, content = self.ask("POST", name, body)
        return status, json.loads(content)

    def get(self, name: str) -> Any:
        status, content = self.ask("GET", name)
        assert status == 200, content
        return json.loads(content)

    def state(self) -> dict[str, Any]:
        return self.serving.session.state()

    def change(self, path: str, value: Any) -> tuple[int, Any]:
        return self.post("change", on=self.state()["text"], edits=[{"path": path, "value": value}])


@pytest.fixture(scope="session")
def slat() -> SolvedDesign:
    """The design, solved once for all who only ask."""
    return SolvedDesign(DESIGN, "slat.toml")


@pytest.fixture
def design(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The design in a folder of its own."""
    path = tmp_path / "slat.toml"
    path.write_text(DESIGN, encoding="utf-8")
    return path


@pytest.fixture
def served(design: Path) -> Iterator[Asker]:
    with Serving(design) as serving:
        yield Asker(serving)


@pytest.fixture
def opened(browser: Any, design: Path) -> Iterator[Any]:
    """The bench in a tab; nothing may complain in it."""
    with Serving(design) as serving:
        page = Page(browser, serving)
        yield page
        complaints = page.complaints
        page.tab.close()
    assert complaints == []


@pytest.fixture
def rail(browser: Any, tmp_path: Path) -> Iterator[Any]:
    """The rail, which quarrels, and whose thin tines are past their endurance under brass."""
    path = tmp_path / "rail.toml"
    path.write_text((ROOT / "designs" / "quay-rail.toml").read_text(encoding="utf-8"), encoding="utf-8")
    with Serving(path) as serving:
        page = Page(browser, serving)
        yield page
        complaints = page.complaints
        page.tab.close()
    assert complaints == []


@pytest.fixture(scope="module")
def bench(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """The bench in one tab for all tests of a file, whose acts ask a stand-in for the server."""
    path = tmp_path_factory.mktemp("bench") / "slat.toml"
    path.write_text(DESIGN, encoding="utf-8")
    with Serving(path) as serving:
        page = Page(browser, serving)
        page.tab.evaluate(
            "() => { clearTimeout(known.timer); known.advice = null; }"
        )  # it would ask by itself
        yield page
        complaints = page.complaints
        page.tab.close()
    assert complaints == []
