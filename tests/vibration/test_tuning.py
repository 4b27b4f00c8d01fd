"""Lengths from pitch, nuts from a wished overtone, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from synth.arrays import Array
from synth.design.file import load
from synth.design.instrument import Bend, Group, Instrument, PlacedNut, Straight, Tine, TrimWish
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.vibration import clearance, tuning
from synth.vibration.mounted_pitch import mounting
from synth.vibration.rod import lowest_frequencies
from synth.vibration.tine import TineModes, plane_ratios, rods_of, solve_tines
from synth.vibration.trimming.answers import every_answer
from synth.vibration.tuning import Row, free_lengths, tune

CENT = math.log(2.0) / 1200.0
DATA = Path(__file__).parents[1] / "data"

Build = Callable[..., Instrument]


@pytest.fixture(scope="module")
def build(bench: Any) -> Build:
    """An instrument of one group of these tines on a straight bar."""
    base = resolve(load(DATA / "two-tines.toml"), "bench.toml")

    def built(*tines: Tine, spacing: float = 20.0, path: tuple[Straight | Bend, ...] = ()) -> Instrument:
        row = bench.in_a_row(list(tines), spacing)
        bar = replace(base.bar, path=path or (Straight(0.1 + spacing * 1e-3 * len(row)),), supports=())
        return replace(base, bar=bar, groups=(Group("test", None, None, 0, len(row)),), tines=row)

    return built


def off(row: Row) -> Array:
    """Mounted pitch over target, in cents; nan where there is none."""
    return np.asarray(np.log(row.mounted_hz / row.target_hz) / CENT)


def test_every_pitch_is_met_within_a_hundredth_of_a_cent(bench: Any, build: Build) -> None:
    m4, nut = bench.threaded(4.0, 0.7), bench.nut("M4")
    pitches = [55.0, 110.0, 220.0, 440.0, 880.0, 1760.0]
    bare = [bench.tine(m4, pitch_hz=hz, root=bench.root(added=1.0), split=1.002, axis=-0.2) for hz in pitches]
    loaded = [
        bench.tine(m4, pitch_hz=hz, trim=(PlacedNut(nut, 0.02), PlacedNut(replace(nut, grip=0.7), 0.0241)))
        for hz in pitches[:5]
    ]
    row = tune(build(*bare, *loaded))
    assert np.abs(off(row)).max() < 0.01
    again = solve_tines([*bare, *loaded], row.length, row.trim)
    assert again.frequency[:, 0, 0] == pytest.approx(row.target_hz, rel=0.01 * CENT)


def test_a_given_length_is_kept_and_has_no_target(bench: Any, build: Build) -> None:
    row = tune(
        build(bench.tine(bench.plain(3.0), length=150.0), bench.tine(bench.plain(3.0), pitch_hz=110.0))
    )
    assert row.length[0] == 0.15
    assert np.isnan(row.target_hz).tolist() == [True, False]
    assert row.clamped_hz[0] == pytest.approx(92.2, abs=0.05)


@settings(max_examples=40, deadline=None)
@given(
    diameter=st.floats(1.0, 6.0),
    length=st.floats(25.0, 400.0),
    share=st.floats(0.1, 0.9),
    grip=st.floats(0.0, 1.0),
    added=st.floats(0.0, 2.0),
)
@example(
    diameter=1.0, length=25.0, share=0.875, grip=0.0, added=0.0
)  # a nut so heavy that the tip hardly counts
@example(diameter=5.0, length=25.0, share=0.5, grip=0.0, added=0.0)  # so stubby that a coarse mesh is seen
def test_a_tines_own_pitch_gives_its_length_back(
    bench: Any, diameter: float, length: float, share: float, grip: float, added: float
) -> None:
    nut = bench.nut("M3", grip)
    trim = (PlacedNut(nut, share * (length * 1e-3 - nut.height) + nut.height / 2.0),)
    tine = bench.tine(bench.plain(diameter), pitch_hz=1.0, root=bench.root(added=added))
    pitch = solve_tines([tine], [length * 1e-3], [trim]).frequency[:, 0, 0]
    found = free_lengths([tine], [trim], pitch)
    assert solve_tines([tine], found, [trim]).frequency[:, 0, 0] == pytest.approx(pitch, rel=0.02 * CENT)
    assert found[0] == pytest.approx(length * 1e-3, rel=0.02 * CENT)


def bar_like(frequency: Array, mode: float, strength: float) -> Array:
    """Mounted over clamped of a tine that meets one bar mode: two coupled oscillators, the tine-like branch."""
    a, b = frequency**2, np.full_like(frequency, mode**2)
    root = np.sqrt(((a - b) / 2.0) ** 2 + (strength * a) ** 2)
    return np.asarray(np.sqrt((a + b) / 2.0 + np.where(a >= b, root, -root)) / frequency)


def test_the_mounted_pitch_not_the_clamped_one_meets_the_target(bench: Any, build: Build) -> None:
    tines = [bench.tine(bench.plain(3.0), pitch_hz=hz) for hz in (80.0, 150.0, 300.0)]
    calls: list[int] = []

    def mounting(modes: TineModes, which: Array, rigid: Array) -> Array:
        calls.append(len(which))
        return bar_like(modes.frequency[:, 0, 0], 200.0, 0.03)

    row = tune(build(*tines), mounting)
    assert np.abs(off(row)).max() < 0.01
    assert np.abs(np.log(row.clamped_hz / row.target_hz) / CENT).min() > 0.1
    assert row.mounted_hz == pytest.approx(row.clamped_hz * bar_like(row.clamped_hz, 200.0, 0.03), rel=1e-9)
    assert len(calls) <= 6
    assert not row.warnings


@pytest.mark.parametrize("name", ["quay-rail", "lantern-hoop", "test-piece"])
def test_partials_beyond_the_third_do_not_count_in_the_search(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The lengths are those that all partials give, on straight and bent bars, with nuts."""
    instrument = resolve(load(Path(__file__).parents[2] / "designs" / f"{name}.toml"))
    quick = tune(instrument, mounting(instrument))
    monkeypatch.setattr("synth.vibration.tuning.SOUGHT", 1e9)
    whole = tune(instrument, mounting(instrument))
    assert np.nanmax(np.abs(off(quick))) < 0.002
    assert 1200.0 * np.abs(np.log2(quick.length / whole.length)).max() < 0.001


