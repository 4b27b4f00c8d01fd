"""What a recording leaves open, in numbers: the plane of a line, too few data, two poles that are one tine's."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.recording import apart, match, parameters, retune, room
from synth.units import CENT


def test_a_fundamentals_line_of_no_plane_is_open_by_half_of_what_its_planes_differ():
    model = SimpleNamespace(frequency=np.array([[[440.0], [440.0 * np.exp(4.0 * CENT)]]]))
    line = SimpleNamespace(partial=0, plane=None, apart=6.0 * CENT)
    assert retune._either(line, model) == pytest.approx(3.0 * CENT)
    named = SimpleNamespace(partial=0, plane=1, apart=0.0)
    assert retune._either(named, model) == pytest.approx(2.0 * CENT)
    assert retune._either(SimpleNamespace(partial=1, plane=None, apart=6.0 * CENT), model) == 0.0


@pytest.mark.parametrize(
    ("partials", "decays", "said"), [(3, 2, None), (2, 2, "2 partials"), (3, 1, "1 decays")]
)
def test_pitches_and_losses_are_counted_each_against_their_own_data(partials, decays, said):
    pitched = [kind for kind in parameters.PLAUSIBLE_SPREAD if kind not in parameters.LOSSES]
    kinds = [*pitched[:2], parameters.LOSSES[0]]
    chosen = [SimpleNamespace(kind=kind, name=kind) for kind in kinds]
    found = apart.objection(chosen, 1e4 * np.eye(5, 3), (partials, decays))
    assert (found is None) if said is None else (said in found[1] and found[0] == 2)


def test_a_partial_off_by_twice_what_is_close_scores_as_a_gaussian():
    tap = SimpleNamespace(partials=[SimpleNamespace(kind="partial", level=1.0, frequency=440.0)])
    frequency = np.full((2, 1), 440.0 * np.exp(2.0 * match.CLOSE * CENT))
    assert match.scores(tap, frequency, np.array([0.0]))[0] == pytest.approx(np.exp(-2.0), rel=1e-6)


def test_two_poles_are_one_tines_planes_only_if_they_outlast_the_room():
    one = SimpleNamespace(likelihood=0.0)

    def called(rate):
        both = SimpleNamespace(
            pole=np.array([-5.0 + 10j, -4.0 - 10j]),
            sharp=(0.1, 0.1),
            likelihood=1e4,
            noise=SimpleNamespace(rate=rate),
        )
        return room._called(SimpleNamespace(values=np.zeros(100)), one, both)

    assert called(8.0 / room.ALIKE)
    assert not called(2.0 / room.ALIKE)
