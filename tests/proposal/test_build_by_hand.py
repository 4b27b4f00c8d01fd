"""What goes into a proposal's folder, and from where: every writer is a stand-in that notes what it was given."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.rooms import RoomNoise
from synth.proposal import build as room
from synth.proposal.contents import Drawn, PlayedHere, Section, _calibrated, sections
from synth.proposal.costs import CostLine, Costs
from synth.proposal.markdown import html_of, parsed_blocks
from synth.proposal.page import proposal_page
from synth.sound.loudness import Loudness
from synth.sound.surroundings import Surroundings
from synth.workshop.cautions import CAUTIONS, HEADING

SILENT = Surroundings("hall")
NOISY = Surroundings("hall", True)
COSTS = Costs((CostLine("M4", "1", 2.0, 2.0),), (), (CostLine("case", "1", 70.0, 70.0),), 7.2, 10.0, 2.0)
WORDS = "Our own words."


@pytest.fixture
def made(monkeypatch, tmp_path):
    """`write_proposal` with nothing solved: what it asked for, and what it gave back."""
    noted = []
    hall = SimpleNamespace(name="hall", noise=SimpleNamespace(level=30.0))

    def note(name, answer=None):
        return lambda *words, **more: noted.append((name, words, more)) or answer

    def go(*, blind=False, kept=False, **words):
        instrument = SimpleNamespace(
            bench=SimpleNamespace(paper="Letter"), a4=441.0, tines=(1, 2, 3), groups=(1, 2), name="Rail"
        )
        design = SimpleNamespace(proposal=SimpleNamespace(text=[WORDS, "Second."]))
        facts = SimpleNamespace(
            design=design, instrument=instrument, row=SimpleNamespace(length="lengths", trim="trim"), board="board",
            room=words.get("hall", hall), group=1, through=("bar", "lid"), costs=COSTS, cuts="cuts", title="Title",
        )  # fmt: skip
        folder = tmp_path / "out"
        if kept:
            folder.mkdir()
            (folder / "words.md").write_text("Kept words.", encoding="utf-8")
        for name, answer in (
            ("check_scores", None),
            ("facts_of", facts), ("jobs_of", ["job"]), ("rendered", ["sound"]), ("drawing_sheet", "sheet"),
            ("_blind", "blind page"), ("write_sounds", (["file", "file"], 17.5)), ("_drawings", None),
            ("sections", ["section"]), ("write_print", None), ("scene", "scene"), ("page",
              SimpleNamespace(text="page")),
        ):  # fmt: skip
            monkeypatch.setattr(room, name, note(name, answer))
        monkeypatch.setattr(room, "proposal_page", note("proposal_page", "<html>é"))
        found = room.write_proposal(
            design, instrument, [tmp_path / "a.toml"], folder, room="porch", blind=blind, fresh=True
        )
        return found, {name: (words, more) for name, words, more in noted}, noted, facts, folder

    return go


def test_all_is_made_of_the_facts_and_told_as_it_is(made):
    found, asked, noted, facts, folder = made()
    assert [name for name, *_ in noted][:2] == ["check_scores", "facts_of"]
    assert asked["check_scores"][0] == ([folder.parent / "a.toml"], facts.instrument)
    assert asked["facts_of"][1] == {"room": "porch", "fresh": True}
    assert asked["jobs_of"][1] == {
        "group": 1, "through": ("bar", "lid"), "places": [Surroundings(), SILENT, NOISY],
    }  # fmt: skip
    assert asked["drawing_sheet"][0] == (facts.instrument, "lengths", "trim", "board")
    assert [words for name, words, _ in noted if name == "scene"] == [
        (facts.instrument, "bar"), (facts.instrument, "lid"),
    ]  # fmt: skip
    assert asked["page"][0] == (["scene", "scene"],)
    assert asked["sections"][0][0] is facts
    assert [block.words for block in asked["sections"][0][1]] == [WORDS, "Second."]
    assert asked["sections"][0][2:] == ("sheet", ["file", "file"])
    assert asked["sections"][1] == {"gain_db": 17.5, "blind": False}
    assert asked["proposal_page"][0] == ("Title", ["section"], {"the-instrument": "page"})
    assert asked["write_print"][1]["paper"] == "Letter"
    assert (folder / "words.md").read_text(encoding="utf-8") == f"{WORDS}\n\nSecond.\n"
    assert (folder / "index.html").read_text(encoding="utf-8") == "<html>é"
    assert (found.sounds, found.gain_db, found.words_kept, found.priced) == (2, 17.5, False, True)
    assert found.total == pytest.approx(79.2)
    assert found.megabytes == pytest.approx(8e-6)  # eight bytes in UTF-8
    assert "_blind" not in asked


def test_the_maker_s_words_that_stand_there_are_taken_and_left(made):
    found, asked, _, facts, folder = made(kept=True, blind=True)
    assert found.words_kept
    assert [block.words for block in asked["sections"][0][1]] == ["Kept words."]
    assert (folder / "words.md").read_text(encoding="utf-8") == "Kept words."
    assert asked["proposal_page"][0][2] == {"the-instrument": "page", "blind": "blind page"}
    assert asked["_blind"][0] == (facts, ["sound"])
    assert asked["sections"][1]["blind"] is True


@pytest.mark.parametrize(
    ("hall", "places"),
    [
        (None, [Surroundings()]),
        (SimpleNamespace(name="hall", noise=RoomNoise()), [Surroundings(), SILENT]),
        (SimpleNamespace(name="hall", noise=SimpleNamespace(level=1)), [Surroundings(), SILENT, NOISY]),
    ],
)
def test_it_is_heard_in_a_room_where_there_is_one_and_with_its_noise_where_that_is_any(made, hall, places):
    assert made(hall=hall)[1]["jobs_of"][1]["places"] == places


def test_papers_are_written_each_under_its_own_name_on_the_bench_s_paper(monkeypatch, tmp_path):
    noted = []

    def note(name):
        return lambda *words, **more: noted.append((name, *words, *more.items()))

    for name in ("write_svg_sheet", "write_pdf_sheet", "write_csv", "write_pages", "write_html", "write_dxf",
      "write_svg",
                 "write_pdf"):  # fmt: skip
        monkeypatch.setattr(room, name, note(name))
    monkeypatch.setattr(
        room, "cut_list_document", lambda instrument, cuts: ("document", instrument.name, cuts)
    )
    monkeypatch.setattr(room, "flat_template", lambda instrument: "flat")
    instrument = SimpleNamespace(name="Rail", bench=SimpleNamespace(paper="Letter"))
    facts, caution = (
        SimpleNamespace(instrument=instrument, cuts="cuts"),
        ("notes", (HEADING, *CAUTIONS)),
    )
    document, letter = ("document", "Rail", "cuts"), ("paper", "Letter")
    for views in ({}, {"from above": "seen"}):
        noted.clear()
        monkeypatch.setattr(room, "bent_templates", lambda _, views=views: views)
        room._drawings(facts, "sheet", tmp_path)
        flat = "template-flat" if views else "template"
        names = {flat: "flat", **({"template-bent-from-above": "seen"} if views else {})}
        assert noted == [
            ("write_svg_sheet", "sheet", tmp_path / "drawing.svg"), ("write_pdf_sheet", "sheet",
              tmp_path / "drawing.pdf"),
            ("write_csv", instrument, "cuts", tmp_path / "cutlist.csv"),
            ("write_pages", document, tmp_path / "cutlist.pdf", letter),
            ("write_html", document, tmp_path / "cutlist.html"),
            *(
                each
                for name, drawing in names.items()
                for each in (
                    ("write_dxf", drawing, tmp_path / f"{name}.dxf"), ("write_svg", drawing,
                      tmp_path / f"{name}.svg"),
                    ("write_pdf", drawing, tmp_path / f"{name}.pdf", letter, caution),
                )
            ),
        ]  # fmt: skip


def test_the_blind_page_has_the_example_s_sounds_without_noise_and_the_group_s_own_partials(monkeypatch):
    asked = {}
    monkeypatch.setattr(
        room, "listening_page", lambda heard, left, **words: asked.update(heard=heard, **words) or "page"
    )
    monkeypatch.setattr(room, "tone_levels", lambda pressure: ("levels", pressure.shape))

    def sound(title, through, place, level):
        return SimpleNamespace(
            title=title, through=through, surroundings=place, where=f"in {place.room}" if place.room else "at 1 m",
            pressure=np.full((2, 24_000), 0.001, np.float32), loudness=Loudness(level, level - 5.0, 0.1),
        )  # fmt: skip

    sounds = [sound("stroke", "bar", Surroundings(), 41.0), sound("stroke", "bar", SILENT, 42.0),
              sound("stroke", "bar", NOISY, 43.0), sound("score", "bar", Surroundings(), 44.0),
              sound("stroke", "lid", SILENT, 45.0)]  # fmt: skip
    frequency = np.arange(24.0).reshape(4, 2, 3)
    facts = SimpleNamespace(
        row=SimpleNamespace(modes=SimpleNamespace(frequency=frequency)), group=1, title="Title",
        instrument=SimpleNamespace(groups=(SimpleNamespace(tines=slice(0, 2)), SimpleNamespace(tines=slice(2,
          4))), a4=441.0),
    )  # fmt: skip
    assert room._blind(facts, sounds) == "page"
    assert (asked["title"], asked["a4_hz"]) == ("Title: stroke", 441.0)
    heard = asked["heard"]
    assert [each.chosen for each in heard] == [
        (("through", through), ("where", where))
        for through, where in (("bar", "at 1 m"), ("bar", "in hall"), ("lid", "in hall"))
    ]
    assert [each.level_dba for each in heard] == [41.0, 42.0, 45.0]
    for each in heard:
        assert (each.panel.seconds, each.panel.levels) == (0.5, ("levels", (2, 24_000)))
        assert each.panel.partials_hz == (12.0, 18.0)


def test_the_page_has_every_part_in_its_place_and_leads_to_each_that_has_a_title():
    found = [
        Section("words", "", ()), Section("what", "What & how", (Drawn(SimpleNamespace(title="a < b",
          width=2.0, height=1.0, ink=())),)),
        Section("play", "Stroke it", (PlayedHere(True),)),
    ]  # fmt: skip
    text = proposal_page("T & t", found, {"blind": "</script>"}, foot="foot @TITLE@")
    assert '<li><a href="#what">What &amp; how</a></li>\n<li><a href="#play">Stroke it</a></li>' in text
    assert 'href="#words"' not in text
    assert '<section id="words" aria-label="In the maker&#x27;s words">' in text
    assert '<section id="what" aria-label="What &amp; how">\n<h2>What &amp; how</h2>' in text
    assert 'role="img" aria-label="a &lt; b"' in text
    assert text.count("data-opens=") == 2
    assert '<script type="application/json" id="blind">"\\u003c/script>"</script>' in text
    assert "foot @TITLE@" in text
    plain = proposal_page("T", [Section("play", "Stroke it", (PlayedHere(False),))], {}, foot="f")
    assert plain.count("data-opens=") == 1


def test_parts_stand_in_their_order_and_the_maker_s_words_first_where_there_are_any(monkeypatch):
    from synth.proposal import contents

    for name in ("_what", "_notes", "_sound", "_loud", "_cost", "_known"):
        monkeypatch.setattr(contents, name, lambda *_: iter(()))
    order = ["what", "notes", "drawing", "play", "sound", "loud", "cost", "care", "known"]
    plain = sections(None, [], "sheet", [], gain_db=3.0, blind=True)
    assert [each.name for each in plain] == order
    own = sections(None, parsed_blocks("Words."), "sheet", [], gain_db=3.0, blind=False)
    assert [each.name for each in own] == ["words", *order]
    assert plain[3].parts == (PlayedHere(True),)
    assert plain[2].parts[0].sheet == "sheet"
    assert plain[4].parts[0].gain_db == 3.0


def test_an_item_s_second_paragraph_has_no_mark_and_lists_begin_where_they_say():
    found = parsed_blocks("7. seven\n\n   more of it\n8. eight\n\n   - inner\n\n   rest\n\nafter\n")
    assert [(each.kind, each.mark, each.words) for each in found] == [
        ("item", "7.", "seven"), ("item", "", "more of it"), ("item", "8.", "eight"), ("item", "\N{BULLET}",
          "inner"),
        ("item", "", "rest"), ("paragraph", "", "after"),
    ]  # fmt: skip
    (both,) = parsed_blocks("***both*** **bold** *lean*")
    assert [(run.words, run.strong, run.slanted) for run in both.runs if run.words.strip()] == [
        ("both", True, True), ("bold", True, False), ("lean", False, True),
    ]  # fmt: skip
    assert html_of([both], level=3).startswith("<p><strong><em>both</em></strong>")


def test_what_was_measured_is_told_by_what_it_is_of_and_when():
    """A stand-in's words are told as they are; what is not measured is not told of."""

    def told(tines, stock, material):
        each = {name: SimpleNamespace(measured=words) for name, words in (stock | material).items()}
        design = SimpleNamespace(
            tines=SimpleNamespace(measured=tines),
            stock={name: each[name] for name in stock}, material={name: each[name] for name in material},
        )  # fmt: skip
        return _calibrated(SimpleNamespace(design=design))

    assert told("in May", {"M4": "in June", "M3": None}, {"steel": "in July"}) == (
        "Measured, and taken into these figures: how tines are held (in May), stock M4 (in June), "
        "material steel (in July)."
    )
    assert told(None, {"M4": None}, {"steel": "in July"}).endswith("figures: material steel (in July).")
    assert told(None, {"M4": None}, {}).startswith("No tine has been measured")