def test_a_secant_that_agrees_with_the_slope_by_chance_is_not_trusted() -> None:
    """The third try misses by a thousandth, and the line through the last two has the very slope that was given."""
    tries: list[float] = []

    def miss(x: Array, rows: Array) -> Array:
        tries.append(float(x[0]))
        last = 3e-3 - 2.0 * (tries[-1] - 5e-3)
        return np.array([{1: 1e-2, 2: 3e-3, 3: last}.get(len(tries), 0.0)])

    start, slope = np.zeros(1), np.array([-2.0])
    found, off = tuning._secant(miss, start, slope, start - 1.0, start + 1.0, sure=1e-7)
    assert len(tries) == 4
    assert (found[0], off[0]) == (tries[-1], 0.0)


@given(pitch=st.floats(60.0, 900.0), diameter=st.sampled_from([2.0, 3.0, 5.0]))
@settings(max_examples=60, deadline=None)
def test_a_length_has_its_pitch_whether_it_was_looked_at_again_or_not(
    bench: Any, pitch: float, diameter: float
) -> None:
    tine = bench.tine(bench.plain(diameter), pitch_hz=pitch)
    length = free_lengths([tine], [()], np.array([pitch]))
    sounds = lowest_frequencies(rods_of([tine], length, [()]))[0, 0] * plane_ratios([tine])[0, 0]
    assert sounds == pytest.approx(pitch, rel=0.3 * tuning.PITCH_ERROR)  # where a try rests


@pytest.mark.parametrize("name", ["quay-rail", "lantern-hoop", "test-piece"])
@pytest.mark.parametrize("straight", [0.0, 1.0])
def test_lengths_are_those_of_a_search_that_never_or_always_takes_a_try_for_its_last(
    monkeypatch: pytest.MonkeyPatch, name: str, straight: float
) -> None:
    """Within two grains: what is asked last has all partials, and a finer mesh for them."""
    instrument = resolve(load(Path(__file__).parents[2] / "designs" / f"{name}.toml"))
    found = tune(instrument, mounting(instrument))
    monkeypatch.setattr(tuning, "_STRAIGHT", straight)
    wanted = tune(instrument, mounting(instrument))
    assert np.abs(np.log(found.length / wanted.length)).max() < 2.5 * tuning.GRAIN
    assert np.nanmax(np.abs(np.log(found.mounted_hz / wanted.mounted_hz))) < 5.0 * tuning.GRAIN
    again = solve_tines(instrument.tines, found.length, found.trim)
    np.testing.assert_array_equal(found.modes.frequency, again.frequency)


