"""How finely a contact is followed: the default (`EVENT`), the truth (`REFERENCE`), and what is tried in need.

In: nothing. Out: `ContactResolution`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from synth.frozen import frozen

SHORTEST: Final = 0.5e-6  # s, of a step
SHORTER: Final = 4  # times: what a step is cut into


@frozen
class ContactResolution:
    """How finely a contact is followed."""

    tine_modes: int  # in each plane
    beam_modes: int  # of the stick
    step: float  # s
    bin_steps: (
        int  # the force is kept in bins of so many; with one, a bin's middle is the very time of its impulse
    )
    quiet_steps: int = 1  # 1, 2 or 4: taken at once, at most, while one tine is held quietly
    whole: bool = True  # the stick in the fingers without leaving out what is hardly felt

    @property
    def bin(self) -> float:
        """s, of a bin."""
        return self.step * self.bin_steps

    @property
    def finer(self) -> ContactResolution | None:
        """What is tried where the books do not close: first every step, then shorter ones; None at last.

        Of the same stick: a pass goes on more finely from where it is.
        """
        if self.quiet_steps > 1:
            return replace(self, quiet_steps=1)
        return replace(self, step=self.step / SHORTER) if self.step >= SHORTER * SHORTEST else None


REFERENCE: Final = ContactResolution(tine_modes=10, beam_modes=12, step=SHORTEST, bin_steps=1)
EVENT: Final = ContactResolution(
    tine_modes=8, beam_modes=12, step=2e-6, bin_steps=1, quiet_steps=4, whole=False
)
