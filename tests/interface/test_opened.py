"""An opened design: its answers are those of the rooms below, its refusals those of the command line."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

import synth
from synth.doors.cli import run
from synth.interface import answers
from synth.playing.stroke import CONTROLS
from synth.sound.boardsheet import solve_sheet
from synth.vibration.solve import solve_row

DATA = Path(__file__).parents[1] / "data"
DESIGN = DATA / "boarded.toml"


@pytest.fixture(scope="module")
def ins():
    return synth.open(DESIGN)


def refused(call):
    with pytest.raises(synth.InputError) as caught:
        call()
    return str(caught.value)


def said_by(capsys, *words):
    """What the command line says of an error."""
    assert run(list(words)) == 2
    return capsys.readouterr().err.strip().removeprefix("error: ")


def test_a_str_and_a_path_open_the_same_design():
    assert synth.open(str(DESIGN)).instrument == synth.open(DESIGN).instrument


def test_the_check_is_what_check_prints(ins, capsys):
    assert run(["check", str(DESIGN), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    check = ins.check()
    assert check.mounted_hz == pytest.approx([each["mounted_hz"] for each in data["tines"]])
    assert check.free_length_mm == pytest.approx([each["free_length_mm"] for each in data["tines"]])
    assert list(check.warnings) == data["warnings"]
    assert list(check.quarrels) == [each["words"] for each in data["quarrels"]]
    assert check.totals.bar_mass_kg == pytest.approx(data["totals"]["bar_mass_kg"])


def test_the_modes_of_the_bar_are_what_modes_prints(ins, capsys):
    assert run(["modes", str(DESIGN), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    modes = ins.modes()
    assert modes.frequency_hz == pytest.approx([each["frequency_hz"] for each in data["assembly"]])
    assert modes.tines == ("up.1", "side.1")
    for index, tine in enumerate(data["tines"]):
        for part in tine["clamped"]:
            at = index, ["along", "across"].index(part["plane"]), part["partial"] - 1
            assert modes.clamped_hz[at] == pytest.approx(part["frequency_hz"])
            assert modes.clamped_decay_s[at] == pytest.approx(part["decay_s"])
    for mode, each in enumerate(data["assembly"]):
        share = modes.tine_share[mode]
        named = each["strongest"]
        if named == "bar":
            assert share.max() <= 1.0 - share.sum() + 1e-9
        else:
            at = (
                modes.tines.index(f"{named['group']}.{named['tine']}"),
                ["along", "across"].index(named["plane"]),
            )
            assert share[at] == share.max()


def test_a_board_changes_the_modes_and_not_the_clamped_tines(ins):
    bar, panel = ins.modes(), ins.modes(through="panel")
    assert len(panel.frequency_hz) > len(bar.frequency_hz)
    assert np.array_equal(bar.clamped_hz, panel.clamped_hz, equal_nan=True)


def test_a_boards_curves_are_those_of_its_sheet(ins):
    sheet = solve_sheet(ins.instrument, "panel")
    some = slice(None, None, 100)
    board = ins.board("panel")
    hz = sheet.frequency[some]
    mobility = board.mobility(hz)
    assert np.allclose(np.diagonal(mobility).T, sheet.mobility[:, some], rtol=1e-9, atol=0.0)
    assert mobility == pytest.approx(np.swapaxes(mobility, 0, 1))  # reciprocal
    level = 10.0 * np.log10(np.mean(np.abs(board.response(hz)) ** 2, axis=0) / 20e-6**2)
    assert level == pytest.approx(sheet.level[:, some])
    assert board.response(float(hz[3])).shape == (2, 2, 1)


@pytest.mark.parametrize("given", [[-1.0], [np.nan], [[1.0]], "high"])
def test_what_is_no_frequency_is_refused(ins, given):
    assert "frequencies" in refused(lambda: ins.board("panel").response(given))


def test_a_knock_sounds_and_a_foot_that_is_not_there_is_refused(ins):
    knock = ins.board("panel").knock(2)
    assert np.abs(knock.pressure_pa).max() > 1e-3
    assert refused(lambda: ins.board("panel").knock(3)) == "board.panel: there is no foot 3; 1 to 2 are there"


def test_every_control_is_taken_under_its_name_and_held_to_its_range(ins):
    for each in CONTROLS:
        too_much = refused(lambda each=each: ins.stroke("up", **{each.key: each.highest * 1.01 + 1.0}))
        assert too_much.startswith(f"{each.key}: ")
        assert "is out of range" in too_much
        assert refused(lambda each=each: ins.stroke("up", **{each.key: "much"})).startswith(
            f"{each.key}: 'much'"
        )


def test_an_unknown_control_is_refused_with_the_nearest(ins):
    assert "there is no control 'speed_m_s'; did you mean 'speed_mm_s'?" in refused(
        lambda: ins.stroke("up", speed_m_s=0.3)
    )


def test_errors_are_the_sentences_of_the_command_line(ins, capsys, tmp_path):
    out = ["-o", str(tmp_path / "o.wav")]
    line = ["stroke", str(DESIGN), *out, "--group"]
    assert refused(lambda: ins.stroke("upp")) == said_by(capsys, *line, "upp")
    assert refused(lambda: ins.stroke("up", stick="birk")) == said_by(capsys, *line, "up", "--stick", "birk")
    through = ["up", "--through", "panl"]
    assert refused(lambda: ins.stroke("up", through="panl")) == said_by(capsys, *line, *through)
    speed = ["up", "--speed-mm-s", "9000"]
    assert refused(lambda: ins.stroke("up", speed_mm_s=9000)) == said_by(capsys, *line, *speed)
    assert refused(lambda: ins.board("lid")) == said_by(capsys, "board", str(DESIGN), "lid")
    assert refused(lambda: synth.open("none.toml")) == said_by(capsys, "check", "none.toml")
    script = tmp_path / "wrong.toml"
    script.write_text("[[stroke]]\nat_s = 0\ngroup = 'down'\n")
    assert refused(lambda: ins.play(script)) == said_by(capsys, "play", str(DESIGN), str(script), *out)


def test_words_that_are_no_choice_are_refused(ins):
    assert refused(lambda: ins.stroke("up", grip="firmly")).startswith("grip: 'firmly' is not possible")
    assert refused(lambda: ins.stroke("up", contact="slow")).startswith("contact: 'slow' is not possible")
    assert refused(lambda: ins.stroke("up", seconds=0.0)).startswith("seconds: 0 is out of range")
    assert refused(lambda: ins.stroke("up", seed=1.5)).startswith("seed: 1.5 is no seed")
    assert refused(lambda: ins.stroke("up", without="bar")).startswith("without: 'bar' cannot be left out")


def test_a_group_is_found_in_upper_or_lower_case(ins):
    assert ins.stroke("UP", seconds=0.02).title == "up, birch"


def first_bar_mode(modes):
    """Hz, the lowest bending of the bar: above its swing on the cords, the tines take little part in it."""
    bar = 1.0 - modes.tine_share.sum(axis=(1, 2))
    return modes.frequency_hz[(bar > 0.9) & (modes.frequency_hz > 20.0)][0]


def test_a_bar_twice_as_high_rings_an_octave_above_and_the_first_one_stays_as_it_was(ins):
    before = ins.instrument
    thicker = ins.with_({"bar.section.height_mm": 20})
    assert ins.instrument == before
    # Euler and Bernoulli: the frequency of a slender bar goes with its height
    assert first_bar_mode(thicker.modes()) / first_bar_mode(ins.modes()) == pytest.approx(2.0, rel=0.01)


def test_answers_have_the_figures_of_the_row_and_the_scene(ins):
    from synth.sound.render import scene

    listening, modes, check = scene(ins.instrument, "pickup"), ins.modes(through="pickup"), ins.check()
    row = listening.row
    assert modes.through == "pickup"
    assert modes.frequency_hz == pytest.approx(listening.model.pole.imag / (2.0 * np.pi))
    assert modes.decay_s == pytest.approx(-np.log(1000.0) / listening.model.pole.real)
    assert modes.mounted_hz == pytest.approx(row.mounted_hz) == check.mounted_hz
    assert modes.target_hz == pytest.approx(row.target_hz, nan_ok=True)
    assert modes.free_length_mm == pytest.approx(1e3 * row.length) == check.free_length_mm
    there = np.broadcast_to(row.modes.exists[:, None], modes.clamped_hz.shape)
    assert np.array_equal(np.isnan(modes.clamped_hz), ~there)
    assert np.array_equal(np.isnan(modes.clamped_decay_s), ~there)
    assert modes.tine_share.shape == (len(modes.frequency_hz), 2, 2)
    # plane by plane, along the row before across it; seconds to fall by 60 dB are ln(1000) / (pi f eta)
    apart = np.array([1.0, 3.0])[:, None]
    two = dataclasses.replace(
        row.modes, frequency=row.modes.frequency * apart, loss_factor=row.modes.loss_factor / 2
    )
    told = answers.modes(dataclasses.replace(listening, row=dataclasses.replace(row, modes=two)))
    assert told.clamped_hz[there] == pytest.approx((row.modes.frequency * apart)[there])
    ring = 2.0 * np.log(1e3) / np.pi / (row.modes.frequency * apart * row.modes.loss_factor)[there]
    assert told.clamped_decay_s[there] == pytest.approx(ring)


class ReachedError(Exception):
    """What was asked for has come to where sound is made."""


def caught(monkeypatch, name):
    """What `synth.sound.render` is given under this name."""
    given = {}

    def take(*words, **keys):
        given.update(keys, words=words)
        raise ReachedError

    monkeypatch.setattr(f"synth.sound.render.{name}", take)
    return given


NOT_USUAL = {"contact": "reference", "seed": 23, "allow_yield": True, "without": "stick"}
UNUSUAL_SETTINGS = {"contact": "reference", "seed": 23, "allow_yield": True, "stick": False}


def test_every_word_of_a_stroke_comes_to_where_its_sound_is_made(ins, monkeypatch):
    """Each is said otherwise than usual, so that none can be a default."""
    given = caught(monkeypatch, "perform")
    numbers = {
        "speed_mm_s": 310.0,
        "bite_mm": 1.3,
        "lean": -0.4,
        "height_mm": 7.0,
        "tilt_deg": 51.0,
        "skew_deg": 9.0,
    }
    words = {"through": "panel", "stick": "brass", "direction": "backward", "grip": "firm", "hand": "loose"}
    with pytest.raises(ReachedError):
        ins.stroke("side", seconds=1.25, pressure_n=0.7, **words, **numbers, **NOT_USUAL)
    scene, (stroke,) = given["words"]
    assert (scene.through, given["seconds"], stroke.group) == ("panel", 1.25, 1)
    assert stroke.stick == ins.instrument.sticks["brass"]
    assert (stroke.direction, stroke.grip, stroke.hand) == ("backward", "firm", "loose")
    for key, found in (("speed_mm_s", stroke.speed), ("bite_mm", stroke.bite), ("height_mm", stroke.height)):
        assert found == pytest.approx(1e-3 * numbers[key])
    assert (stroke.lean, stroke.pressure) == (-0.4, 0.7)
    assert (stroke.tilt, stroke.skew) == pytest.approx((np.radians(51.0), np.radians(9.0)))
    assert {key: getattr(given["settings"], key) for key in UNUSUAL_SETTINGS} == UNUSUAL_SETTINGS


@pytest.mark.parametrize("seconds", [0.009, 600.1, float("nan")])
def test_a_stroke_is_heard_from_a_hundredth_of_a_second_to_ten_minutes(ins, seconds):
    assert refused(lambda: ins.stroke("up", seconds=seconds)).endswith(
        "is out of range; 0.01 to 600 is possible"
    )


def test_every_word_of_a_piece_comes_to_where_its_sound_is_made(ins, monkeypatch):
    given = caught(monkeypatch, "play")
    script = {"tail_s": 1.5, "stroke": [{"at_s": 0.5, "group": "side"}, {"at_s": 0.75, "palm": "up"}]}
    with pytest.raises(ReachedError):
        ins.play(script, through="panel", hand="loose", **NOT_USUAL)
    _, piece = given["words"]
    assert [each.through for each in piece.played] == ["panel", "panel"]
    assert (piece.played[0].event.hand, piece.played[0].event.group, piece.seconds) == ("loose", 1, 2.25)
    assert {key: getattr(given["settings"], key) for key in UNUSUAL_SETTINGS} == UNUSUAL_SETTINGS


def test_a_check_warns_of_the_design_and_of_its_row(ins, monkeypatch):
    instrument = dataclasses.replace(ins.instrument, warnings=("of the design",))
    row = dataclasses.replace(solve_row(instrument), warnings=("of the row",))
    monkeypatch.setattr(answers, "solve_row", lambda _: row)
    assert answers.check(instrument).warnings == ("of the design", "of the row")


def test_what_is_opened_says_in_a_line_what_it_is(ins):
    modes, check = ins.modes(), ins.check()
    low, high = min(modes.frequency_hz), max(modes.frequency_hz)
    assert repr(modes) == (
        f"<Modes through bar: {len(modes.frequency_hz)} from {low:.1f} to {high:.0f} Hz, 2 tines>"
    )
    assert len(check.quarrels) == 1
    assert repr(check) == f"<Check of {ins.name!r}: 2 tines, {len(check.warnings)} warnings, 1 quarrel>"
    assert repr(ins.board("panel")).endswith("2 feet>")
    assert f"({DESIGN}): 2 tines in 2 groups, heard through bar, pickup, panel, box" in repr(ins)
    assert (ins.groups, ins.through) == (("up", "side"), ("bar", "pickup", "panel", "box"))
    assert ins.sticks == tuple(ins.instrument.sticks)


def test_a_knock_is_on_the_foot_that_is_counted_from_one(ins):
    from synth.sound.boardsheet import knock
    from synth.vibration.solve import solve_board_of

    board, solved = ins.board("panel"), solve_board_of(ins.instrument, "panel")
    sounds = [board.knock(foot) for foot in (1, 2)]
    assert [(each.title, each.through) for each in sounds] == [
        ("knock on foot 1", "panel"), ("knock on foot 2", "panel"),
    ]  # fmt: skip
    expected = knock(ins.instrument, solved, foot=1, rate=48_000)
    np.testing.assert_allclose(sounds[1].pressure_pa, expected, rtol=0.0, atol=1e-12)
    assert not np.allclose(sounds[0].pressure_pa, expected, atol=0.01 * np.abs(expected).max())
    assert "1 to 2 are there" in refused(lambda: board.knock(0))


def test_two_forces_on_a_board_can_only_do_work(ins):
    """Re Y is positive: on the diagonal, and off it no more than the feet's own together (passivity)."""
    real = ins.board("panel").mobility([60.0, 400.0, 2000.0]).real
    assert real.shape == (2, 2, 3)
    assert np.all(real[0, 0] > 0.0)
    assert np.all(real[1, 1] > 0.0)
    assert np.all(real[0, 1] ** 2 <= real[0, 0] * real[1, 1])
    assert not np.allclose(real[0, 0], real[1, 1], rtol=0.05)


@pytest.mark.parametrize("skip", [False, True])
@pytest.mark.parametrize("through", [None, "panel"])
def test_a_piece_is_read_with_the_words_that_were_given(ins, monkeypatch, skip, through):
    given = {}

    def read(script, instrument, **words):
        given.update(words, script=script, instrument=instrument)
        raise ReachedError

    monkeypatch.setattr("synth.playing.score.performance", read)
    with pytest.raises(ReachedError):
        ins.play("piece.mid", through=through, skip_unplayable=skip)
    expected = {"script": "piece.mid", "through": through, "skip_unplayable": skip}
    assert given == {**expected, "instrument": ins.instrument}