def test_a_pitch_that_the_bar_takes_for_itself_is_told(bench: Any, build: Build) -> None:
    tine = bench.tine(bench.plain(3.0), pitch_hz=200.5)
    row = tune(build(tine), lambda modes, which, rigid: bar_like(modes.frequency[:, 0, 0], 200.0, 0.03))
    assert abs(off(row)[0]) > 1.0
    assert "tine 1 of 'test'" in row.warnings[0]
    assert "cents from its pitch" in row.warnings[0]


def test_a_tine_that_is_there_is_not_solved_again(bench: Any, build: Build) -> None:
    """The bar leaves one tine alone and pulls the other about: in the end it is asked about the other only."""
    asked: list[list[int]] = []

    def mounting(modes: TineModes, which: Array, rigid: Array) -> Array:
        asked.append(which.tolist())
        assert np.all(rigid[:, 0, 0] > 0.0)  # every tine weighs on the bar, asked about or not
        return np.where(which == 0, 1.0, bar_like(modes.frequency[:, 0, 0], 200.0, 0.03))

    row = tune(build(*[bench.tine(bench.plain(3.0), pitch_hz=hz) for hz in (110.0, 230.0)]), mounting)
    assert np.abs(off(row)).max() < 0.01
    assert asked[0] == asked[-1] == [0, 1]
    assert [1] in asked


def test_a_pitch_that_only_the_bar_puts_out_of_reach_is_refused_as_mounted(bench: Any, build: Build) -> None:
    m4 = bench.threaded(4.0, 0.7)
    lowest, highest = solve_tines([bench.tine(m4)] * 2, [0.6, 0.02], [(), ()]).frequency[:, 0, 0]
    with pytest.raises(InputError, match=f"20 to 600 mm give {0.95 * highest:.4g} to {0.95 * lowest:.4g} Hz"):
        tune(build(bench.tine(m4, pitch_hz=0.97 * highest)), lambda *_: np.array([0.95]))


@pytest.mark.parametrize("hertz", [2.0, 30_000.0])
def test_a_pitch_beyond_the_stock_is_refused_with_what_the_stock_can_do(
    bench: Any, build: Build, hertz: float
) -> None:
    m4 = bench.threaded(4.0, 0.7)
    with pytest.raises(InputError, match="20 to 600 mm give") as refusal:
        tune(build(bench.tine(m4, pitch_hz=440.0), bench.tine(m4, pitch_hz=hertz)))
    assert "tine 2" in str(refusal.value)
    assert str(refusal.value).startswith("bench.toml: tine 2")
    ends = solve_tines([bench.tine(m4)] * 2, [0.02, 0.6], [(), ()]).frequency[:, 0, 0]
    assert f"{ends[0]:.4g} to {ends[1]:.4g} Hz" in str(refusal.value)


@pytest.mark.parametrize(
    ("hertz", "nuts", "said"),
    [
        (30_000.0, False, "; take thicker rod"),
        (30_000.0, True, "; take thicker rod, or set its nuts lower"),
        (2.0, False, "; take thinner rod or a nut near the tip"),
        (2.0, True, "; take thinner rod or a nut near the tip"),
    ],
)
def test_what_would_bring_a_pitch_within_reach_is_told(
    bench: Any, build: Build, hertz: float, nuts: bool, said: str
) -> None:
    trim = (PlacedNut(bench.nut("M4"), 0.012),) if nuts else ()
    with pytest.raises(InputError) as refusal:
        tune(build(bench.tine(bench.threaded(4.0, 0.7), pitch_hz=hertz, trim=trim)))
    assert str(refusal.value).endswith(f" Hz{said}")


def test_the_ends_of_what_the_stock_can_do_are_reached(bench: Any) -> None:
    m4 = bench.threaded(4.0, 0.7)
    ends = solve_tines([bench.tine(m4)] * 2, [0.02, 0.6], [(), ()]).frequency[:, 0, 0]
    just_inside = ends * np.array([1.0 - 1e-6, 1.0 + 1e-6])
    assert free_lengths([bench.tine(m4)] * 2, [(), ()], just_inside) == pytest.approx([0.02, 0.6], rel=1e-5)


