"""What `check`, `map` and `suggest` say, of figures made by hand: each under its own name, in its own unit."""

from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure

from synth.workshop import check_screen, overview
from synth.workshop import map as map_room
from synth.workshop.check_screen import Decision, decision_words, decisions
from synth.workshop.overview import Totals, loss_words, totals_words
from synth.workshop.suggest import Allowed, plans
from synth.workshop.varied import key_words, value_words

SUMS = Totals({"M4, A2": 1.27, "rod3": 0.254}, {"M4 hex": 5, "M3 hex": 2}, 7, 86.4, 2.54, 3.456, False)


def test_sums_are_told_in_metres_or_in_inches():
    assert totals_words(SUMS, "mm") == (
        "7 tines, 86 g; rod before allowances: 1.27 m of M4, A2; 0.25 m of rod3\n"
        "nuts: 5 M4 hex, 2 M3 hex\nbar: 2.540 m, 3.46 kg"
    )
    assert totals_words(SUMS, "inch") == (
        "7 tines, 86 g; rod before allowances: 50.0 in of M4, A2; 10.0 in of rod3\n"
        "nuts: 5 M4 hex, 2 M3 hex\nbar: 100.00 in, 3.46 kg"
    )
    ring = Totals({}, {}, 0, 0.0, 2.54, 3.456, True)
    assert "nuts: none\nbar: a closed ring, 2.540 m round, 3.46 kg" in totals_words(ring, "mm")


def test_the_loss_that_is_told_is_that_of_first_partials_along_the_row(monkeypatch):
    """Shares (tine, plane, partial): 0.6 and 0.5 of the first along the row; others otherwise."""
    clamp, steel = np.full((2, 2, 3), 0.9), np.full((2, 2, 3), 0.05)
    clamp[:, 0, 0], steel[:, 0, 0] = (0.6, 0.5), (0.4, 0.5)
    instrument = SimpleNamespace(tines=(SimpleNamespace(root=SimpleNamespace(loss_slope=0.0)),))
    monkeypatch.setattr(overview, "solve_loss_shares", lambda *_, **__: {"steel": steel, "clamp": clamp})
    told = loss_words(instrument, None)
    assert told.startswith(
        "decay: the clamp takes 55% of the first partials' loss, the largest share, and is"
    )
    steel[:, 0, 0] = 0.7
    assert "55% of the first partials' loss, and is" in loss_words(instrument, None)


def test_boards_are_asked_what_they_do_afresh_where_that_is_wished(monkeypatch):
    from synth.sound import board_forecast

    asked = []
    monkeypatch.setattr(
        board_forecast,
        "effect_warnings",
        lambda *_, fresh: asked.append(fresh) or (["drowns"] if fresh else []),
    )
    none, some = SimpleNamespace(boards={}), SimpleNamespace(boards={"lid": None})
    assert overview.boards_words(none, None, fresh=True) == []
    assert overview.boards_words(some, None) == []
    assert overview.boards_words(some, None, fresh=True) == ["drowns", board_forecast.ALONE]
    assert asked == [False, True]


INSTRUMENT = SimpleNamespace(
    warnings=("group[2].start_mm: near the end", "bar: bent tightly"),
    tines=tuple(SimpleNamespace(group=g, number=n) for g, n in ((0, 1), (0, 2), (1, 1))),
    groups=tuple(SimpleNamespace(name=name) for name in ("low", "high")),
)


def test_what_is_to_be_decided_belongs_to_its_group_and_has_its_own_remedies(monkeypatch):
    """Warnings name the group that they are about by its number from 1; a quarrel has its own advice."""
    monkeypatch.setattr(check_screen, "strained", lambda *_: [Decision("yield", (0,), ("bends",))])
    monkeypatch.setattr(check_screen, "told", lambda _, quarrel, remedies: [quarrel.words, *remedies])
    row = SimpleNamespace(warnings=("group[1].tine[3]: short", "group[name].tine: odd"))
    quarrels = [SimpleNamespace(tine=2, words="one"), SimpleNamespace(tine=0, words="two")]
    advice = SimpleNamespace(of=lambda n: [f"remedy {n}"])
    found = decisions(INSTRUMENT, row, quarrels, advice, ())
    assert [(each.kind, each.groups, each.lines) for each in found] == [
        ("yield", (0,), ("bends",)),
        ("warning", (1,), ("group[2].start_mm: near the end",)), ("warning", (), ("bar: bent tightly",)),
        ("warning", (0,), ("group[1].tine[3]: short",)), ("warning", (), ("group[name].tine: odd",)),
        ("quarrel", (1,), ("one", "remedy 0")), ("quarrel", (0,), ("two", "remedy 1")),
    ]  # fmt: skip
    said = decision_words(found, 6).splitlines()
    assert said[0] == "To decide, the most serious first:"
    assert said[1:] == [
        "  bends", "  group[2].start_mm: near the end", "  bar: bent tightly", "  group[1].tine[3]: short",
        "  group[name].tine: odd", "  one", "  remedy 0",
        "  for several changes together, or another bar: tinewright suggest",
        "  and 1 more, milder: check --all, or --group GROUP",
    ]  # fmt: skip
    assert "suggest" not in decision_words(found[:5], None)


