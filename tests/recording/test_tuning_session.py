"""A whole tuning: what a session says, keeps, asks and learns; messages that a page could show."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synth.arrays import Array
from synth.design.file import load
from synth.design.instrument import Instrument, PlacedNut, TrimWish
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.recording import tap_listener
from synth.recording.audio_input import Recording
from synth.recording.overtone_advice import Overtones
from synth.recording.predicted_partials import bar_of, heard
from synth.recording.tapped_tine import judged
from synth.recording.taps_on_file import messages_of
from synth.recording.tuning_session import TuningSession, TuningWishes, wished_targets
from synth.vibration.solve import solve_row

RATE = 48_000
DESIGN = """\
name = "six on a slab"
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 40.0 }
path = [{ straight_mm = 300.0 }]
supports = [{ at_mm = 67.0, kind = "cord" }, { at_mm = 233.0, kind = "cord" }]
[[group]]
name = "g"
stock = "M3"
start_mm = 60.0
spacing_mm = 20.0
tine = [
  { pitch_hz = 147.0 },
  { pitch_hz = 220.0 },
  { pitch_hz = 220.0 },
  { pitch_hz = 330.0, trim = [{ nut = "M3 hex", at_mm = 40.0 }] },
  { pitch_hz = 494.0 },
  { pitch_hz = 700.0 },
]
"""


TWO_NUTS = '[{ nut = "M3 hex", at_mm = 14.0 }, { nut = "M3 hex", at_mm = 40.0 }]'
NEARLY_ALIKE = DESIGN.replace("{ pitch_hz = 220.0 }", "{ pitch_hz = 222.0 }", 1)  # 16 cents from the other


class Shop:
    """The design on disk, what its tines sound as designed, and taps of them."""

    def __init__(self, folder: Path, design: str = DESIGN) -> None:
        self.path = folder / "six.toml"
        self.path.write_text(design)
        self.instrument: Instrument = resolve(load(str(self.path)), str(self.path))
        self.row = solve_row(self.instrument)
        self.model = heard(self.instrument, bar_of(self.instrument), self.row.length, self.row.trim, range(6))

    def tap(self, tine: int, cents: float, *, overtone: float = 0.0, split: float = 0.0) -> Array:
        """Quiet, then the tine that many cents off, its second partial `overtone` cents more."""
        time = np.arange(round(1.4 * RATE)) / RATE
        sound = np.zeros(len(time))
        for plane, share in ((0, 1.0), (1, 0.5)):
            for n in range(4):
                off = cents + overtone * (n == 1) + split * (plane - 0.5) * 2.0
                hz = self.model.frequency[tine, plane, n] * 2.0 ** (off / 1200.0)
                fall = np.exp(-self.model.decay_rate[tine, plane, n] * time)
                sound += 0.1 * share / (n + 1) * fall * np.cos(2.0 * np.pi * hz * time + n + plane)
        quick_hand = np.clip((1.35 - time) / 0.03, 0.0, 1.0)
        whole = np.concatenate((np.zeros(RATE // 2), sound * quick_hand))
        return whole + 1e-3 * np.random.default_rng(tine).normal(size=len(whole))

    def session(self, *, keep: bool = False, **wishes: Any) -> TuningSession:
        path = self.path.with_suffix(".tuning.toml") if keep else None
        return TuningSession(self.instrument, self.row, TuningWishes(**wishes), rate=RATE, path=path)


def last_tap(messages: list[dict[str, Any]]) -> dict[str, Any]:
    return [each for each in messages if each["kind"] == "tap"][-1]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    return Shop(tmp_path_factory.mktemp("session"))


def test_a_tap_is_told_in_plain_values_and_the_next_tine_follows(shop: Shop) -> None:
    session = shop.session()
    (first,) = session.begin()
    assert (first["kind"], first["name"], first["done"], first["of"]) == ("next", "g.1", 0, 6)
    messages = session.feed(shop.tap(0, -20.0))
    told = last_tap(messages)
    assert json.loads(json.dumps(told)) == told
    assert (told["group"], told["tine"], told["name"]) == ("g", 1, "g.1")
    assert told["cents"] == pytest.approx(-20.0, abs=2.0)
    assert told["in_tune"] is False
    assert told["turns"] * 0.5 == pytest.approx(told["shorten_mm"])  # M3: half a millimetre a turn
    assert told["shorten_mm"] == pytest.approx(
        1e3 * shop.row.length[0] * np.log(2.0) / 1200.0 * 10.0, rel=0.15
    )
    assert session.progress.following() == 0
    (second,) = [each for each in session.feed(shop.tap(0, 0.0)) if each["kind"] == "next"]
    assert (second["name"], second["done"]) == ("g.3", 1)  # of the two alike the heavier


@pytest.mark.parametrize("at", [0.6, 0.75, 0.9])
def test_where_sound_was_lost_no_figure_is_given_and_the_next_tap_is_heard(shop: Shop, at: float) -> None:
    """A tenth of a second gone while a tine rings: the seam is no tap, and what rings across it is not fitted."""
    session, tap, cut = shop.session(), shop.tap(4, -9.0), round(at * RATE)
    assert [each for each in session.feed(tap[:cut]) if each["kind"] == "tap"] == []
    (told,) = [each for each in session.lost() if each["kind"] == "tap"]
    assert (told["name"], told["cents"]) == (None, None)
    assert "sound was lost" in told["reason"]
    assert (told["at_s"], told["look_s"]) == pytest.approx((0.5, at - 0.5), abs=0.02)
    rest = session.feed(tap[cut + RATE // 10 :]) + session.lost()
    assert [each for each in rest if each["kind"] == "tap"] == []
    again = last_tap(session.feed(shop.tap(4, 0.3)))
    assert again["name"] == "g.5"
    unspoiled = last_tap(shop.session().feed(shop.tap(4, 0.3)))
    assert again["cents"] == pytest.approx(unspoiled["cents"], abs=2.0 * again["cents_sd"])


def test_a_rehearsal_hears_a_tap_to_its_end_and_changes_nothing(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that judges a tap has been loaded then; a true one is told as without."""
    asked: list[int | None] = []

    def counted(*given: Any, **how: Any) -> Any:
        asked.append(how["announced"])
        return judged(*given, **how)

    monkeypatch.setattr(tap_listener, "judged", counted)
    session, plain = shop.session(), shop.session()
    session.rehearse()
    assert asked
    assert set(asked) == {0}
    assert (session.listener.seconds, session.progress.last) == (0.0, {})
    assert session.feed(shop.tap(4, -9.0)) == plain.feed(shop.tap(4, -9.0))


