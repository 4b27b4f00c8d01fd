"""Sets to compare by ear: as they are, and matched, however quiet."""

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from synth.sound.audio import FULL_SCALE
from synth.sound.file_sets import file_names, write_sets
from synth.sound.loudness import integrated, measure

RATE = 48_000
DB = 1.0


def ringing(level_db, hertz, decay_s):
    """A struck tone (1, N) so many dB below a pascal."""
    t = np.arange(RATE) / RATE
    return 10.0 ** (level_db / 20.0) * np.sin(2.0 * np.pi * hertz * t)[None] * np.exp(-t / decay_s)


SOUNDS = st.builds(ringing, st.floats(-90.0, 0.0), st.floats(60.0, 8000.0), st.floats(0.02, 3.0))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sounds=st.lists(SOUNDS, min_size=2, max_size=4))
def test_matched_files_are_equally_loud_however_quiet_one_was(tmp_path, sounds):
    members = write_sets({str(n): each for n, each in enumerate(sounds)}, tmp_path)
    heard = [soundfile.read(tmp_path / "matched" / each.file, always_2d=True)[0].T for each in members]
    # measured as raised to full scale, where no gate hides anything
    loud = [
        integrated(each / np.abs(each).max(), RATE) + 20.0 * np.log10(np.abs(each).max()) for each in heard
    ]
    assert max(loud) - min(loud) < 0.1 * DB
    assert [each.gated for each in members] == [not np.isfinite(each.integrated) for each in members]


@pytest.mark.parametrize("level_db", [-10.0, -38.0, -50.0, -55.0, -70.0])
@pytest.mark.parametrize("decay_s", [0.1, 0.3, 1.0])
def test_the_same_sound_at_another_level_becomes_the_same_file(tmp_path, level_db, decay_s):
    # -55 dB re 1 Pa: its beginning is above the meter's gate, its ring below
    sounds = {"loud": ringing(0.0, 440.0, decay_s), "quiet": ringing(level_db, 440.0, decay_s)}
    loud, quiet = write_sets(sounds, tmp_path)
    assert quiet.matched_gain_db - loud.matched_gain_db == pytest.approx(-level_db, abs=1e-6)
    one, other = (soundfile.read(tmp_path / "matched" / each.file)[0] for each in (loud, quiet))
    np.testing.assert_allclose(one, other, atol=2.0**-22)


def test_silence_stays_silence_and_is_not_called_too_quiet(tmp_path):
    members = write_sets({"some": ringing(-20.0, 440.0, 1.0), "none": np.zeros((1, RATE))}, tmp_path)
    assert [each.gated for each in members] == [False, False]
    assert members[1].matched_gain_db == 0.0


@settings(max_examples=100, deadline=None)
@given(names=st.lists(st.text(max_size=200), max_size=8))
def test_every_sound_has_a_file_of_its_own_on_any_disk(names):
    files = file_names(names)
    assert len({each.casefold() for each in files}) == len(names)
    assert all(each and len(each) < 120 and not set(each) & set('/\\:*?"<>|\n\0') for each in files)


def test_names_that_differ_stay_readable():
    assert file_names(["speed=200", "Speed=200", "a b", "a-b"]) == [
        "speed=200",
        "Speed=200-2",
        "a-b",
        "a-b-2",
    ]


@pytest.mark.parametrize("name", [".", "..", "/etc/passwd", "", "a/../b"])
def test_no_name_leads_out_of_the_folder(tmp_path, name):
    (member,) = write_sets({name: ringing(-20.0, 440.0, 1.0)}, tmp_path / "x")
    assert (tmp_path / "x" / "true" / member.file).is_file()


def test_sets_of_another_rate_are_measured_and_written_at_it(tmp_path):
    """The same samples at half the rate: an octave lower, twice as long, and told so in every file."""
    sound = ringing(-12.0, 2000.0, 0.3)
    usual, slow = (
        write_sets({"it": sound}, tmp_path / str(rate), rate=rate)[0] for rate in (RATE, RATE // 2)
    )
    for kind in ("true", "matched"):
        assert soundfile.info(tmp_path / str(RATE // 2) / kind / slow.file).samplerate == RATE // 2
        assert soundfile.info(tmp_path / str(RATE) / kind / usual.file).samplerate == RATE
    assert slow.integrated == pytest.approx(integrated(sound / FULL_SCALE, RATE // 2))
    assert slow.loudness.loudest == pytest.approx(measure(sound, RATE // 2).loudest)
    assert abs(slow.loudness.loudest - usual.loudness.loudest) > 0.02 * DB
    assert abs(slow.integrated - usual.integrated) > 0.5 * DB


def test_silence_is_not_said_to_lie_below_the_meters_gate(tmp_path):
    still, faint, loud = write_sets(
        {
            "still": np.zeros((1, RATE)),
            "faint": ringing(-80.0, 440.0, 1.0),
            "loud": ringing(-6.0, 440.0, 1.0),
        },
        tmp_path,
    )
    assert (still.gated, faint.gated, loud.gated) == (False, True, False)
    assert still.matched_gain_db == 0.0
    assert still.true_gain_db == faint.true_gain_db == loud.true_gain_db