@pytest.mark.parametrize("beyond", [1e-5, 1e-4, 1e-2, 1.0, 20.0])
@pytest.mark.parametrize("high", [True, False])
def test_what_lies_beyond_an_end_is_refused_however_near(bench: Any, beyond: float, high: bool) -> None:
    """Among others that can be had; the end is where its own nut leaves it."""
    m4, trim = bench.threaded(4.0, 0.7), (PlacedNut(bench.nut("M4"), 0.04),)
    ends = solve_tines([bench.tine(m4)] * 2, [0.6, 0.041525], [trim, trim]).frequency[:, 0, 0]
    hertz = ends[1] * (1.0 + beyond) if high else ends[0] / (1.0 + beyond)
    tines = [bench.tine(m4, trim=trim) for _ in range(3)]
    with pytest.raises(InputError, match=f"tine 1: {hertz:.5g} Hz cannot be reached"):
        free_lengths(tines, [trim] * 3, np.array([200.0, hertz, 300.0]))


def test_a_pitch_that_leaves_its_nut_beyond_the_tip_is_refused(bench: Any, build: Build) -> None:
    tine = bench.tine(bench.threaded(4.0, 0.7), pitch_hz=300.0, trim=(PlacedNut(bench.nut("M4"), 0.11),))
    with pytest.raises(InputError, match=r"111\.5 to 600 mm give .*set its nuts lower"):
        tune(build(tine))


@pytest.mark.parametrize("ratio", [6.0, 6.15, 6.55])
@pytest.mark.parametrize("grip", [0.0, 1.0])
def test_a_wished_overtone_is_met_while_the_length_keeps_the_pitch(
    bench: Any, build: Build, ratio: float, grip: float
) -> None:
    m4, nut = bench.threaded(4.0, 0.7), bench.nut("M4", grip)
    wish = TrimWish(2, ratio, nut)
    row = tune(
        build(
            bench.tine(m4, pitch_hz=110.0, wish=wish, split=1.001, axis=0.3),
            bench.tine(m4, length=140.0, wish=wish),
            bench.tine(m4, pitch_hz=70.0, wish=wish, trim=(PlacedNut(nut, 0.01),)),
        )
    )
    assert np.nanmax(np.abs(off(row))) < 0.01
    found = row.modes.frequency[:, 0, 1] / row.modes.frequency[:, 0, 0]
    assert np.abs(np.log(found / ratio) / CENT).max() < 0.1
    assert [len(nuts) for nuts in row.trim] == [1, 1, 2]
    for length, nuts in zip(row.length, row.trim, strict=True):
        assert all(nut.height / 2.0 <= each.position <= length - nut.height / 2.0 for each in nuts)
        assert [each.position for each in nuts] == sorted(each.position for each in nuts)


def test_a_wished_nut_keeps_its_share_of_the_length_as_the_bar_shortens_the_tine(
    bench: Any, build: Build
) -> None:
    """A bar that lowers every pitch by 3 %: the tine is cut 1.5 % shorter, and its own nut stays where it is."""
    m4, nut = bench.threaded(4.0, 0.7), bench.nut("M4")
    wish = TrimWish(2, 6.1, nut)
    own = (PlacedNut(nut, 0.01),)
    tines = [bench.tine(m4, pitch_hz=110.0, wish=wish), bench.tine(m4, pitch_hz=75.0, wish=wish, trim=own)]
    clamped = tune(build(*tines))
    mounted = tune(build(*tines), lambda modes, which, rigid: np.full(len(which), 0.97))
    assert mounted.length / clamped.length == pytest.approx([0.985, 0.985], abs=0.002)
    for r in (0, 1):
        shares = [row.trim[r][-1].position / row.length[r] for row in (clamped, mounted)]
        assert shares[0] == pytest.approx(shares[1], rel=1e-9)
    assert clamped.trim[1][0] == mounted.trim[1][0] == own[0]


def test_a_higher_overtone_can_be_wished_too(bench: Any, build: Build) -> None:
    tine = bench.tine(bench.threaded(4.0, 0.7), pitch_hz=110.0, wish=TrimWish(3, 17.0, bench.nut("M4")))
    row = tune(build(tine))
    assert row.modes.frequency[0, 0, 2] / row.modes.frequency[0, 0, 0] == pytest.approx(17.0, rel=0.1 * CENT)


