"""What a board offers to a bar that stands on it: its modes at the feet, and the feet as springs.

In: nothing; these are the words in which `synth.vibration.board` speaks to `synth.vibration.coupling`, which needs
to know neither plates nor air.
"""

from __future__ import annotations

from synth.arrays import Array
from synth.frozen import frozen


@frozen
class BoardModes:
    """A board's own modes, with the air that rides on it and the cavity behind it: Mb modes, J feet."""

    frequency: Array  # (Mb,) Hz
    loss: Array  # (Mb, Mb) s^-2, symmetric and not negative: K' of K + jK'; eta omega² on the diagonal
    foot_shape: (
        Array  # (J, 6, Mb) kg^-1/2, motion where each foot stands: displacement, rotation, global axes
    )


@frozen
class Feet:
    """The J springs between the bar's underside and the board, each in six directions, global axes."""

    position: Array  # (J,) m along the bar
    arm: Array  # (J, 3) m from the bar's axis to where the foot holds
    stiffness: Array  # (J, 6) N/m, N m/rad
    loss_factor: Array  # (J,)


@frozen
class StandingBoard:
    """A board with the feet that carry the bar."""

    modes: BoardModes
    feet: Feet
