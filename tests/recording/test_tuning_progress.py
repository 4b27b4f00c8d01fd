"""The order of work, rounds, a common shift, and a file that lets tomorrow go on."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from synth.errors import InputError
from synth.recording.tuning_file import LastTap, progress_path, spare_path
from synth.recording.tuning_progress import TuningProgress, begun, fewest_nuts, work_order

NAME = ('low "D".1', "low D.2", "a.1", "a.2")
TARGET = np.array([220.0, 110.0, np.nan, 165.0])
MASS = np.array([3.0, 4.0, 2.0, 1.0])
STILL = np.zeros(4)


def tap(cents: float, target: float | None = None) -> LastTap:
    return LastTap(cents, 0.25, "2024-05-06T07:08:09+02:00", 17.5, target_hz=target)


def progress(
    path: Path | None = None, shift: np.ndarray = STILL, target: np.ndarray = TARGET
) -> TuningProgress:
    order = work_order(TARGET, MASS, ())
    return begun(NAME, order, within=3.0, shift=shift, designed=lambda _: target, path=path)


def test_low_tines_come_first_of_equal_ones_the_heavier_and_those_without_a_pitch_never() -> None:
    assert work_order(TARGET, MASS, ()) == [1, 3, 0]
    assert work_order(TARGET, MASS, (), first=3) == [3, 0, 1]
    assert work_order(np.full(4, 220.0), MASS, ()) == [1, 0, 2, 3]


def test_what_quarrels_with_the_bar_comes_last() -> None:
    assert work_order(TARGET, MASS, {1}) == [3, 0, 1]
    assert work_order(TARGET, MASS, {1, 0}, first=1) == [1, 0, 3]


def test_what_is_kept_is_read_again_and_what_is_done_is_passed_over(tmp_path: Path) -> None:
    path = progress_path(tmp_path / "rail.toml")
    first = progress(path)
    first.hear(1, tap(-1.5, 110.0))
    first.hear(0, tap(12.25, 220.0))
    first.keep(path)
    again = progress(path)
    assert path.name == "rail.tuning.toml"
    assert again.last == first.last
    assert again.left() == [3, 0]
    assert again.following() == 3


def test_a_second_round_hears_every_tine_again_and_tells_what_moved(tmp_path: Path) -> None:
    path = tmp_path / "rail.tuning.toml"
    first = progress(path)
    for tine, cents in ((1, -1.5), (3, 9.0), (3, 2.0), (0, 0.5)):
        first.hear(tine, tap(cents))
    assert first.left() == []
    assert first.moved() == {}
    first.again()
    first.hear(3, tap(-2.0))
    first.hear(3, tap(0.0))  # its nut was turned: what it had done by itself stays
    first.keep(path)
    second = progress(path)
    assert second.round == 2
    assert second.left() == [1, 0]
    assert second.moved() == {3: -4.0}


def test_a_moved_target_moves_what_is_done_and_the_file_keeps_cents_from_the_design(tmp_path: Path) -> None:
    path = tmp_path / "rail.tuning.toml"
    first = progress(path, shift=np.array([10.0, 10.0, 0.0, 20.0]))
    first.hear(1, tap(-1.5))
    first.hear(3, tap(0.5))
    first.keep(path)
    there = progress(path)
    assert (there.last[1].cents, there.last[3].cents) == (8.5, 20.5)
    assert there.left() == [1, 3, 0]
    assert progress(path, shift=np.full(4, 10.0)).left() == [3, 0]


def test_another_pitch_in_the_design_moves_what_is_kept(tmp_path: Path) -> None:
    """A semitone down from a, the tine that was in tune is 100 cents sharp; there and back it is in tune again."""
    path = tmp_path / "rail.tuning.toml"
    first = progress(path)
    first.hear(0, tap(-1.5, 220.0))
    first.hear(1, tap(0.5, 110.0))
    first.keep(path)
    lower = TARGET * np.array([2.0 ** (-1.0 / 12.0), 1.0, 1.0, 1.0])
    second = progress(path, target=lower)
    assert second.last[0].cents == pytest.approx(98.5)
    assert second.left() == [3, 0]
    second.again()
    second.hear(0, tap(95.0, lower[0]))
    assert second.moved() == {0: pytest.approx(-3.5)}  # by itself: what the maker wants now moved nothing
    second.keep(path)
    assert progress(path).last[0].cents == pytest.approx(-5.0, abs=0.01)
    assert progress(path).last[1] == second.last[1]


def test_an_older_file_without_targets_is_told_against_those_of_now_and_then_keeps_them(
    tmp_path: Path,
) -> None:
    path = tmp_path / "rail.tuning.toml"
    first = progress(path)
    first.hear(0, tap(-1.5))
    first.keep(path)
    assert "target_hz" not in path.read_text()
    second = progress(path)
    assert second.last[0] == tap(-1.5, 220.0)
    second.keep(path)
    assert progress(path, target=2.0 * TARGET).last[0].cents == pytest.approx(-1201.5)


def test_a_tine_that_lost_its_pitch_is_kept_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "rail.tuning.toml"
    first = progress(path)
    first.hear(0, tap(-1.5, 220.0))
    first.keep(path)
    order, none = [1, 3], np.full(4, np.nan)
    second = begun(NAME, order, within=3.0, shift=STILL, designed=lambda _: none, path=path)
    assert second.last == first.last
    second.keep(path)
    assert progress(path, target=2.0 * TARGET).last[0].cents == pytest.approx(-1201.5)


def test_what_is_told_of_tines_that_the_design_lacks_stays_and_a_tine_that_comes_back_is_known(
    tmp_path: Path,
) -> None:
    path = tmp_path / "rail.tuning.toml"
    first = progress(path)
    first.hear(1, tap(-1.5, 110.0))
    first.hear(3, tap(0.5, 165.0))
    first.again()
    first.hear(1, tap(-2.5, 110.0))
    first.hear(0, tap(-0.5, 220.0))
    first.keep(path)
    shorter, target = (NAME[3], NAME[2]), np.array([165.0, 82.5])
    second = begun(shorter, (1, 0), within=3.0, shift=STILL[:2], designed=lambda _: target, path=path)
    assert list(second.last) == [0]
    assert second.left() == [1, 0]
    assert second.moved() == {}
    second.hear(1, tap(9.0, 82.5))
    second.keep(path)
    there = progress(path)
    assert {tine: there.last[tine] for tine in (0, 1, 3)} == first.last
    assert there.left() == [3]
    assert there.moved() == {1: -1.0}
    assert (there.round, there.others) == (2, {})


def test_the_shift_that_turns_the_fewest_nuts_is_the_best_of_all_that_were_tried() -> None:
    for seed in range(40):
        dice = np.random.default_rng(seed)
        cents = np.round(dice.normal(8.0 * dice.normal(), dice.uniform(2.0, 15.0), dice.integers(3, 30)), 2)
        best = fewest_nuts(cents, 3.0)
        plain = np.arange(-80.0, 80.0, 0.01)
        most = np.max(np.sum(np.abs(cents - plain[:, None]) <= 3.0 + 1e-9, axis=1))
        assert np.sum(np.abs(cents - best) <= 3.0 + 1e-6) == most, seed
    assert fewest_nuts(np.array([9.0, 10.0, 11.0, -30.0]), 3.0) == pytest.approx(10.0)
    assert fewest_nuts(np.array([2.0, -2.0, 20.0, 21.0]), 3.0) == 0.0  # as good as any: nothing is moved


@pytest.mark.parametrize("text", ["[tine", "tine = 3", '[tine."a.2"]\ncents = 1.0', "\xff", "round = 'x'"])
def test_a_spoilt_file_is_one_line_and_stays_as_it_is(tmp_path: Path, text: str) -> None:
    path = tmp_path / "rail.tuning.toml"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError, match="cannot be read as progress"):
        progress(path)
    assert path.read_bytes() == text.encode("latin-1")


FOREIGN = {
    "a design": 'name = "rail"\n[bar]\nmaterial = "mild steel"\n[[group]]\nname = "g"\n',
    "nothing": "",
    "a note": "# call the smith on Monday\n",
    "a table of tines": "[tine]\n",
}


@pytest.mark.parametrize("text", FOREIGN.values(), ids=FOREIGN)
def test_a_file_that_is_no_progress_is_refused_and_stays_as_it_is(tmp_path: Path, text: str) -> None:
    path = tmp_path / "rail.tuning.toml"
    path.write_text(text)
    with pytest.raises(InputError) as refused:
        progress(path)
    told = str(refused.value)
    assert told.startswith(f"{path}: cannot be read as progress of a tuning: it does not say its round; ")
    assert "move the file away" in told
    assert path.read_text() == text


WHOLE = """round = 2
[tine."a.1"]
cents = -1.5
cents_sd = 0.25
done = true
heard = "2024-05-06T07:08:09+02:00"
temperature_c = 17.5
round = 1
moved_cents = 0.5
target_hz = 220.0
"""
DAMAGED = {
    "round = 2": {
        "round = -3": "round: .*-3 is not possible; must be at least 1",
        "round = 0": "round: .*0 is not possible; must be at least 1",
        "round = 1.5": "round: .*1.5 stands where a whole number is wanted",
        "round = true": "round: .*true stands where a whole number is wanted",
        "rounds = 2": "it does not say its round",
        "round = 2\ntines = 3": "unknown key 'tines'; did you mean 'tine'",
    },
    "cents = -1.5": {
        "cents = nan": "tine.'a.1'.cents: .*nan is not a size; must be at least -20000 and at most 20000",
        "cents = -inf": "tine.'a.1'.cents: .*-inf is not a size",
        "cents = '3'": "tine.'a.1'.cents: .*'3' stands where a number is wanted",
        "": "tine.'a.1': .*the key 'cents' is missing",
    },
    "cents_sd = 0.25": {
        "cents_sd = -1": "tine.'a.1'.cents_sd: .*-1 is not possible; must be at least 0",
        "cents_sd = inf": "tine.'a.1'.cents_sd: .*inf is not a size",
        "": "tine.'a.1': .*the key 'cents_sd' is missing",
    },
    "done = true": {"done = 1": "tine.'a.1'.done: .*1 stands where yes or no is wanted; write true or false"},
    'heard = "2024-05-06T07:08:09+02:00"': {"heard = 7": "tine.'a.1'.heard: .*7 stands where text is wanted"},
    "temperature_c = 17.5": {
        "temperature_c = 900": "tine.'a.1'.temperature_c: .*900 is not possible; must be .* at most 60"
    },
    "round = 1": {
        "round = 3": "tine.'a.1'.round: .*3 has not begun; must be at most 2",
        "round = -1": "tine.'a.1'.round: .*-1 is not possible",
    },
    "moved_cents = 0.5": {"moved_cents = nan": "tine.'a.1'.moved_cents: .*nan is not a size"},
    "target_hz = 220.0": {
        "target_hz = 0": "tine.'a.1'.target_hz: .*0 is not possible; must be at least 0.1",
        "target_herz = 220.0": "tine.'a.1': .*unknown key 'target_herz'; did you mean 'target_hz'",
    },
    '[tine."a.1"]': {
        "[tine]\n'a.2' = 3\n[tine.'a.1']": "tine.'a.2': .*3 stands where a table is wanted",
        "[[tine]]": "tine: .*this is no table; write .tine",
        '[tine."a\\u0007"]': r"tine: .*'a\\x07' cannot be a tine's name",
    },
}


@pytest.mark.parametrize(
    ("old", "new", "told"), [(o, n, t) for o, each in DAMAGED.items() for n, t in each.items()]
)
def test_of_a_damaged_file_the_place_the_finding_and_what_would_be_right_are_told(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    path = tmp_path / "rail.tuning.toml"
    path.write_text(WHOLE)
    assert progress(path).last[2].cents == -1.5
    assert WHOLE.count(f"{old}\n") == 1
    path.write_text(WHOLE.replace(f"{old}\n", f"{new}\n"))
    with pytest.raises(InputError, match=told) as refused:
        progress(path)
    line = str(refused.value)
    assert line.startswith(f"{path}: ")
    assert "cannot be read as progress of a tuning" in line
    assert line.endswith(", or move the file away to begin anew")
    assert "Error" not in line
    path.write_text(path.read_text().replace("a.1", "g.9"))
    with pytest.raises(InputError, match="cannot be read"):  # of a tine that the design lacks too
        progress(path)


def test_two_tuners_on_one_file_lose_no_tap_of_each_other(tmp_path: Path) -> None:
    """Of each tine the tap that was heard last counts, whoever writes last, and a round that one of them began."""
    path = tmp_path / "rail.tuning.toml"
    one, other = progress(path), progress(path)
    early, late = (replace(tap(1.0, 220.0), heard=f"2024-05-06T0{hour}:00:00+02:00") for hour in (8, 9))
    assert other.hear_and_keep(0, replace(late, cents=-1.0), path) == ""
    assert one.hear_and_keep(1, tap(0.5, 110.0), path) == ""
    assert set(progress(path).last) == {0, 1}
    assert one.left() == [3]
    one.last[0] = early
    one.keep(path)
    assert progress(path).last[0].cents == -1.0
    assert progress(path).last == one.last
    other.again()
    other.hear_and_keep(0, replace(early, cents=2.5), path)  # of the second round: later, by whatever clock
    one.hear_and_keep(3, tap(9.0, 165.0), path)
    there = progress(path)
    assert (there.round, one.round) == (2, 2)
    assert (there.last[0].cents, there.last[0].moved) == (2.5, 3.5)
    assert (there.last[3].round, there.left()) == (2, [1, 3])


def test_what_another_has_heard_in_this_round_is_what_a_tine_had_moved_by_itself(tmp_path: Path) -> None:
    path = tmp_path / "rail.tuning.toml"
    first = progress(path)
    first.hear(0, tap(1.0, 220.0))
    first.again()
    first.keep(path)
    one, other = progress(path), progress(path)
    one.hear_and_keep(0, tap(-4.0, 220.0), path)
    later = replace(tap(0.0, 220.0), heard="2024-05-06T08:00:00+02:00")
    other.hear_and_keep(0, later, path)  # its nut was turned meanwhile
    assert progress(path).last[0] == replace(later, round=2, moved=-5.0)


@pytest.mark.parametrize("text", FOREIGN.values(), ids=FOREIGN)
def test_what_comes_to_stand_in_its_place_is_left_alone_and_the_work_goes_on_in_a_spare_file(
    tmp_path: Path, text: str
) -> None:
    path = tmp_path / "rail.tuning.toml"
    work = progress(path)
    assert work.hear_and_keep(0, tap(1.0, 220.0), path) == ""
    path.write_text(text)
    told = work.hear_and_keep(1, tap(2.0, 110.0), path)
    assert told == work.hear_and_keep(1, tap(2.5, 110.0), path)
    assert told.startswith(f"{path}: cannot be read as progress of a tuning: ")
    assert told.endswith(f"; what is heard is kept in {spare_path(path)}")
    assert path.read_text() == text
    assert progress(spare_path(path)).last == work.last
    spare_path(path).write_text(text)
    assert work.hear_and_keep(1, tap(0.0, 110.0), path).endswith("; what is heard is not kept")
    assert (path.read_text(), spare_path(path).read_text()) == (text, text)
    path.unlink()
    assert work.hear_and_keep(3, tap(0.0, 165.0), path) == ""
    assert set(progress(path).last) == {0, 1, 3}


WRITER = """
import sys
from pathlib import Path
import numpy as np
from synth.recording.tuning_file import LastTap
from synth.recording.tuning_progress import begun
names = [str(number) for number in range(60)]
made = begun(names, range(60), within=3.0, shift=np.zeros(60), designed=lambda _: np.full(60, 220.0),
             path=Path(sys.argv[1]))
for tine in range(int(sys.argv[2]), 60, 3):
    tap = LastTap(float(tine), 0.25, "2024-05-06T07:08:09+02:00", 20.0, target_hz=220.0)
    assert made.hear_and_keep(tine, tap, Path(sys.argv[1])) == ""
"""


def test_three_processes_that_write_at_once_keep_all_taps(tmp_path: Path) -> None:
    path = tmp_path / "rail.tuning.toml"
    words = [sys.executable, "-c", WRITER, str(path)]
    busy = [subprocess.Popen([*words, str(first)]) for first in range(3)]
    assert [each.wait(60) for each in busy] == [0, 0, 0]
    names = [str(number) for number in range(60)]
    there = begun(
        names, range(60), within=3.0, shift=np.zeros(60), designed=lambda _: np.full(60, 220.0), path=path
    )
    assert {tine: tap.cents for tine, tap in there.last.items()} == {tine: float(tine) for tine in range(60)}
    assert [each.name for each in tmp_path.iterdir()] == [path.name]
