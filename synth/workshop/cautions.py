"""What can hurt, said where the work is planned: on the cut list, the template and the tuning sheet.

The usual rules of a metal bench; common practice, no published source. They replace no training and no law.
"""

from __future__ import annotations

from typing import Final

HEADING: Final = "Before you start"

CAUTIONS: Final = (
    "Eyes: wear safety glasses while sawing, drilling and filing, and while tuning: a thin rod that slips or "
    "breaks flies off.",
    "Tips: deburr and round every tine's tip, and cap it where it stands at eye or hand height; an upright rod is "
    "a spike to whoever bends over it.",
    "Whipping: a long tine pulled far aside strikes back. Never pull one further than the stick would, and keep "
    "faces out of the plane in which it swings.",
    "Drilling: clamp bar and work, no gloves or loose sleeves at the drill, deburr both ends of every hole before "
    "a hand goes over it.",
    "Weight: a steel bar is heavier than it looks. Lift with two, wear shoes that take a drop, and fix the bar "
    "before the tines go in.",
    "Hearing: cut with ear protection; start amplified playing with the level down.",
    "For the public: what others touch, lean on or hang overhead needs the local codes on loads, sharp parts and "
    "escape routes, and the signature of a licensed professional. This sheet replaces neither.",
)

IN_SHORT: Final = (
    "Safety glasses. Clamp the work, no gloves at the drill. Deburr both ends of every hole.",
    "Round and cap the tines' tips. A bent tine whips back. Heavy bar: lift with two. Mind your hearing.",
    "For the public: local codes and licensed practice decide.",
)
