"""What one sitting keeps of a tine, judged in another: bench, shift, stretch and design may all be others."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from synth.recording.tap_listener import Answer
from synth.recording.tuning_session import TuningSession
from synth.units import KELVIN_AT_0_C

from .test_listening_by_hand import figure
from .test_tuning_session import DESIGN, Shop

TINE = 4  # written as 494 Hz
AT_20 = 494.0 * 2.0 ** (7.0 / 1200.0)  # Hz that it sounds at 20 degrees, whatever is wanted of it
B = DESIGN.replace("pitch_hz = 494.0", 'pitch = "B4"')
TUNED = f"{B}[tuning]\na4_hz = 443.0\n"
WARM = f"{DESIGN}[tuning]\ntemperature_c = 27.0\n"
BENCHES = {
    "the same": ({}, DESIGN, {}, DESIGN),
    "colder": ({}, DESIGN, {"temperature": 278.15}, DESIGN),
    "warmer": ({"temperature": 278.15}, DESIGN, {"temperature": 301.15}, DESIGN),
    "shifted": ({"shift": 6.0}, DESIGN, {"shift": -4.0}, DESIGN),
    "stretched": ({"stretch": 12.0}, DESIGN, {}, DESIGN),
    "another pitch": ({}, DESIGN, {}, DESIGN.replace("494.0", "466.0")),
    "another a": ({}, B, {}, TUNED),
    "a design for a warmer room": ({}, DESIGN, {}, WARM),
    "all": (
        {"temperature": 280.15, "shift": 6.0, "stretch": 12.0},
        TUNED,
        {"temperature": 298.15, "shift": -3.0, "stretch": 5.0},
        WARM.replace("494.0", "523.25"),
    ),
}


def cents_there(session: TuningSession) -> float:
    """Cents above the session's target that the tine sounds at its bench: f goes as sqrt(E / rho) / L^2."""
    steel = session.instrument.tines[TINE].rod.material
    warmer = session.temperature - KELVIN_AT_0_C - 20.0
    hertz = AT_20 * np.sqrt(1.0 + (steel.modulus_slope + steel.expansion) * warmer)
    return float(1200.0 * np.log2(hertz / session.targets.target[TINE]))


@pytest.mark.parametrize(("then", "written", "now", "wanted"), BENCHES.values(), ids=BENCHES)
def test_a_tine_nobody_touched_is_as_far_off_as_if_it_were_heard_again(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    then: dict[str, float],
    written: str,
    now: dict[str, float],
    wanted: str,
) -> None:
    """Figures are kept to a hundredth of a cent. Steel's law is a straight line e (T - T0), e = 4e-4: from another
    T0 its square differs, 20 K away by 600 / ln 2 e^2 20^2 / 2 = 0.03 cents.
    """
    monkeypatch.setattr(TuningSession, "_keep_sound", lambda *_: None)
    first = Shop(tmp_path, written).session(keep=True, **then)
    first._kept(TINE, Answer(0.5, 1.0, 0.5, figure(TINE, cents_there(first), 0.3)))
    second = Shop(tmp_path, wanted).session(keep=True, **now)
    assert second.progress.off(TINE) == pytest.approx(cents_there(second), abs=0.03)
    assert second.progress.done(TINE) == (abs(cents_there(second)) <= 3.0)
