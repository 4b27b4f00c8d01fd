"""Every figure that a proposal says is that of the instrument, in its place and its unit; without a rendering."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import re
from pathlib import Path

import msgspec
import numpy as np
import pytest

from synth.design.resolve import resolve
from synth.design.rooms import MeasuredRoom, RoomNoise
from synth.playing.score import performance
from synth.proposal import contents, sounds
from synth.proposal import facts as facts_module
from synth.proposal.build import _blind
from synth.proposal.contents import sections
from synth.proposal.facts import facts_of
from synth.proposal.sounds import RenderedSound, SoundFiles, compressed, example_stroke, jobs_of, places_of
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.loudness import Loudness, measure
from synth.sound.surroundings import FREE_AIR, Surroundings
from synth.vibration.solve import solve_row
from synth.workshop.cutlist import cut_list
from synth.workshop.paper import Bullets, PaperTable, Paragraph
from synth.workshop.tolerance import Limits, scattered

from .conftest import SCORE, made

GAIN = 17.0  # dB


@pytest.fixture(scope="module")
def facts():
    design, instrument = made()
    return facts_of(design, dataclasses.replace(instrument, rooms={}))


@pytest.fixture(scope="module")
def row():
    return solve_row(made()[1])


def sounding(title, through, where, level, sone):
    place = Surroundings("hall", where == "noise") if where else Surroundings()
    pressure = np.zeros((2, 8), np.float32)
    heard = RenderedSound(title, through, place, pressure, Loudness(level, level - 9.0, 0.1), sone)
    return SoundFiles(heard, "a.flac", "a.mp3", "audio/mpeg", b"")


FILES = [
    sounding("One stroke", "bar", "", 41.0, 1.7),
    sounding("One stroke", "pickup", "", 63.0, 8.4),
    sounding("One stroke", "bar", "hall", 38.0, 1.3),
    sounding("One stroke", "bar", "noise", 39.0, 1.4),
]


def said(facts, name):
    """Tables, by their first cell, and all paragraphs of a part."""
    parts = next(
        each.parts
        for each in sections(facts, [], None, FILES, gain_db=GAIN, blind=False)
        if each.name == name
    )
    rows = {row[0]: row[1:] for each in parts if isinstance(each, PaperTable) for row in each.rows}
    return rows, " ".join(each.words for each in parts if isinstance(each, Paragraph))


def test_what_it_is_stands_in_its_own_row(facts, row):
    rows, _ = said(facts, "what")
    assert rows["Site"] == ("a quay",)
    assert rows["Maker"] == ("a workshop",)
    assert rows["Tines"][0].startswith("4, in 2 groups")
    assert re.match(r"bar 60\.00 x 10\.00 mm, .*, 420\.0 mm long$", rows["Bar"][0])
    along, across, up = map(
        float, re.match(r"([\d.]+) x ([\d.]+) x ([\d.]+) mm", rows["Size over all"][0]).groups()
    )
    assert (along, across) == (
        pytest.approx(420.0, abs=1.0),
        pytest.approx(64.0, abs=1.0),
    )  # a cord 2 mm thick round it
    assert 112.0 + 10.0 < up < 112.0 + 10.0 + 40.0  # the longest tine, the bar, nuts and what it stands on
    whole, bar, rest = map(float, re.findall(r"([\d.]+) kg", rows["Mass"][0]))
    assert bar == pytest.approx(0.42 * 0.06 * 0.01 * made()[1].bar.material.density, abs=0.051)
    assert rest == pytest.approx(facts.cuts.mass - facts.cuts.bar_mass, abs=0.006)
    assert rest < 0.3 * bar
    assert whole == pytest.approx(facts.cuts.mass, abs=0.051)
    assert rows["Stands on"] == ("2 supports (rubber, cord)",)
    assert rows["Heard through"] == ("bar, pickup",)


def test_on_its_board_the_sheet_is_told_with_its_weight(facts):
    board = facts.instrument.boards["panel"]
    there = dataclasses.replace(facts, board=board)
    assert there.board_mass == pytest.approx(0.3 * 0.42 * 0.004 * board.material.density)
    words = said(there, "what")[0]["Stands on"][0]
    assert words.startswith("panel 'panel': 420.0 x 300.0 x 4.0 mm, birch plywood 4 mm, 2 feet")
    assert f"its sheet {there.board_mass:.1f} kg" in words


def test_a_group_has_its_lowest_and_its_highest_tine(facts, row):
    rows, words = said(facts, "notes")
    for group in facts.instrument.groups:
        low, high, count, rod = rows[group.name]
        pitches = row.mounted_hz[group.tines]
        assert low.endswith(f"{pitches.min():.1f} Hz")
        assert high.endswith(f"{pitches.max():.1f} Hz")
        assert (count, rod) == ("2", "M4" if group.name == "threads" else "wire")
        name, cents = facts.instrument.note(float(pitches.min()))
        assert low.startswith(name if abs(cents) < 0.5 else f"{name} {cents:+.0f} cents")
    assert "A4 is 440 Hz; tuned for 20 degrees C" in words


def test_levels_are_those_of_their_own_sound_and_noise_is_no_row(facts):
    parts = next(
        e.parts for e in sections(facts, [], None, FILES, gain_db=GAIN, blind=False) if e.name == "loud"
    )
    table = next(each for each in parts if isinstance(each, PaperTable))
    assert table.rows == (
        ("One stroke", "bar", "at 1 m, no room", "41", "1.7"),
        ("One stroke", "pickup", "at 1 m, no room", "63", "8.4"),
        ("One stroke", "bar", "in hall", "38", "1.3"),
    )
    words = said(facts, "loud")[1]
    assert "pass over wires at 400 mm/s with a" in words
    assert "describes no room" in words


def test_the_gain_is_told_and_what_full_scale_then_is(facts):
    words = said(facts, "sound")[1]
    full = 20.0 * np.log10(FULL_SCALE / np.sqrt(2.0) / 20e-6)
    assert "raised by the same +17 dB" in words
    assert f"a full-scale tone gives {full - 17.0:.0f} dB SPL" in words
    assert "amplifier" in words


def test_what_is_known_is_what_tolerance_says(facts, row):
    words = said(facts, "known")[1]
    spread = scattered(made()[1], row, Limits())
    assert "cuts within 0.5 mm, nuts 0.2 mm, rod 0.02 mm and a stiffness of steel within 3 %" in words
    assert f"off by {spread.deviation.max():.0f} cents" in words
    assert f"{spread.overtone_deviation.max():.1f} cents at the worst tine" in words
    assert "No tine has been measured" in words


def test_costs_add_up_line_by_line(facts):
    rows, _ = said(facts, "cost")
    cuts = cut_list(made()[1], facts.row)
    assert rows["saw & drill"] == ("3.25 h", "37.50", "121.88")
    extra = float(rows["case <b>"][2])
    before = cuts.cost + 121.88 + extra
    assert float(rows["Stock together"][2]) == pytest.approx(cuts.cost, abs=0.006)
    assert float(rows["Margin, 7.5 %"][2]) == pytest.approx(0.075 * before, abs=0.011)
    assert float(rows["Total"][2]) == pytest.approx(1.075 * before, abs=0.02)


def test_a_measured_room_is_told_with_its_distance(facts, tmp_path):
    room = MeasuredRoom("church", tmp_path / "ir.wav", 4.5, RoomNoise())
    assert "a source 4.5 m away" in said(dataclasses.replace(facts, room=room), "loud")[1]


@pytest.fixture
def quick_facts(monkeypatch):
    """`facts_of` with what is wished changed, without the strokes that say how far each carries: they are noted."""
    carried = []
    monkeypatch.setattr(
        facts_module,
        "carrying",
        lambda instrument, through, room, stroke, settings: carried.append((through, room.name, stroke)),
    )
    monkeypatch.setattr(facts_module, "carrying_words", lambda room, found: f"carries in {room.name}")

    def make(*, room="", written=None, **wished):
        carried.clear()
        design, instrument = made()
        hall = instrument.rooms["hall"]
        rooms = {"hall": hall, "porch": dataclasses.replace(hall, name="porch")}
        boards = dict(instrument.boards)
        boards["lid"] = dataclasses.replace(boards["panel"], name="lid")
        instrument = dataclasses.replace(instrument, rooms=rooms, boards=boards)
        wishes = msgspec.structs.replace(design.proposal, room=written, **wished)
        return facts_of(msgspec.structs.replace(design, proposal=wishes), instrument, room=room), list(
            carried
        )

    return make


def test_what_a_proposal_is_of_is_what_is_wished_or_the_usual(quick_facts):
    found, carried = quick_facts(group="threads", through=["lid", "pickup", "bar"])
    assert (found.group, found.through, found.room.name) == (0, ("lid", "pickup", "bar"), "hall")
    assert found.board.name == "lid"
    assert [(through, room) for through, room, _ in carried] == [("lid", "hall"), ("bar", "hall")]
    assert {stroke.group for _, _, stroke in carried} == {0}
    assert found.carried == ("Through the lid: carries in hall", "Through the bar: carries in hall")
    usual, _ = quick_facts(group=None, through=None, room="")
    assert (usual.group, usual.through, usual.room.name) == (1, ("bar", "pickup", "panel"), "hall")
    assert usual.board.name == "panel"
    own, _ = quick_facts(through=["pickup"], room="porch")
    assert (own.board, own.carried, own.room.name) == (None, (), "porch")
    for asked, written, name in (
        ("", "porch", "porch"),
        ("hall", "porch", "hall"),
        ("porch", "hall", "porch"),
    ):
        assert quick_facts(through=["pickup"], room=asked, written=written)[0].room.name == name


def test_the_stroke_and_every_score_are_played_through_each_in_every_place(tmp_path):
    instrument, score = made()[1], tmp_path / "score.toml"
    places = places_of("hall", True)
    assert places == [Surroundings(), Surroundings("hall"), Surroundings("hall", True)]
    assert places_of("hall", False) == places[:2]
    assert places_of("", True) == places[:1]
    jobs = jobs_of(instrument, [score], group=1, through=("bar", "pickup"), places=places)
    assert [(each.score, each.through, len(each.places), each.group) for each in jobs] == [
        (None, "bar", 3, 1), (None, "pickup", 3, 1), (score, "bar", 2, 1), (score, "pickup", 2, 1)]  # fmt: skip
    score.write_text(SCORE, encoding="utf-8")
    piece, _ = performance(score, instrument, through="bar")
    assert {each.through for each in sounds._through(piece, "pickup").played} == {"pickup"}
    stroke = example_stroke(instrument, 1)
    assert (stroke.group, stroke.speed, stroke.start) == (1, 0.4, 0.05)


class Rendered:
    """Stands for a rendering: a tone as long and as loud as is said."""

    def __init__(self, level, seconds=0.2):
        self.tone = level * np.sin(2.0 * np.pi * 1000.0 * np.arange(round(seconds * RATE)) / RATE)

    def sound(self):
        return np.stack([self.tone, self.tone])


def test_every_job_is_rendered_through_what_it_says_and_where_it_says(monkeypatch, tmp_path):
    """Strokes and scores: a place whose room were dropped would be heard as free air, at a louder level here."""
    instrument, score = made()[1], tmp_path / "score.toml"
    score.write_text(SCORE.replace("speed", 'through = "pickup", speed'), encoding="utf-8")
    levels = dict(zip(places_of("hall", True), (0.1, 0.01, 0.003), strict=True))

    def scene(_, through, surroundings):
        return through, surroundings

    def perform(there, strokes, *, seconds):
        assert (seconds, strokes) == (6.0, [example_stroke(instrument, 1)])
        return Rendered(levels[there[1]] * (2.0 if there[0] == "pickup" else 1.0))

    def play(_, piece, *, surroundings=FREE_AIR):
        (through,) = {each.through for each in piece.played}
        return Rendered(levels[surroundings] * (20.0 if through == "pickup" else 10.0))

    for name, fake in (("scene", scene), ("perform", perform), ("play", play)):
        monkeypatch.setattr(sounds, name, fake)
    jobs = jobs_of(instrument, [score], group=1, through=("bar", "pickup"), places=list(levels))
    for job in jobs:
        for place, each in zip(job.places, sounds._job(job), strict=True):
            assert (each.title, each.through, each.surroundings) == (
                "One stroke of wires" if job.score is None else "score",
                job.through,
                place,
            )
            raised = (1.0 if job.score is None else 10.0) * (2.0 if job.through == "pickup" else 1.0)
            assert np.abs(each.pressure).max() == pytest.approx(raised * levels[place], rel=1e-3)

            assert each.loudness.loudest == pytest.approx(measure(each.pressure, RATE).loudest, abs=0.01)


def test_sone_are_those_of_six_seconds_and_levels_those_of_all_of_it(monkeypatch):
    """As the proposal says of them: a score may run for minutes."""
    heard = []

    class Loud:
        loudest_sone = 3.25

    monkeypatch.setattr(
        sounds, "loudness_over_time", lambda sound, rate: heard.append((sound, rate)) or Loud()
    )
    long = Rendered(0.1, 6.5)
    long.tone[: 6 * RATE] *= 0.1
    found = sounds._sound("a score", "bar", Surroundings(), long)
    ((sound, rate),) = heard
    assert (sound.shape, rate, found.sone) == ((2, 6 * RATE), RATE, 3.25)
    assert found.loudness == measure(long.sound(), RATE)


def test_a_small_copy_is_raised_by_the_gain():
    import soundfile

    tone = 0.1 * np.sin(2.0 * np.pi * 400.0 * np.arange(RATE) / RATE)
    content, ending, kind = compressed(np.stack([tone, 0.5 * tone]), 6.0)
    assert (ending, kind) in ((".mp3", "audio/mpeg"), (".ogg", "audio/ogg"))
    heard, rate = soundfile.read(io.BytesIO(content))
    level = heard[4800:-4800].std(axis=0) * np.sqrt(2.0)
    assert rate == RATE
    assert level == pytest.approx(np.array([0.1, 0.05]) * 10 ** (6 / 20) / FULL_SCALE, rel=0.02)


def test_the_blind_page_plays_one_stroke_everywhere_at_one_gain_or_equally_loud(facts):
    """Levels as pyloudnorm tells them of what a browser plays; peaks stay a decibel below full scale."""
    import pyloudnorm
    import soundfile

    dice = np.random.default_rng(3)
    hiss = dice.uniform(-1.0, 1.0, (2, RATE)).astype(np.float32)
    hum = np.sin(400.0 * np.pi * np.arange(RATE) / RATE).astype(np.float32)[None].repeat(2, axis=0)
    free, hall = Surroundings(), Surroundings("hall")
    rendered = [
        RenderedSound(title, through, where, each, measure(each, RATE), 1.0)
        for title, through, where, each in (
            ("One stroke", "bar", free, 0.01 * hiss),
            ("One stroke", "pickup", hall, 0.3 * hum),
            ("One stroke", "bar", Surroundings("hall", noise=True), hiss),
            ("a score", "bar", free, hiss),
        )
    ]
    page = _blind(facts, rendered)
    told = json.loads(page.split('<script id="head" type="application/json">')[1].split("</script>")[0])
    assert [each["values"] for each in told["sounds"]] == [["bar", "at 1 m, no room"], ["pickup", "in hall"]]
    stored = [soundfile.read(io.BytesIO(base64.b64decode(each["flac"])))[0] for each in told["sounds"]]
    true, matched = (
        [sound * each[kind] for sound, each in zip(stored, told["sounds"], strict=True)]
        for kind in ("true", "matched")
    )
    gains = [20.0 * np.log10(np.max(np.abs(one)) / top) for one, top in zip(true, (0.01, 0.3), strict=True)]
    assert gains[0] == pytest.approx(gains[1], abs=0.01)
    assert -2.1 < 20.0 * np.log10(np.max(np.abs(true[1]))) < -0.9  # a whole number of decibels lower
    quiet, loud = (pyloudnorm.Meter(RATE).integrated_loudness(each) for each in matched)
    assert quiet == pytest.approx(loud, abs=0.05)
    assert 20.0 * np.log10(max(np.max(np.abs(each)) for each in matched)) == pytest.approx(-1.0, abs=0.01)
    own = facts.row.modes.frequency[facts.instrument.groups[facts.group].tines, 0, 0]
    assert told["sounds"][0]["partials_hz"] == pytest.approx(sorted(own))


def test_a_sound_below_the_meters_gate_is_matched_in_the_blind_page_all_the_same(facts):
    """BS.1770 hears nothing below -70 LUFS: the same ring at 65 dB SPL and at 25 must become the same sound."""
    ring = np.exp(-3.0 * np.arange(2 * RATE) / RATE) * np.sin(800.0 * np.pi * np.arange(2 * RATE) / RATE)
    loud = (20e-6 * np.sqrt(2.0) * 10.0 ** (65.0 / 20.0) * np.stack([ring, ring])).astype(np.float32)
    rendered = [
        RenderedSound("One stroke", through, Surroundings(), sound, measure(sound, RATE), 1.0)
        for through, sound in (("pickup", loud), ("bar", 0.01 * loud))
    ]
    page = _blind(facts, rendered)
    told = json.loads(page.split('<script id="head" type="application/json">')[1].split("</script>")[0])
    import soundfile

    stored = [soundfile.read(io.BytesIO(base64.b64decode(each["flac"])))[0] for each in told["sounds"]]
    heard = [np.abs(s * each["matched"]).max() for s, each in zip(stored, told["sounds"], strict=True)]
    assert heard[1] == pytest.approx(heard[0], rel=0.01)
    assert 20.0 * np.log10(heard[0]) == pytest.approx(-1.0, abs=0.02)


def test_a_proposal_of_a_bench_in_inches_tells_its_figures_in_inches():
    """Cuts within 0.5 mm, 400 mm/s and metres of bar were told to a maker who thinks in inches."""
    design, _ = made()
    inches = msgspec.structs.replace(design, bench=msgspec.structs.replace(design.bench, units="inch"))
    facts = facts_of(inches, dataclasses.replace(resolve(inches, "rail.toml"), rooms={}))
    assert "cuts within 0.0197 in, nuts 0.00787 in, rod " in said(facts, "known")[1]
    assert "at 15.7 in/s with a" in said(facts, "loud")[1]
    rows, _ = said(facts, "cost")
    (bar,) = [row for what, row in rows.items() if what.startswith("bar ")]
    assert re.fullmatch(r"[\d.]+ in", bar[0])
    assert bar[1].endswith("/m")  # as the design prices it
    told = " ".join([said(facts, "known")[1], *rows])
    assert not re.search(r"\d mm\b", told.replace("0.8 mm", ""))  # a metric washer keeps its name


def test_what_is_said_of_rooms_is_said_where_there_is_one(facts):
    hall = next(iter(made()[1].rooms.values()))
    church = MeasuredRoom("church", Path("ir.wav"), 2.0, RoomNoise())
    for room, there, box in ((None, False, False), (hall, True, True), (church, True, False)):
        parts = contents._known(dataclasses.replace(facts, room=room))
        (lines,) = [each.lines for each in parts if isinstance(each, Bullets) and "Pitch" in each.lines[0]]
        words = " ".join(lines)
        assert ("The room is a box" in words) is box
        assert ("The noise of the room" in words) is there
        assert "no instrument of this kind has been measured" in words


def test_notes_are_spelt_as_the_design_spells_them(facts):
    flat = dataclasses.replace(facts.instrument, flats=True)
    assert contents._sounding(flat, 466.16).startswith("Bb4, ")
    assert contents._sounding(facts.instrument, 466.16).startswith("A#4, ")
