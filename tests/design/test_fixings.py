"""Ways of fixing: what each does to the root, what is refused, where the design may say it."""

from dataclasses import replace

import pytest

from synth.design.decode import decode
from synth.design.fixings import COLLETS, FIXINGS, added_length, collet_for, set_screw_for
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError

STEEL = 185e9  # 304 spring wire at 20 degrees (materials.csv)


def design(group=None, stock=None, tines=None, tine=None, **more):
    return resolve(
        decode(
            {
                "bar": {
                    "section": {"shape": "rectangle", "width_mm": 40.0, "height_mm": 12.0},
                    "path": [{"straight_mm": 300.0}],
                },
                "stock": {"rod3": {"kind": "plain", "diameter_mm": 3.0, **(stock or {})}},
                "tines": tines or {},
                "group": [
                    {
                        "name": "a",
                        "start_mm": 50.0,
                        "spacing_mm": 20.0,
                        "stock": "rod3",
                        "tine": [{"free_length_mm": 100.0, **(tine or {})}, {"free_length_mm": 90.0}],
                        **(group or {}),
                    }
                ],
                **more,
            },
            Design,
        )
    )


def roots(**words):
    return [each.root for each in design(**words).tines]


def test_plain_rod_of_which_nothing_is_said_counts_as_a_nut_does():
    for root in roots():
        assert root.fixing is None
        assert (root.loss_factor, root.added_length) == (1e-3, pytest.approx(0.9e-3))
        assert (root.base_nut, root.base_nut_height) == (None, 0.0)


def test_tine_goes_before_group_before_tines_before_stock():
    def kinds(**words):
        return [each.fixing for each in roots(**words)]

    assert kinds(stock={"fixing": "collet"}) == ["collet", "collet"]
    assert kinds(stock={"fixing": "collet"}, tines={"fixing": "glued"}) == ["glued", "glued"]
    assert kinds(tines={"fixing": "glued"}, group={"fixing": "set screw"}) == ["set screw", "set screw"]
    assert kinds(group={"fixing": "set screw"}, tine={"fixing": "glued"}) == ["glued", "set screw"]


def test_glue_gives_by_the_bed_it_adds_and_loses_by_its_own_figure():
    (root, _) = roots(group={"fixing": "glued"})
    # 0.1 mm of room: a layer of 0.05 mm at 3 GPa on 3 mm of rod; steel on steel alone adds 0.3 d
    by_hand = 0.9e-3 * (1.0 + STEEL * 0.05e-3 / (3e9 * 3e-3)) ** 0.25
    assert root.added_length == pytest.approx(by_hand, rel=0.01)
    assert 1.15 < root.added_length / 0.9e-3 < 1.25
    assert root.loss_factor == 0.7e-3


def test_a_wider_hole_gives_more_and_a_reamed_one_still_has_a_layer():
    def added(fit):
        return roots(group={"fixing": "glued"}, bench={"hole_fit": fit})[0].added_length

    assert added("close") < added("normal") < added("loose")
    assert added("close") == pytest.approx(0.9e-3 * (1.0 + STEEL * 0.02e-3 / (3e9 * 3e-3)) ** 0.25, rel=0.01)


def test_each_way_has_its_own_loss_and_length_and_the_measured_goes_before_all():
    for kind in ("set screw", "collet", "glued"):
        (root, _) = roots(group={"fixing": kind})
        assert root.loss_factor == FIXINGS[kind].loss_factor
        (root, _) = roots(
            group={"fixing": kind}, tines={"clamp_loss_factor": 5e-4, "root_length_per_diameter": 0.5}
        )
        assert (root.loss_factor, root.added_length) == (5e-4, pytest.approx(1.5e-3))
    assert roots(group={"fixing": "set screw"})[0].added_length == pytest.approx(1.8e-3)
    assert roots(group={"fixing": "collet"})[0].added_length == pytest.approx(0.9e-3)


def test_threads_stand_in_nuts_unless_they_are_glued():
    tine = {"stock": "M4"}
    assert roots(tine=tine)[0].fixing == "nuts"
    assert roots(tine=tine)[0].base_nut.name == "M4 hex"
    glued = roots(tine={**tine, "fixing": "glued"})[0]
    assert (glued.base_nut, glued.base_nut_height) == (None, 0.0)


@pytest.mark.parametrize(
    ("words", "where", "found"),
    [
        ({"tine": {"stock": "M4", "fixing": "set screw"}}, "group[1].tine[1].fixing", "flattens a thread"),
        ({"tine": {"stock": "M4", "fixing": "collet"}}, "group[1].tine[1].fixing", "slips on a thread"),
        ({"group": {"fixing": "nuts"}}, "group[1].fixing", "no thread for nuts"),
        ({"tines": {"fixing": "nuts"}}, "tines.fixing", "no thread for nuts"),
        ({"stock": {"fixing": "nuts"}}, "stock.rod3.fixing", "no thread for nuts"),
        ({"stock": {"diameter_mm": 11.0, "fixing": "collet"}}, "stock.rod3.fixing", "no collet takes"),
        ({"group": {"fixing": "welded"}}, "group[1].fixing", "welded"),
    ],
)
def test_what_does_not_hold_is_refused_at_its_key(words, where, found):
    with pytest.raises(InputError, match=found) as error:
        design(**words)
    assert where in str(error.value)


def test_a_described_nut_stands_on_a_collet_and_a_threads_nut_does_not():
    own = {"nut": {"nose": {"mass_g": 6.0, "height_mm": 5.0, "width_mm": 10.0}}}
    (root, _) = roots(stock={"fixing": "collet", "base_nut": "nose"}, **own)
    assert (root.base_nut.name, root.base_nut_height) == ("nose", pytest.approx(5e-3))


def test_collets_and_set_screws_go_by_the_rod():
    rod = design().tines[0].rod
    for mm, body in ((5.0, 8.5e-3), (5.1, 11.5e-3), (7.0, 11.5e-3), (10.0, 17.0e-3)):
        assert collet_for(replace(rod, diameter=mm * 1e-3))[0] == body
    assert [set_screw_for(replace(rod, diameter=d * 1e-3)) for d in (3.0, 4.0, 6.0, 8.0)] == [
        "M3", "M4", "M5", "M6",
    ]  # fmt: skip
    assert [most for most, _, _ in COLLETS] == sorted(most for most, _, _ in COLLETS)


def test_the_layer_counts_by_its_fourth_root():
    """The one figure of the bed that is a guess moves the length little: twice the layer, an eighth at most."""
    rod = design().tines[0].rod
    one, two = (
        added_length("glued", 1.0, replace(rod, mass_diameter=3e-3 + less), "loose") for less in (0.1e-3, 0.0)
    )
    assert 1.05 < two / one < 1.125
