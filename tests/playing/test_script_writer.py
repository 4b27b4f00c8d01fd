"""A script written of what was played reads back as the very same."""

import dataclasses
import math

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.midi_mapping import edged, speed_of_velocity
from synth.playing.script import read_script
from synth.playing.script_writer import as_written, notated
from synth.playing.stroke import CONTROLS, Hold, Stroke

NAME = 'an "evening" \\ on the quay'


@pytest.fixture
def instrument(request):
    return resolve(load(request.path.parents[1] / "data" / "two-tines.toml"))


def improvised(instrument, seed):
    dice = np.random.default_rng(seed)
    sticks = list(instrument.sticks.values())
    for n, start in enumerate(np.sort(dice.uniform(0.0, 60.0, 50)).tolist()):
        group = int(dice.integers(len(instrument.groups)))
        if n % 5 == 0:
            yield Hold(group=group, start=start, seconds=float(dice.uniform(0.1, 1.0)), by="palm")
            continue
        numbers = {
            each.field: float(dice.uniform(each.lowest, each.highest) * each.unit) for each in CONTROLS
        }
        stick = edged(sticks[int(dice.integers(len(sticks)))], int(dice.integers(128)))
        plain = Stroke(
            group=group,
            stick=stick,
            start=start,
            direction=("forward", "backward")[n % 2],
            grip=("light", "usual", "firm")[n % 3],
        )
        yield dataclasses.replace(plain, **numbers)


def test_a_script_reads_back_as_what_was_played(tmp_path, instrument):
    played = list(improvised(instrument, 1))
    text = notated(played, instrument, name=NAME, through="pickup", seconds=70.0)
    (tmp_path / "take.toml").write_text(text)
    piece = read_script(tmp_path / "take.toml", instrument)
    assert piece.name == NAME
    assert piece.seconds == pytest.approx(70.0)
    assert {each.through for each in piece.played} == {"pickup"}
    for ours, theirs in zip(played, (each.event for each in piece.played), strict=True):
        if isinstance(ours, Hold):
            assert theirs == ours
            continue
        for control in CONTROLS:
            was = getattr(ours, control.field)
            assert math.isclose(getattr(theirs, control.field), was, rel_tol=4e-16, abs_tol=0.0)
        assert dataclasses.replace(theirs, **{each.field: 0.0 for each in CONTROLS}) == dataclasses.replace(
            ours, **{each.field: 0.0 for each in CONTROLS}
        )


def test_a_stroke_played_as_written_reads_back_to_the_last_digit(tmp_path, instrument):
    stick = next(iter(instrument.sticks.values()))
    made = [
        Stroke(group=0, stick=stick, start=0.1 * n, speed=speed_of_velocity(n), bite=2e-3 * n / 127)
        for n in range(1, 128)
    ]
    played = [as_written(each) for each in made]
    (tmp_path / "take.toml").write_text(notated(played, instrument, name="", through="bar", seconds=20.0))
    piece = read_script(tmp_path / "take.toml", instrument)
    assert [each.event for each in piece.played] == played
