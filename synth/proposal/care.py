"""What a client must know of an instrument that strangers will touch, and of what is only predicted.

The usual rules for public places and for thin steel; common practice, no published source. They replace no law.
"""

from __future__ import annotations

from typing import Final

FOR_STRANGERS: Final = (
    "Sharp: every tine ends in a tip at hand or face height. Tips are rounded and capped before anyone "
    "else is near, and looked at for missing caps whenever the place is cleaned.",
    "Springy: a tine that is bent aside and let go whips back. It is stroked with the stick it comes with, "
    "not pulled; a tine that was bent for good is replaced, not bent back.",
    "Eyes: nobody bends over the row while it is played; a barrier or a height that rules it out is part "
    "of the site.",
    "Weight: the figure above is lifted by two, and fixed before the tines go in.",
    "Fixing: what it hangs from or stands on is dimensioned for people who lean on it, by someone licensed to.",
    "Local codes: escape routes, loads, sharp parts, accessibility and electrical safety of a pickup's "
    "amplifier are matters of local codes and licensed practice. This proposal replaces neither.",
    "Hearing: alone it is no danger to hearing; an amplified pickup can be. The level is limited where it "
    "is amplified.",
)

CARE: Final = (
    "Fingers leave salt: wipe the tines dry, oil plain steel thinly, once a season or where rust shows.",
    "A nut that works loose shows as a buzz or a dull tine: it is tightened, and the tine tuned again by "
    "its base nut.",
    "Sticks wear at their ends; a worn one is blunter and sounds duller.",
)

PREDICTED: Final = (
    "Pitch, overtones and the bar's own modes follow from bending stiffness and mass; against closed forms "
    "they are within a cent, against the steel as bought within the tolerances above.",
    "How long a tine rings hangs on how well its nut clamps it. No table knows that: times of decay are "
    "right within a factor of two until a tine has been measured.",
    "Levels are those of the model's own radiation, true to each other; as absolute figures no instrument "
    "of this kind has been measured against it.",
)
OF_BOX_ROOMS: Final = (
    "The room is a box with even walls: its first reflections are where geometry puts them, its "
    "reverberation follows from a sum of absorption. Furniture, people and alcoves are not in it; below "
    "about 100 Hz a seat may differ by 6 dB.",
)
OF_NOISE: Final = (
    "The noise of the room is a figure, not a recording: steps, voices and loudspeakers are not steady.",
)

TEST_PIECE: Final = (
    "the loss of the clamp, and with it how long every tine rings",
    "the stiffness of this batch of rod, and with it every length of the cut list",
    "what the overtones really are, and whether trim nuts are wanted",
    "which stick and which speed are liked",
)