def test_a_figure_that_was_given_stands_where_sound_is_lost_later(shop: Shop) -> None:
    session, tap, cut = shop.session(), shop.tap(4, -9.0), round(1.4 * RATE)
    assert last_tap(session.feed(tap[:cut]))["cents"] == pytest.approx(-9.0, abs=2.0)
    assert session.lost() == []
    assert [each for each in session.feed(tap[cut + RATE // 10 :]) if each["kind"] == "tap"] == []


def test_of_two_nearly_alike_none_is_named_but_by_the_makers_word(tmp_path: Path) -> None:
    shop = Shop(tmp_path, NEARLY_ALIKE)
    session = shop.session(first=1)
    session.begin()
    told = last_tap(session.feed(shop.tap(2, 12.0)))
    assert told["name"] is told["cents"] is told["turns"] is None
    assert set(told["may_be"]) == {"g.2", "g.3"}
    assert told["reason"] == "cannot tell which of 2"
    assert sum(each.startswith("if it was g.") for each in told["advice"]) == 2
    assert session.progress.last == {}
    said = last_tap(session.take_announced())
    assert (said["name"], said["taken"]) == ("g.2", True)
    assert "g.3 would sound like this too" in said["advice"][0]
    assert list(session.progress.last) == [1]


def test_the_makers_word_is_answered_with_what_it_was_taken_for(tmp_path: Path) -> None:
    """Also where it changes nothing: said twice it does not make the tap another tine's."""
    shop = Shop(tmp_path, NEARLY_ALIKE)
    session = shop.session(first=1)

    def answered() -> str:
        said, *rest = session.take_announced()
        assert said["kind"] == "said"
        assert bool(rest) == (" was of " in said["words"])
        return str(said["words"])

    assert answered() == "no tap has been heard that this could be said of"
    session.begin()
    session.feed(shop.tap(2, 7.0))
    assert answered() == "the tap at 0.50 s was of g.2"
    assert session.progress.following() == 1
    assert answered() == "the tap at 0.50 s is g.2's already"
    session.feed(shop.tap(4, -9.0))
    assert answered() == "the tap at 2.40 s is g.5's already"
    other = shop.session(first=5)
    other.begin()
    other.feed(shop.tap(2, 12.0))
    (said,) = other.take_announced()
    assert said["words"] == "the tap at 0.50 s is not like g.6: tap g.6 again"
    assert other.progress.last == {}


def test_of_two_of_one_pitch_the_next_is_taken_and_that_is_said(shop: Shop) -> None:
    """The figure is the same for both. One that is not next, or without a next among them, is left open."""
    session = shop.session(first=1)
    session.begin()
    told = last_tap(session.feed(shop.tap(2, 12.0)))
    assert (told["name"], told["taken"], set(told["may_be"])) == ("g.2", True, {"g.2", "g.3"})
    assert told["cents"] == pytest.approx(12.0, abs=2.0)
    assert "g.3 would sound like this too" in told["advice"][0]
    assert list(session.progress.last) == [1]
    other = shop.session(first=4)
    other.begin()
    open_ = last_tap(other.feed(shop.tap(2, 12.0)))
    assert open_["name"] is open_["cents"] is None
    assert open_["reason"] == "cannot tell which of 2"
    assert other.progress.last == {}


def test_in_order_the_announced_one_is_taken_and_that_is_said(shop: Shop) -> None:
    session = shop.session(first=2, in_order=True)
    session.begin()
    told = last_tap(session.feed(shop.tap(2, 1.0)))
    assert (told["name"], told["taken"], told["in_tune"]) == ("g.3", True, True)
    assert (
        last_tap(session.feed(shop.tap(4, 1.0)))["name"] == "g.5"
    )  # another that is like none: by its sound


def test_targets_follow_temperature_shift_and_stretch(shop: Shop) -> None:
    session = shop.session()
    session.begin()
    before = session.targets.target.copy()
    (told,) = session.at_temperature(shop.instrument.temperature + 10.0)
    assert told["kind"] == "next"
    steel = shop.instrument.tines[0].rod.material
    lower = 600.0 / np.log(2.0) * 10.0 * (steel.modulus_slope + steel.expansion)
    assert 1200.0 * np.log2(session.targets.target / before) == pytest.approx(np.full(6, lower), rel=0.01)
    moved = wished_targets(shop.instrument, shop.row, TuningWishes(shift=5.0, stretch=2.0)).target
    octaves = np.log2(shop.row.target_hz / 440.0)
    assert 1200.0 * np.log2(moved / before) == pytest.approx(5.0 + 2.0 * octaves, abs=1e-6)


def test_what_is_kept_of_a_tap_is_its_own_figure_at_that_bench(tmp_path: Path) -> None:
    """Cents above the design's pitch, 4 of them by the shift; degrees; how sure; what is near enough is wished."""
    shop = Shop(tmp_path)
    session = shop.session(keep=True, temperature=285.65, shift=4.0, within=25.0)
    told = last_tap(session.feed(shop.tap(4, -9.0)))
    (kept,) = session.progress.last.values()
    assert (kept.cents, kept.cents_sd) == pytest.approx((told["cents"] + 4.0, told["cents_sd"]))
    assert (kept.temperature_c, kept.round) == (pytest.approx(12.5), 1)
    assert told["in_tune"] is True
    table = tomllib.loads(shop.path.with_suffix(".tuning.toml").read_text())["tine"]["g.5"]
    assert (table["cents"], table["temperature_c"]) == (pytest.approx(kept.cents, abs=0.006), 12.5)


def test_tuning_to_what_is_there_turns_the_fewest_nuts(shop: Shop) -> None:
    session = shop.session(in_order=True)
    session.begin()
    with pytest.raises(InputError, match="too few"):
        session.to_what_is_there()
    for tine, off in ((0, 11.0), (4, 12.0), (5, 10.5), (3, -20.0)):
        session.feed(shop.tap(tine, off))
    assert len(session.progress.left()) == 6
    session.to_what_is_there()
    assert session.wishes.shift == pytest.approx(11.2, abs=1.5)
    assert set(session.progress.left()) == {1, 2, 3}
    again = last_tap(session.feed(shop.tap(4, 12.0)))
    assert again["in_tune"] is True


def test_a_second_round_tells_what_moved(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    first = shop.session(keep=True)
    first.feed(shop.tap(4, 1.0))
    second = shop.session(keep=True, again=True)
    told = last_tap(second.feed(shop.tap(4, -6.0)))
    assert told["moved_cents"] == pytest.approx(-7.0, abs=0.3)
    assert f"moved {told['moved_cents']:+.1f} cents since the last round" in told["advice"]
    assert second.progress.moved() == {4: pytest.approx(-7.0, abs=0.3)}


def test_a_file_that_takes_the_place_of_the_progress_is_told_once_and_stays(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    session, path = shop.session(keep=True), shop.path.with_suffix(".tuning.toml")
    session.feed(shop.tap(4, 1.0))
    path.write_text(DESIGN)
    first, second = (
        [each for each in session.feed(shop.tap(5, off)) if each["kind"] == "said"] for off in (8.0, 2.0)
    )
    (said,) = first
    assert said["words"].startswith(f"{path}: cannot be read as progress of a tuning: ")
    assert second == []
    assert session.trouble == said["words"]
    assert path.read_text() == DESIGN
    kept = tomllib.loads(path.with_name("six.tuning-kept.toml").read_text())["tine"]
    assert set(kept) == {"g.5", "g.6"}
    path.unlink()
    session.feed(shop.tap(0, 1.0))
    assert session.trouble == ""
    assert set(tomllib.loads(path.read_text())["tine"]) == {"g.1", "g.5", "g.6"}


def test_a_beat_is_told_with_what_calms_it(shop: Shop) -> None:
    told = last_tap(shop.session().feed(shop.tap(4, 0.0, split=5.0)))
    model = shop.model.frequency[4, :, 0]
    apart = abs(1200.0 * np.log2(model[1] / model[0]) + 10.0)
    assert told["beat_cents"] == pytest.approx(apart, abs=0.5)
    assert told["beat_hz"] == pytest.approx(494.0 * (2.0 ** (apart / 1200.0) - 1.0), rel=0.1)
    assert any("turn it an eighth in its hole" in each for each in told["advice"])


def test_a_trim_nut_slides_the_way_that_brings_the_overtone_home(shop: Shop) -> None:
    """The advice is followed on the model: the ratio is then the wanted one."""
    overtones = Overtones(shop.instrument, shop.row)
    designed = shop.model.frequency[3, 0, 1] / shop.model.frequency[3, 0, 0]
    for off in (-40.0, 40.0):
        advice = overtones.advice(3, float(designed * 2.0 ** (off / 1200.0)))
        assert advice is not None
        assert advice.cents == pytest.approx(off)
        (nut,) = shop.row.trim[3]
        moved = tuple(
            () if tine != 3 else (type(nut)(nut.nut, nut.position + advice.slide),) for tine in range(6)
        )
        there = heard(shop.instrument, bar_of(shop.instrument), shop.row.length, moved, [3]).frequency[0, 0]
        assert 1200.0 * np.log2(there[1] / there[0] / designed) == pytest.approx(-off, abs=8.0)
    assert overtones.advice(3, float(designed)) is not None
    assert overtones.advice(3, float("nan")) is None


def test_of_two_nuts_the_upper_one_slides(tmp_path: Path) -> None:
    """The lower one, near the root, would have to go another way and further."""
    shop = Shop(tmp_path, DESIGN.replace('[{ nut = "M3 hex", at_mm = 40.0 }]', TWO_NUTS))
    overtones, (low, high) = Overtones(shop.instrument, shop.row), shop.row.trim[3]
    designed = shop.model.frequency[3, 0, 1] / shop.model.frequency[3, 0, 0]
    advice = overtones.advice(3, float(designed * 2.0 ** (30.0 / 1200.0)))
    assert advice is not None
    up = replace(high, position=high.position + advice.slide)
    trim = (*shop.row.trim[:3], (low, up), *shop.row.trim[4:])
    there = heard(shop.instrument, bar_of(shop.instrument), shop.row.length, trim, [3]).frequency[0, 0]
    assert 1200.0 * np.log2(there[1] / there[0] / designed) == pytest.approx(-30.0, abs=6.0)


@pytest.mark.parametrize(("partial", "wished"), [(2, 6.1), (3, 17.0)])
def test_the_ratio_that_is_wanted_is_the_wish_for_the_second_partial_else_the_design_s(
    shop: Shop, partial: int, wished: float
) -> None:
    (nut,) = shop.row.trim[3]
    wishing = replace(shop.instrument.tines[3], wish=TrimWish(partial, wished, nut.nut))
    instrument = replace(
        shop.instrument, tines=(*shop.instrument.tines[:3], wishing, *shop.instrument.tines[4:])
    )
    advice = Overtones(instrument, shop.row).advice(3, 6.2)
    assert advice is not None
    designed = shop.model.frequency[3, 0, 1] / shop.model.frequency[3, 0, 0]
    assert advice.wanted == pytest.approx(wished if partial == 2 else designed, rel=1e-9)


def test_for_a_tine_without_a_nut_it_is_said_what_one_would_do(shop: Shop) -> None:
    told = last_tap(shop.session().feed(shop.tap(4, 0.0)))
    designed = shop.model.frequency[4, 0, 1] / shop.model.frequency[4, 0, 0]
    assert told["overtone"] == pytest.approx(designed, rel=3e-3)
    (words,) = [each for each in told["advice"] if "second partial" in each]
    assert "a nut (M3" in words
    low, high = (float(each) for each in words.split("bring it to ")[1].split(",")[0].split(" to "))
    assert low < designed < high
    assert low < 6.0
    height = 1e-3 * float(words.split(", to 6 at ")[1].split(" mm above")[0])
    nut = PlacedNut(shop.instrument.nuts["M3 hex"], height)
    assert nut.nut.name in words
    trim = (*shop.row.trim[:4], (nut,), shop.row.trim[5])
    there = heard(shop.instrument, bar_of(shop.instrument), shop.row.length, trim, [4]).frequency[0, 0]
    assert there[1] / there[0] == pytest.approx(6.0, abs=0.03)  # told to a millimetre


@pytest.mark.slow
def test_five_first_taps_teach_the_steel_and_the_length_of_the_sixth(tmp_path: Path) -> None:
    """The rods bend as if 2 % stiffer: every tine sounds 17 cents sharp of the model, the sixth would too."""
    shop = Shop(tmp_path)
    session = shop.session(in_order=True, within=30.0)
    session.begin()
    messages = []
    for _ in range(5):
        tine = session.progress.following()
        assert tine is not None
        messages += session.feed(shop.tap(tine, 17.1))
    assert sum(each["kind"] == "offer" for each in messages) == 1
    found = session.lesson()
    assert found.uncut == (5,)
    as_cut = heard(shop.instrument, bar_of(shop.instrument), found.after, shop.row.trim, [5]).frequency[0]
    flat = 1200.0 * np.log2(as_cut[0, 0] / shop.model.frequency[5, 0, 0])
    assert flat == pytest.approx(-17.1, abs=5.0)  # of the model as it was: in truth it is then in tune


def test_taps_on_file_are_a_message_each_and_nothing_is_said_of_a_knock(shop: Shop) -> None:
    targets = wished_targets(shop.instrument, shop.row, TuningWishes())

    def said(sound: Array, announced: int | None) -> list[dict[str, Any]]:
        take = Recording("a.wav", RATE, 0.0, sound, np.zeros(len(sound), bool), ())
        return messages_of(take, shop.instrument, targets, announced=announced, within=3.0)

    two = said(np.concatenate((shop.tap(4, 8.0), shop.tap(5, -8.0))), None)
    assert [each["name"] for each in two] == ["g.5", "g.6"]
    assert [each["file"] for each in two] == ["a.wav", "a.wav"]
    assert two[1]["cents"] == pytest.approx(-8.0, abs=2.0)  # half of what its planes are apart
    (one,) = said(shop.tap(1, 0.0), 1)
    assert (one["name"], one["taken"]) == ("g.2", True)
    (short,) = said(shop.tap(5, 4.0)[: round(0.95 * RATE)], None)
    assert short["at_s"] == pytest.approx(0.5, abs=0.02) or short["name"] is None
    knock = np.concatenate((np.zeros(RATE // 2), np.random.default_rng(1).normal(size=400), np.zeros(RATE)))
    (nothing,) = said(0.1 * knock, None)
    assert nothing["tine"] is nothing["cents"] is None
    assert nothing["reason"]
