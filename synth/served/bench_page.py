"""The page of a design that is served: the playable page, with a bench beside the picture.

In: a model and what it is heard through. Out: the page's text. Its scripts are the plain files of `web/`.
"""

from __future__ import annotations

import importlib.resources
from typing import Final

from synth.page.build import Served, served_page
from synth.served.model import SolvedDesign

SCRIPTS: Final = (
    "link.js",
    "swap.js",
    "stands.js",
    "thing.js",
    "drawer.js",
    "nuts.js",
    "board.js",
    "drag.js",
    "marks.js",
    "known.js",
    "versions.js",
    "start.js",
)


def bench_page(model: SolvedDesign, through: str) -> str:
    """What a browser shows at the address."""
    besides = Served(
        data_from=f"model/{model.name}/{through}/bytes",
        code_from="code",
        style=_own("bench.css"),
        markup=_own("bench.html"),
        scripts="\n".join(map(_own, SCRIPTS)),
    )
    return served_page(model.packet(through).head, besides)


def _own(name: str) -> str:
    return _file("synth.served", name)


def _file(package: str, name: str) -> str:
    return (importlib.resources.files(package) / "web" / name).read_text(encoding="utf-8")