@pytest.mark.parametrize(
    ("kinds", "tried"), [(("rubber", "cord"), ["rubber", "cord"]), (("cord", "cord"), ["rubber"]), ((), [])]
)
def test_a_kind_of_support_is_tried_where_any_support_is_of_another(kinds, tried):
    section = object()
    bar = SimpleNamespace(supports=[SimpleNamespace(kind=each) for each in kinds], section=section)
    found = plans(SimpleNamespace(bar=bar), Allowed(0.0, 0.0, (), ("rubber", "cord")))
    assert [each.kind for each in found] == tried


def shapes(count):
    """Modes of a straight bar of 0.4 m, each up and down, the n-th n + 1 at its end."""
    axes = np.broadcast_to(np.eye(3), (5, 3, 3))
    motion = np.zeros((5, 6, count))
    motion[:, 2] = np.linspace(0.0, 1.0, 5)[:, None] * (1.0 + np.arange(count))
    return SimpleNamespace(
        frequency=100.0 * (1.0 + np.arange(count)),
        position=np.linspace(0.0, 0.4, 5),
        axes=axes,
        motion=motion,
    )


def quarrel(mode, severity, **more):
    words = {"tine": 0, "plane": 0, "partial": 1, "partial_hz": 200.0, "bar_hz": 1.0, "shift": 1.01,
             "decay_loss": 1.0, "severity": severity, "bar_mode": mode}  # fmt: skip
    return SimpleNamespace(**words | more)


BAR = SimpleNamespace(
    tines=(SimpleNamespace(position=0.1), SimpleNamespace(position=0.3)), a4=440.0,
    groups=(SimpleNamespace(name="low", tines=slice(0, 2)),), bench=SimpleNamespace(units="mm"),
    bar=SimpleNamespace(
        length=0.4, supports=(SimpleNamespace(position=0.05), SimpleNamespace(position=0.35)),
        section=SimpleNamespace(width=0.06, height=0.01),
    ),
)  # fmt: skip


def test_the_bar_s_modes_that_are_drawn_are_the_six_that_quarrel_worst_all_their_quarrels_together():
    axes = Figure().subplots()
    severities = {1: [0.5], 2: [0.1], 3: [0.6], 4: [0.7], 5: [0.2, 0.2, 0.2], 6: [0.8], 7: [0.9], 8: [0.3]}
    found = [quarrel(mode, each) for mode, several in severities.items() for each in several]
    map_room._bar_modes(axes, BAR, found, shapes(9))
    said = [str(line.get_label()) for line in axes.lines if "mode" in str(line.get_label())]
    assert [int(each.split()[2]) - 1 for each in said] == [1, 3, 4, 5, 6, 7]
    assert all(each.endswith("up and down") for each in said)
    plain = Figure().subplots()
    map_room._bar_modes(plain, BAR, [], shapes(9))
    assert len([line for line in plain.lines if "mode" in str(line.get_label())]) == 6


def test_a_quarrel_on_the_map_says_by_how_much_and_how_much_shorter_it_rings():
    figure = Figure(figsize=(11.0, 9.5))
    axes = figure.subplots()
    axes.set_xlim(0.0, 400.0)
    axes.set_yscale("log")
    axes.set_ylim(50.0, 2000.0)
    found = [quarrel(1, 0.9, shift=2.0 ** (-13.0 / 1200.0), decay_loss=2.34), quarrel(2, 0.5, tine=1)]
    map_room._quarrel_names(axes, BAR, found)
    assert [each.get_text() for each in axes.texts] == ["1: -13 cents, 2.3 times shorter", "2: +17 cents"]
    assert [each.xy for each in axes.texts] == [(pytest.approx(100.0), 200.0), (pytest.approx(300.0), 200.0)]


def test_notes_at_the_edge_are_those_of_the_design_s_own_a():
    figure = Figure(figsize=(11.0, 9.5))
    axes = figure.subplots()
    axes.set_yscale("log")
    axes.set_ylim(100.0, 900.0)
    note = lambda hz: (f"n{hz:.1f}", 0.0)  # noqa: E731
    map_room._note_ticks(axes, SimpleNamespace(a4=415.0, note=note))
    ticks = axes.get_yticks()
    steps = 12.0 * np.log2(np.asarray(ticks) / 415.0)
    assert steps == pytest.approx(np.round(steps), abs=1e-9)
    assert any(abs(each - 415.0) < 1e-6 for each in ticks)


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("speed_mm_s", "speed 3 mm/s"),
        ("supports[0].lift_n_mm", "supports 0 lift 3 N/mm"),
        ("turn_nm_rad", "turn 3 N m/rad"),
        ("density_kg_m3", "density 3 kg/m³"),
        ("spacing_mm", "spacing 3 mm"),
        ("spacing_in", "spacing 3 in"),
        ("face_deg", "face 3 °"),
        ("pitch_hz", "pitch 3 Hz"),
        ("stiff_gpa", "stiff 3 GPa"),
        ("yield_mpa", "yield 3 MPa"),
        ("off_cents", "off 3 cents"),
        ("room_c", "room 3 °C"),
        ("force_n", "force 3 N"),
        ("ear_m", "ear 3 m"),
        ("mass_g", "mass 3 g"),
        ("stick", "stick 3"),
    ],
)
def test_a_key_s_ending_is_the_unit_of_its_value(key, words):
    assert f"{key_words(key)} {value_words(key, '3')}" == words