def test_of_all_places_the_most_forgiving_is_taken_and_its_slope_is_true(bench: Any) -> None:
    m4, nut = bench.threaded(4.0, 0.7), bench.nut("M4")
    tine = bench.tine(m4, length=150.0, wish=TrimWish(2, 6.1, nut))
    found = every_answer(0, tine, length=0.15, pitch=None, nuts=[nut]).solutions
    places = [each for each in found if len(each.nuts) == 1]
    assert len(places) == 2
    assert places[0].unforgiving <= places[1].unforgiving
    for position in places:
        near = [
            replace(position.nuts[0], position=position.nuts[0].position + step) for step in (-1e-4, 1e-4)
        ]
        modes = solve_tines([tine] * 2, 0.15, [(each,) for each in near])
        interval = np.log(modes.frequency[:, 0, 1] / modes.frequency[:, 0, 0]) / CENT
        assert np.diff(interval)[0] / 2e-4 == pytest.approx(position.cents_per_metre[0], rel=0.02)


def test_a_moved_nut_changes_the_overtone_as_told_while_the_length_is_cut_to_the_pitch(bench: Any) -> None:
    m4, nut = bench.threaded(4.0, 0.7), bench.nut("M4")
    tine = bench.tine(m4, pitch_hz=110.0, wish=TrimWish(2, 6.1, nut))
    found = every_answer(0, tine, length=0.15, pitch=110.0, nuts=[nut]).solutions
    places = [each for each in found if len(each.nuts) == 1]
    assert len(places) == 2
    for position in places:
        near = [
            (replace(position.nuts[0], position=position.nuts[0].position + step),) for step in (-1e-4, 1e-4)
        ]
        length = free_lengths([tine] * 2, near, np.array([110.0, 110.0]))
        modes = solve_tines([tine] * 2, length, near)
        interval = np.log(modes.frequency[:, 0, 1] / modes.frequency[:, 0, 0]) / CENT
        assert np.diff(interval)[0] / 2e-4 == pytest.approx(position.cents_per_metre[0], rel=0.02)


def test_an_overtone_out_of_reach_is_refused_with_the_reach(bench: Any, build: Build) -> None:
    """One M4 nut on 150 mm brings f2/f1 from 5.97 to 6.67 by the exact transfer matrix; shear takes 3 cents off."""
    tine = bench.tine(bench.threaded(4.0, 0.7), length=150.0, wish=TrimWish(2, 5.0, bench.nut("M4")))
    with pytest.raises(
        InputError,
        match=r"brings partial 2 to 5; .* at 5\.9[56] to 6\.6[67] with one nut .* 5 lies below that",
    ):
        tune(build(tine))
    tine = bench.tine(bench.threaded(4.0, 0.7), length=150.0, wish=TrimWish(2, 7.0, bench.nut("M4")))
    with pytest.raises(InputError, match=r"brings partial 2 to 7; .* 7 lies above that"):
        tune(build(tine))


@pytest.mark.parametrize("ratio", [5.9575, 6.661])
def test_ratios_just_within_the_reach_are_found(bench: Any, build: Build, ratio: float) -> None:
    tine = bench.tine(bench.threaded(4.0, 0.7), length=150.0, wish=TrimWish(2, ratio, bench.nut("M4")))
    row = tune(build(tine))
    assert row.modes.frequency[0, 0, 1] / row.clamped_hz[0] == pytest.approx(ratio, rel=0.1 * CENT)


def test_tines_that_touch_are_refused_by_name(bench: Any, build: Build) -> None:
    tines = [bench.tine(bench.plain(3.0))] * 3
    with pytest.raises(InputError, match="tine 1 of 'test' and tine 2 of 'test' touch"):
        tune(build(*tines, spacing=2.9))


def test_tines_must_stand_clear_by_their_swing(bench: Any, build: Build) -> None:
    """Twice 0.3 of what 2 N bends the tip, F L³ / 3 E I, and one diameter."""
    bend = 2.0 * 0.15**3 / (3.0 * 193e9 * math.pi / 64.0 * 3e-3**4)
    need = 3.0 + 2.0 * clearance.RING * bend * 1e3
    tines = [bench.tine(bench.plain(3.0))] * 2
    with pytest.raises(InputError, match=r"leave .* mm between them; they swing by"):
        tune(build(*tines, spacing=need - 0.05))
    assert len(tune(build(*tines, spacing=need + 0.05)).length) == 2


