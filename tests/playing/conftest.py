"""Rows of plain steel rods on an unyielding base, and what strokes do to them."""

import importlib.util
import math
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.playing.contact.modes import tips
from synth.vibration.tine import TineModes, solve_tines

ROW = Path(__file__).resolve().parent.parent / "data" / "contact-row.toml"


@dataclass(frozen=True)
class PlayedRow:
    instrument: Instrument
    tines: TineModes

    def stick(self, name):
        return self.instrument.sticks[name]

    def state(self, trace, time):
        """Modal displacement and velocity (R, 2, N) at a time that push and turn leave, of tines once at rest.

        A plain sum over bins.
        """
        q, p = np.zeros((2, *self.tines.frequency.shape))
        omega, decay = self.modes()
        tip = tips(self.tines, np.arange(len(q)), depth=0.0, count=q.shape[2])
        for k in np.unique(trace.tine):
            mine = (trace.tine == k) & (trace.time <= time)
            cos, sin = math.cos(self.tines.axis[k]), math.sin(self.tines.axis[k])
            push, turn = (
                (each[mine, :2] @ np.array([[cos, -sin], [sin, cos]]))[:, :, None]
                for each in (trace.push, trace.turn)
            )
            damped = np.sqrt(omega[k] ** 2 - decay[k] ** 2)
            pole = 1j * damped - decay[k]
            kick = push * tip.shape[k] + turn * tip.slope[k]
            swing = np.sum(kick * np.exp(pole * (time - trace.time[mine])[:, None, None]), axis=0)
            swing = np.where(self.tines.exists[k], swing, 0.0)
            q[k], p[k] = (swing / damped).imag, (pole * swing / damped).imag
        return q, p

    def modes(self):
        omega = np.where(self.tines.exists[:, None, :], 2.0 * math.pi * self.tines.frequency, 1.0)
        return omega, 0.5 * omega * self.tines.loss_factor

    def energy(self, state):
        """Of each tine (R,), J."""
        omega, _ = self.modes()
        return 0.5 * (state[1] ** 2 + (omega * state[0]) ** 2).sum(axis=(1, 2))

    def along(self, state):
        """Amplitude of each partial (R, N) at the tip along the row, m."""
        omega, _ = self.modes()
        at_tip = self.tines.at(np.zeros(len(self.tines.mass)))[:, None, :] * (
            state[0] - 1j * state[1] / omega
        )
        cos, sin = np.cos(self.tines.axis)[:, None], np.sin(self.tines.axis)[:, None]
        return np.abs(cos * at_tip[:, 0] - sin * at_tip[:, 1])


def solved(path):
    instrument = resolve(load(path), str(path))
    lengths = [tine.goal.length for tine in instrument.tines]
    return PlayedRow(instrument, solve_tines(instrument.tines, lengths, [()] * len(lengths)))


@pytest.fixture(scope="session")
def plain_contact() -> ModuleType:
    """The contact in plain Python, which is no package's member."""
    path = Path(__file__).with_name("plain_contact.py")
    spec = importlib.util.spec_from_file_location("plain_contact", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["plain_contact"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def contact_row():
    """Twelve tines, 140 to 50 mm, 10 mm apart, round to the last digit."""
    return solved(ROW)


@pytest.fixture
def row_of(tmp_path):
    """A row from lengths in mm, with what else the design shall say."""

    def made(lengths_mm, *, spacing_mm=12.0, extra="", **replaced):
        text = ROW.read_text(encoding="utf-8").split("[[group.tine]]")[0]
        text = text.replace("spacing_mm = 10.0", f"spacing_mm = {spacing_mm}")
        for old, new in replaced.items():
            assert old in text
            text = text.replace(f"{old} = 0.0", f"{old} = {new}")
        for length in lengths_mm:
            text += f"[[group.tine]]\nfree_length_mm = {length}\n"
        path = tmp_path / "row.toml"
        path.write_text(text + extra, encoding="utf-8")
        return solved(path)

    return made
