"""Places with which tines and bar quarrel less, searched for while the page waits; given up when it changes.

In: a model. Out: proposals, the best first, each with the edits that make it. As `suggest` without its options.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

from synth.cores import one_core
from synth.errors import InputError
from synth.served.knowledge import proposal
from synth.served.model import SolvedDesign
from synth.units import MM
from synth.workshop.suggest import (
    Allowed,
    Candidate,
    Ground,
    plans,
    search,
    shortlist,
    sold_sections,
    verdict,
)

MOVE: Final = 20.0 * MM  # as the command's
SUPPORTS: Final = 40.0 * MM
TRIES: Final = 150
BEST: Final = 3


def better(model: SolvedDesign, *, still: Callable[[], bool]) -> dict[str, Any]:
    """Raises `InputError` where the design changed meanwhile."""
    quarrels = model.quarrels
    now = math.fsum(each.severity for each in quarrels)
    told: dict[str, Any] = {"severity": now, "quarrels": len(quarrels), "found": []}
    if not quarrels:
        return told
    ground = Ground(model.design, model.instrument, model.row)
    with one_core():  # many small problems
        candidates = _candidates(ground, still)
        for each in shortlist(candidates, ground, BEST):
            _check(still)
            found = verdict(ground, each)
            if found is not None and found.severity < now:
                told["found"].append(
                    {
                        **proposal(model, found.change),
                        "severity": found.severity,
                        "quarrels": len(found.quarrels),
                    }
                )
    told["found"].sort(key=lambda each: each["severity"])
    return told


def _candidates(ground: Ground, still: Callable[[], bool]) -> list[Candidate]:
    allowed = Allowed(MOVE, SUPPORTS, (), ())
    found = []
    for plan in plans(ground.instrument, allowed, sold_sections(ground)):
        for step in search(ground, allowed, plan, tries=TRIES):
            _check(still)
            if isinstance(step, Candidate):
                found.append(step)
    return found


def _check(still: Callable[[], bool]) -> None:
    if not still():
        raise InputError("the design changed while better places were looked for", remedy="look again")
