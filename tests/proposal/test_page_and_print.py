"""Sounds as files and as rows of the page with players; the drawing on its side of the print; made by hand."""

from __future__ import annotations

import base64
import dataclasses
import io
import shutil
import subprocess
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from synth.proposal import paper
from synth.proposal.contents import Players, Section, Words
from synth.proposal.markdown import parsed_blocks
from synth.proposal.page import proposal_page
from synth.proposal.sounds import RenderedSound, write_sounds
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.loudness import Loudness, measure
from synth.sound.surroundings import Surroundings
from synth.workshop.paper import Bullets, Paragraph, item_style


def tone(pascals, hertz):
    wave = pascals * np.sin(2.0 * np.pi * hertz * np.arange(RATE) / RATE)
    return np.stack([wave, 0.5 * wave]).astype(np.float32)


def sounding(title, through, room, sound):
    return RenderedSound(title, through, Surroundings(room), sound, measure(sound, RATE), 2.0)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Three sounds of other levels, pitches and places, as files, and the gain that they share."""
    folder = tmp_path_factory.mktemp("sounds")
    rendered = [
        sounding("One stroke", "bar", "", tone(0.02, 440.0)),
        sounding("One stroke", "pickup", "hall", tone(0.11, 660.0)),
        sounding("a score", "bar", "hall", tone(0.005, 880.0)),
    ]
    return folder, rendered, *write_sounds(rendered, folder)


def test_every_file_is_its_own_sound_raised_by_the_shared_gain(written):
    """The loudest peak, 0.11 Pa, comes one to two decibels below full scale; the small copy sounds the same."""
    folder, rendered, files, gain = written
    assert -2.0 < 20.0 * np.log10(0.11 / FULL_SCALE) + gain <= -1.0
    names = ("One-stroke-bar-at-1-m-no-room", "One-stroke-pickup-in-hall", "a-score-bar-in-hall")
    for name, each, sound in zip(names, files, rendered, strict=True):
        assert each.sound is sound
        assert each.whole == f"audio/{name}.flac"
        assert each.small.rpartition(".")[0] == f"audio/{name}"
        assert (folder / each.small).read_bytes() == each.content
        whole, rate = soundfile.read(folder / each.whole)
        wanted = sound.pressure.T * 10.0 ** (gain / 20.0) / FULL_SCALE
        np.testing.assert_allclose(whole, wanted, atol=2.0**-22)
        assert rate == RATE
        small, _ = soundfile.read(io.BytesIO(each.content))
        middle = slice(RATE // 4, RATE // 2)
        assert small[middle].std(axis=0) == pytest.approx(wanted[middle].std(axis=0), rel=0.05)


class Rows(HTMLParser):
    """Rows of cells: words, links and what is played."""

    def __init__(self, text):
        super().__init__()
        self.rows, self.cell = [], False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.cell = tag == "td"
            self.rows[-1] += [""] if self.cell else []
        elif self.rows and self.rows[-1]:
            self.rows[-1] += [given[key] for key in ("src", "href") if key in given]

    def handle_data(self, data):
        if self.cell and self.rows and self.rows[-1]:
            self.rows[-1][0] += f"|{data}"


def test_every_row_plays_its_own_sound_and_tells_its_own_level(written):
    _, _, files, gain = written
    levels = (41.0, 63.0, 22.0)
    told = [
        dataclasses.replace(
            each, sound=dataclasses.replace(each.sound, loudness=Loudness(level, level - 9.0, 0.1))
        )
        for each, level in zip(files, levels, strict=True)
    ]
    page = proposal_page("x", [Section("sound", "Sound", (Players(tuple(told), gain),))], {}, foot="foot")
    rows = [row for row in Rows(page).rows if len(row) > 3]
    assert len(rows) == 3
    for row, each, level in zip(rows, told, levels, strict=True):
        text = "".join(map(str, row))
        assert f"{level:.0f} dB(A)" in text
        assert each.sound.where in text
        data, content = next(cell for cell in row if cell.startswith("data:")).split(",")
        assert (data, base64.b64decode(content)) == (f"data:{each.kind};base64", each.content)
        assert [cell for cell in row if cell.startswith("audio/")] == [each.whole, each.small]


@pytest.mark.parametrize(("width", "height"), [(420.0, 297.0), (420.0, 100.0), (300.0, 420.0)])
def test_a_drawing_is_on_its_side_as_large_as_its_page_and_no_larger(width, height):
    drawing = paper._turned(SimpleNamespace(width=width, height=height), 500.0, 700.0)
    assert drawing.width / drawing.height == pytest.approx(height / width)
    assert min(500.0 / drawing.width, 700.0 / drawing.height) == pytest.approx(1.0)


def lines_of(path):
    """The lines of every page."""
    said = subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    return [[line for line in page.splitlines() if line.strip()] for page in said.split("\f")[:-1]]


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_neither_a_heading_of_the_maker_nor_a_line_that_leads_to_a_list_ends_a_page(tmp_path):
    """Wherever the page ends: with so many lines above that each comes to stand where its last ones are."""
    below = 0
    for above in range(34, 48):
        story = [
            Words(tuple(parsed_blocks("\n\n".join(["words"] * above + ["# A heading", "below it"])))),
            *(Paragraph("more") for _ in range(above)),
            Paragraph("What follows:"),
            Bullets(("one", "two")),
        ]
        paper.write_print(
            "T", [Section("words", "", tuple(story))], tmp_path / "a.pdf", paper="A4", foot="foot"
        )
        pages = lines_of(tmp_path / "a.pdf")
        below += pages[1][0].strip() == "A heading"
        for page in pages:
            assert page[-1].split() == ["T", "page", str(pages.index(page) + 1)]
            assert page[-2].strip() not in ("A heading", "What follows:")
    assert below  # it would have stood at an end


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_an_item_s_second_line_stands_under_its_words_and_a_number_with_its_unit(tmp_path):
    """A client read of an octave of 8000, and of Hz on the next line."""
    for width in range(60, 92, 2):
        lines = Bullets((f"{'a' * width} to 8000 Hz.",))
        paper.write_print("T", [Section("a", "", (lines,))], tmp_path / "a.pdf", paper="A4", foot="foot")
        first = lines_of(tmp_path / "a.pdf")[0]
        assert not [line for line in first if line.rstrip().endswith("8000")]
    look = item_style("10.", size=9.0)
    assert look.leftIndent == -look.firstLineIndent == pytest.approx(9.0 * (2 * 0.636 + 2 * 0.318), abs=0.01)
    assert item_style("", size=9.0).leftIndent == 0.0
