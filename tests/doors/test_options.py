"""Every option of a command that makes a sound or a drawing reaches what it is named for.

What a command writes is held against the same thing asked of the rooms below, with each option set away from its
default: an option that is read and dropped gives the default's sound.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
import pytest
import soundfile

from synth import cache
from synth.doors.listening_tuner import TunerSettings
from synth.playing.contact import hand
from synth.playing.contact.stroke_contact import EVENT, REFERENCE, stroke_row
from synth.playing.script import Performance, Played
from synth.playing.stroke import Stroke
from synth.proposal.build import ProposalMade
from synth.recording.tuning_session import TuningWishes
from synth.sound import board_forecast, boardsheet, render
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.radiator.board import BoardFilter
from synth.sound.render import ContactSettings, perform, play, scene
from synth.units import amplitude
from synth.vibration import solve as solution
from synth.vibration.solve import solve_board_of

BIT = 2.0**-23


def written(path):
    samples, rate = soundfile.read(path, always_2d=True)
    assert rate == RATE
    return samples.T


def told(sound, gain_db):
    return amplitude(gain_db) * sound / FULL_SCALE


def stroke(slat, **more):
    return Stroke(
        **{"group": 1, "stick": slat.instrument.sticks["nylon"], "start": 0.1, "bite": 1.5e-3, **more}
    )


@pytest.fixture
def script(tmp_path):
    path = tmp_path / "piece.toml"
    line = '{ at_s = 0.1, group = "aside", stick = "nylon", bite_mm = 1.5 }'
    path.write_text(f"tail_s = 0.3\nstroke = [ {line} ]\n", encoding="utf-8")
    return path


def test_play_hears_the_piece_through_what_is_asked_by_the_hand_and_seed_that_are_asked(
    slat, script, tmp_path
):
    words = ("--through", "panel", "--hand", "loose", "--seed", 4, "--gain-db", -12)
    slat.said("play", script, *words, "-o", tmp_path / "a.wav")
    piece = Performance("", (Played(stroke(slat, hand="loose"), "panel"),), 0.4)
    expected = play(slat.instrument, piece, settings=ContactSettings(seed=4)).sound()
    np.testing.assert_allclose(written(tmp_path / "a.wav"), told(expected, -12.0), atol=BIT)
    other = play(slat.instrument, piece, settings=ContactSettings(seed=1)).sound()
    assert np.abs(told(other - expected, -12.0)).max() > 100.0 * BIT  # the seed is heard


@pytest.mark.parametrize("command", ["stroke", "play", "compare"])
def test_how_contacts_are_followed_is_as_asked(slat, script, tmp_path, monkeypatch, command):
    """Fineness, seed, and whether a tine may be bent for good, as they reach the contact itself."""
    asked = []

    def followed(stroke, instrument, tines, **given):
        asked.append((given["resolution"], given["allow_yield"], given["seed"], stroke.hand))
        return stroke_row(stroke, instrument, tines, **{**given, "resolution": EVENT})

    monkeypatch.setattr(render, "stroke_row", followed)
    words = {
        "stroke": ("--group", "aside", "--seconds", 0.05),
        "play": (script,),
        "compare": ("--group", "aside", "--seconds", 0.05, "--vary", "bite_mm=1"),
    }[command]
    given = ("--contact", "reference", "--allow-yield", "--seed", 9, "--hand", "steady")
    out = tmp_path / ("x" if command == "compare" else "a.wav")
    slat.said(command, *words, *given, "-o", out)
    others = len(asked)  # `stroke` goes on to weigh the fingers' damping, yield or not
    slat.said(command, *words, "-o", out)
    assert [asked[0], asked[others]] == [(REFERENCE, True, 9, "steady"), (EVENT, False, 1, "exact")]
    assert {each[0] for each in asked[:others]} == {REFERENCE}
    assert {each[2] for each in asked[others:]} == {1}


def test_two_strokes_of_a_loose_hand_are_drawn_one_by_one(slat):
    """The n-th stroke of a piece is drawn from the seed and its own number: two alike would be a machine's."""
    loose = [stroke(slat, hand="loose", start=start) for start in (0.0, 0.6)]
    seed = next(
        n for n in range(99) if hand.played(loose[0], n).speed > 1.1 * hand.played(loose[0], n + 1).speed
    )
    reports = perform(
        scene(slat.instrument, "bar"), loose, seconds=0.1, settings=ContactSettings(seed=seed)
    ).reports
    position = [tine.position for tine in slat.instrument.tines[slat.instrument.groups[1].tines]]
    for report, drawn in zip(reports, (seed, seed + 1), strict=True):
        first, last = (each["first_touch_s"] for each in report["tines"])
        speed = (position[1] - position[0]) / (last - first)
        assert speed == pytest.approx(hand.played(loose[0], drawn).speed, rel=0.06)  # depths differ, too


