"""All that can be chosen in the page of a model: tines, groups, bar, boards, with what can be set of each.

In: a model. Out: plain data for JSON, lengths in mm, and the unit in which people read them.
"""

from __future__ import annotations

from typing import Any

from synth.served.fields import (
    bar_fields,
    board_fields,
    choices,
    foot_fields,
    group_fields,
    plain_fields,
    support_fields,
)
from synth.served.model import SolvedDesign
from synth.served.papers import PAPERS
from synth.served.tine_fields import nuts_of, plain_nuts, tine_fields


def things(model: SolvedDesign) -> dict[str, Any]:
    design = model.design
    return {
        "model": model.name,
        "units": model.instrument.bench.units,
        "choices": choices(model),
        "tines": [
            {"fields": plain_fields(tine_fields(model, r)), "nuts": plain_nuts(nuts_of(model, r))}
            for r in range(len(model.instrument.tines))
        ],
        "groups": [
            {"name": each.name, "fields": plain_fields(group_fields(model, g))}
            for g, each in enumerate(design.group)
        ],
        "bar": {
            "fields": plain_fields(bar_fields(model)),
            "supports": [plain_fields(support_fields(model, n)) for n in range(len(design.bar.supports))],
        },
        "boards": {
            name: {
                "fields": plain_fields(board_fields(model, name)),
                "feet": [plain_fields(foot_fields(model, name, n)) for n in range(len(each.feet))],
                "length_mm": each.length_mm,
                "width_mm": each.width_mm,
            }
            for name, each in design.board.items()
        },
        "papers": [{"file": each.file, "words": each.words} for each in PAPERS.values()],
    }