def test_a_limp_tine_that_a_stick_presses_on_its_neighbour_is_warned_of(bench: Any, build: Build) -> None:
    tines = [bench.tine(bench.plain(2.0), length=130.0)] * 4
    row = tune(build(*tines, spacing=10.0))
    (words,) = row.warnings
    assert "held by 2 N, bends" in words
    assert "2 more such pairs" in words


def test_a_nut_needs_room_beside_the_neighbour(bench: Any, build: Build) -> None:
    tall, low = PlacedNut(bench.nut("M3"), 0.03), PlacedNut(bench.nut("M3"), 0.02)
    rod = bench.plain(3.0)
    assert tune(build(bench.tine(rod, length=60.0, trim=(low,)), bench.tine(rod, length=60.0), spacing=5.5))
    with pytest.raises(InputError, match="swing"):
        tune(build(*[bench.tine(rod, length=60.0, trim=(tall,))] * 2, spacing=5.5))
    assert tune(
        build(
            bench.tine(rod, length=60.0, trim=(tall,)), bench.tine(rod, length=60.0, trim=(low,)), spacing=5.5
        )
    )


def test_tines_inside_a_bend_lean_together_at_their_tips(bench: Any, build: Build) -> None:
    """On a bar bent upwards to a radius of 120 mm, 100 mm tines 12 mm apart come within 4 mm at their tips."""
    tines = [bench.tine(bench.plain(3.0), length=100.0)] * 3
    straight = build(*tines, spacing=12.0)
    assert not tune(straight).warnings
    up = Bend(angle=math.pi / 2.0, radius=0.12, plane=math.pi / 2.0)
    with pytest.raises(InputError, match=r"between them|touch"):
        tune(build(*tines, spacing=12.0, path=(Straight(0.02), up)))


def test_tines_on_opposite_faces_are_not_in_each_others_way(bench: Any, build: Build) -> None:
    instrument = build(*[bench.tine(bench.plain(3.0))] * 2, spacing=2.0)
    first, second = instrument.tines
    turned = replace(instrument, tines=(first, replace(second, face=math.pi)))
    assert not tune(turned).warnings


@pytest.mark.parametrize("on_the_bar", [False, True])
def test_a_length_as_written_that_sounds_above_hearing_is_refused_by_its_figure(
    bench: Any, build: Build, on_the_bar: bool
) -> None:
    """A thick stub; a slender beam's 3.516 / (2 pi l²) (d / 4) sqrt(E / rho) is its upper bound."""
    made = build(bench.tine(bench.plain(4.0), length=150.0), bench.tine(bench.plain(16.0), length=20.0))
    with pytest.raises(InputError, match=r"tine 2: 20 mm free .* above what is heard") as refusal:
        tune(made, mounting(made) if on_the_bar else None)
    told = float(str(refusal.value).split(" Hz")[0].split()[-1])
    slender = 3.516 / (2.0 * math.pi * 0.02**2) * 0.004 * math.sqrt(193e9 / 7900.0)
    assert 18_000.0 < told < slender
    heard = build(bench.tine(bench.plain(4.0), length=150.0), bench.tine(bench.plain(8.0), length=20.0))
    assert tune(heard, mounting(heard) if on_the_bar else None).clamped_hz[1] < 18_000.0


@pytest.mark.parametrize(("below", "above", "told"), [(0.99, 1.02, "-17"), (0.98, 1.01, "+17")])
def test_a_pitch_that_the_bar_jumps_over_is_told_by_how_much_and_which_way(
    bench: Any, build: Build, below: float, above: float, told: str
) -> None:
    """A bar that flattens all below 440 Hz and sharpens all above: of the two sides of the jump the nearer."""

    def jump(modes: TineModes, which: Any, rigid: Array) -> Array:
        return np.where(modes.frequency[:, 0, 0] < 440.0, below, above)

    (words,) = tune(build(bench.tine(bench.threaded(4.0, 0.7), pitch_hz=440.0)), jump).warnings
    assert f"sounds {told} cents from its pitch of 440 Hz" in words