def test_tolerance_lets_its_builds_be_heard_as_asked(slat, tmp_path):
    from synth.workshop.tolerance import Limits, careful, careless

    words = (
        "--group",
        "aside",
        "--through",
        "panel",
        "--seconds",
        0.3,
        "--gain-db",
        -15,
        "--seed",
        6,
        "--cut-mm",
        1,
    )
    slat.said("tolerance", "--trials", 2, *words, "--audio", tmp_path / "builds")
    limits = Limits(1e-3, 0.2e-3, 0.02e-3, 0.03)
    one = Stroke(group=1, stick=next(iter(slat.instrument.sticks.values())))
    builds = {
        "as-designed": slat.instrument,
        "careful": careful(slat.instrument, slat.row, limits, 6),
        "careless": careless(slat.instrument, slat.row, limits, 6),
    }
    for name, build in builds.items():
        expected = perform(scene(build, "panel"), [one], seconds=0.3).sound()
        np.testing.assert_allclose(
            written(tmp_path / "builds" / f"{name}.wav"), told(expected, -15.0), atol=BIT
        )


class Heard(BoardFilter):
    """Stands for a board's filter: it passes the first foot's signals on, and keeps what it was given."""

    ring = 0.05
    given: ClassVar = []

    def radiate(self, signals, rate):
        self.given.append(signals)
        return signals[:2]


@pytest.mark.parametrize("foot", [0, 1])
def test_a_knock_is_a_half_sine_of_its_impulse_downwards_on_its_own_foot(slat, monkeypatch, foot):
    """20 mN s within 2 ms on the foot's upright force, and nothing on moments or on the other foot."""
    monkeypatch.setattr(boardsheet, "BoardFilter", Heard)
    boardsheet.knock(slat.instrument, solve_board_of(slat.instrument, "panel"), foot=foot, rate=RATE)
    force = Heard.given[-1]
    time = np.arange(force.shape[1]) / RATE
    assert force[3 * foot].sum() / RATE == pytest.approx(-20e-3, rel=1e-3)
    shape = np.where(time < 2e-3, np.sin(np.pi * time / 2e-3), 0.0)
    np.testing.assert_allclose(force[3 * foot], force[3 * foot].min() * shape, atol=1e-9)
    assert not np.delete(force, 3 * foot, axis=0).any()


def test_a_knock_is_written_at_its_gain(slat, tmp_path, monkeypatch):
    monkeypatch.setattr(boardsheet, "BoardFilter", Heard)
    slat.said("board", "panel", "--knock", tmp_path / "knock.wav", "--gain-db", -29)
    np.testing.assert_allclose(written(tmp_path / "knock.wav"), told(Heard.given[-1][:2], -29.0), atol=BIT)


def test_compare_renders_each_way_by_the_options_that_are_not_varied(slat, tmp_path):
    words = ("--group", "aside", "--seconds", 0.4, "--through", "pickup", "--hand", "steady", "--seed", 8)
    out = tmp_path / "x"
    slat.said("compare", *words, "--direction", "backward", "--vary", "bite_mm=1.6", "-o", out)
    stick = next(iter(slat.instrument.sticks.values()))
    listening = scene(slat.instrument, "pickup")
    one = Stroke(group=1, stick=stick, direction="backward", hand="steady", bite=1.6e-3)
    expected = perform(listening, [one], seconds=0.4, settings=ContactSettings(seed=8)).sound()
    found = written(out / "true" / "bite_mm=1.6.wav")
    gain = np.abs(found).max() / np.abs(expected).max()
    np.testing.assert_allclose(found, gain * expected, atol=2.0 * BIT)


@pytest.mark.parametrize(
    ("key", "value", "field", "inside"),
    [
        ("through", "panel", None, None),
        ("stick", "brass", "stick", "brass"),
        ("direction", "backward", "direction", "backward"),
        ("hand", "loose", "hand", "loose"),
        ("speed_mm_s", "320", "speed", 0.32),
        ("tilt_deg", "30", "tilt", np.radians(30.0)),
        ("pressure_n", "0.5", "pressure", 0.5),
    ],
)
def test_what_is_varied_is_varied_in_its_unit(slat, tmp_path, key, value, field, inside):
    """The one combination of a set of one is the stroke with that field, and no other, changed."""
    out = tmp_path / "x"
    slat.said("compare", "--group", "aside", "--seconds", 0.2, "--vary", f"{key}={value}", "-o", out)
    sticks = slat.instrument.sticks
    plain = {"group": 1, "stick": next(iter(sticks.values()))}
    changed = {} if field is None else {field: sticks[inside] if field == "stick" else inside}
    expected = perform(
        scene(slat.instrument, "panel" if key == "through" else "bar"),
        [Stroke(**{**plain, **changed})],
        seconds=0.2,
    ).sound()
    found = written(out / "true" / f"{key}={value}.wav")
    gain = np.abs(found).max() / np.abs(expected).max()
    np.testing.assert_allclose(found, gain * expected, atol=2.0 * BIT)


