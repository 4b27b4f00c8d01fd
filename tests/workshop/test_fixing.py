"""What of a rod is clamped, by hand."""

import pytest

from synth.units import MM
from synth.workshop.fixing import joint

HUNDREDTH = 0.01 * MM


def test_a_clearance_joint_is_two_nuts_two_washers_the_bar_and_what_stands_out(made, straight):
    instrument = made(straight)
    fixed = joint(instrument.tines[0], instrument.bar, instrument.bench)
    # M4: nuts at mid tolerance (3.2 + 2.9) / 2 = 3.05 (ISO 4032), washers 0.8 (ISO 7089), bar 20, two pitches 1.4
    assert fixed.clamped == pytest.approx((2 * 3.05 + 2 * 0.8 + 20.0 + 1.4) * MM, abs=HUNDREDTH)
    assert fixed.hole.diameter == pytest.approx(4.5 * MM)
    assert "through the bar" in fixed.words("mm")


def test_a_tapped_joint_is_a_lock_nut_and_one_and_a_half_diameters(made, straight):
    instrument = made(straight + '[bench]\nholes = "tapping"\n')
    fixed = joint(instrument.tines[0], instrument.bar, instrument.bench)
    assert fixed.in_bar == pytest.approx(1.5 * instrument.tines[0].rod.diameter)
    assert fixed.clamped == pytest.approx(fixed.in_bar + 3.05 * MM, abs=HUNDREDTH)
    assert fixed.hole.tapped
    assert fixed.hole.diameter == pytest.approx(3.3 * MM)


def test_a_tapped_hole_is_no_deeper_than_the_bar(made, straight):
    instrument = made(straight + '[bench]\nholes = "tapping"\ntapped_depth_mm = 35.0\n')
    assert joint(instrument.tines[0], instrument.bar, instrument.bench).in_bar == pytest.approx(20.0 * MM)


def test_plain_rod_goes_through_the_side_it_stands_on(made, straight):
    instrument = made(straight)
    fixed = joint(
        instrument.tines[2], instrument.bar, instrument.bench
    )  # faces sideways: the bar is 30 mm wide
    assert fixed.clamped == pytest.approx(30.0 * MM)
    assert fixed.nuts == () == fixed.washers
    assert fixed.hole.diameter == pytest.approx(3.1 * MM)


@pytest.mark.parametrize(("fit", "size"), [("close", 4.3), ("normal", 4.5), ("loose", 4.8)])
def test_the_fit_is_the_designs(made, straight, fit, size):
    instrument = made(straight + f'[bench]\nhole_fit = "{fit}"\nwashers = 3\nprotrusion_mm = 4.0\n')
    fixed = joint(instrument.tines[0], instrument.bar, instrument.bench)
    assert fixed.hole.diameter == pytest.approx(size * MM)
    assert len(fixed.washers) == 3
    assert fixed.protrusion == pytest.approx(4.0 * MM)


def test_an_inch_thread_names_its_drill(made, straight):
    instrument = made(
        straight.replace('stock = "M4"', 'stock = "#8-32 UNC"').replace("M4 hex", "#8-32 UNC hex")
    )
    assert joint(instrument.tines[0], instrument.bar, instrument.bench).hole.drill.startswith("#9 (")


def test_a_thread_tapped_into_a_tube_is_as_deep_as_its_wall(made, straight):
    tube = straight.replace(
        '{ shape = "rectangle", width_mm = 30.0, height_mm = 20.0 }',
        '{ shape = "tube", diameter_mm = 30.0, wall_mm = 3.0 }',
    )
    instrument = made(tube + '[bench]\nholes = "tapping"\n')
    assert joint(instrument.tines[0], instrument.bar, instrument.bench).in_bar == pytest.approx(3.0 * MM)