def test_a_page_is_of_what_is_named_once_each_as_fine_as_asked(slat, tmp_path, monkeypatch):
    asked = []

    def page(scenes, *, quality):
        asked.append(([each.through for each in scenes], quality))
        return SimpleNamespace(text="x", words=())

    monkeypatch.setattr("synth.page.build.page", page)
    slat.said("page", "-o", tmp_path / "a.html")
    slat.said("page", "--through", "panel, bar,panel", "--quality", "fine", "-o", tmp_path / "a.html")
    assert asked == [(["bar", "pickup", "panel"], "usual"), (["panel", "bar"], "fine")]


def test_a_proposal_is_asked_for_as_it_is_written(slat, tmp_path, monkeypatch):
    """Scores in their order, room, blind page; and what is told of it are its own figures."""
    asked = []

    def write(design, instrument, scores, folder, **given):
        given.pop("watch")
        asked.append((design.name, instrument.name, scores, folder, given))
        return ProposalMade(
            sounds=7, gain_db=23.4, words_kept=False, megabytes=4.25, total=1234.5, priced=True
        )

    monkeypatch.setattr("synth.proposal.build.write_proposal", write)
    out = tmp_path / "out"
    said = slat.said("proposal", "b.toml", "a.mid", "--room", "hall", "--blind", "--fresh", "-o", out)
    slat.said("proposal", "-o", out)
    scores = (Path("b.toml"), Path("a.mid"))
    assert asked == [
        ("Slat", "Slat", scores, out, {"room": "hall", "blind": True, "fresh": True}),
        ("Slat", "Slat", (), out, {"room": "", "blind": False, "fresh": False}),
    ]
    assert "(4.2 MB" in said
    assert "7 sounds at +23 dB" in said
    assert said.strip().endswith("total 1234.50")
    made = ProposalMade(7, 23.4, False, 4.25, 40.0, True, ("bar", "panel"))
    monkeypatch.setattr("synth.proposal.build.write_proposal", lambda *_, **given: made)
    said = slat.said("proposal", "-o", out)
    assert said.strip().endswith("total 40.00; without a price, and in no sum: bar, panel")


def test_an_open_design_is_tuned_with_the_microphone_that_is_named(slat, monkeypatch):
    served, asked = [], []

    @contextlib.contextmanager
    def serving(design, *, through, port):
        served.append((design.name, through, port))
        yield SimpleNamespace(
            address=SimpleNamespace(words="there"),
            session=SimpleNamespace(model=SimpleNamespace(instrument="it")),
        )

    monkeypatch.setattr("synth.served.serving.Serving", serving)
    monkeypatch.setattr("synth.doors.listening_tuner.listen_and_tell", lambda *given: asked.append(given))
    slat.said("open", "--no-browser", "--listen", "--device", "mic", "--through", "panel", "--port", 4321)
    assert [each[1:] for each in served] == [("panel", 4321)]
    ((instrument, design, settings, wishes, _),) = asked
    assert (instrument, design.name) == ("it", served[0][0])
    assert (settings, wishes) == (TunerSettings(device="mic"), TuningWishes())


def test_the_cut_list_says_how_many_pieces_come_from_how_many_bars_and_what_is_left(slat, tmp_path):
    from synth.workshop.cutlist import cut_list

    cuts = cut_list(slat.instrument, slat.row)
    left = 100.0 * sum(bar.left for bar in cuts.bars) / (0.4 * len(cuts.bars))
    said = slat.said("cutlist", "-o", tmp_path / "lists").splitlines()[0]
    start = f"{len(slat.instrument.tines)} tines from {len(cuts.bars)} bars of 400 mm, {left:.0f} % left over"
    assert said == f"{start}; {cuts.mass:.2f} kg in all"
    assert 1.0 < left < 99.0


FRESH = {
    "check": (),
    "modes": (),
    "map": ("-o", "map.svg"),
    "board": ("panel",),
    "stroke": ("--group", "aside", "--seconds", 0.05, "-o", "a.wav"),
    "play": ("piece.toml", "-o", "a.wav"),
    "strength": ("--stick", "nylon"),
    "trim": (),
    "cutlist": ("-o", "lists"),
    "template": ("-o", "drawings"),
}


@pytest.mark.parametrize("command", FRESH)
def test_fresh_solves_all_again_that_the_command_asks_for(slat, script, tmp_path, monkeypatch, command):

    asked = []

    def kept(name, depends_on, solve, *, fresh=False):
        asked.append((name, fresh))
        return cache.cached(name, depends_on, solve)

    for room in (solution, render, boardsheet, board_forecast):
        monkeypatch.setattr(room, "cached", kept)
    monkeypatch.chdir(tmp_path)
    slat.said(command, *FRESH[command])
    assert asked
    assert not any(fresh for _, fresh in asked)
    asked.clear()
    slat.said(command, *FRESH[command], "--fresh")
    assert [name for name, fresh in asked if not fresh] == []
