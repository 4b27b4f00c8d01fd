"""The folder: what stands in it, what the print says, which words are kept."""

from __future__ import annotations

import re
import shutil
import subprocess
import urllib.parse
from html.parser import HTMLParser

import numpy as np
import pytest
import soundfile

from synth.errors import InputError
from synth.proposal.build import MARK, write_proposal
from synth.proposal.costs import costs_of
from synth.sound import audio
from synth.sound.loudness import measure
from synth.vibration.solve import solve_row
from synth.workshop.cutlist import cut_list

from .conftest import made

pytestmark = pytest.mark.slow


class Links(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.links, self.ids, self.open, self.wrong = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.links += [attrs[key] for key in ("href", "src") if key in attrs]
        self.ids += [attrs["id"]] if "id" in attrs else []


def printed(path):
    if shutil.which("pdftotext") is None:
        pytest.skip("there is no pdftotext on this machine")
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True)
    return " ".join(done.stdout.decode("utf-8").split())


def pages(path):
    done = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True)
    return int(re.search(r"Pages:\s+(\d+)", done.stdout)[1]), done.stdout


def test_everything_that_is_promised_stands_in_it(folder):
    for name in ("index.html", "proposal.pdf", "words.md"):
        assert (folder / name).stat().st_size > 0
    assert {each.name for each in (folder / "drawings").iterdir()} == {
        "drawing.svg", "drawing.pdf", "cutlist.csv", "cutlist.pdf", "cutlist.html",
        "template.dxf", "template.svg", "template.pdf",
    }  # fmt: skip
    whole = sorted(each.stem for each in (folder / "audio").glob("*.flac"))
    small = sorted(each.stem for each in (folder / "audio").iterdir() if each.suffix in (".mp3", ".ogg"))
    # a stroke through two, at 1 m, in the hall, in its noise; a score through two, at 1 m and in the hall
    assert whole == small
    assert len(whole) == 10


def test_all_links_lead_somewhere(folder, hostile):
    for place in (folder, hostile):
        found = Links((place / "index.html").read_text(encoding="utf-8"))
        assert len(found.ids) == len(set(found.ids))
        for link in found.links:
            if link.startswith("#"):
                assert link[1:] in found.ids
            elif not link.startswith("data:"):
                assert (place / urllib.parse.unquote(link)).is_file(), link
        assert any(link.startswith("drawings/") for link in found.links)
        assert sum(link.endswith(".flac") for link in found.links) == len(
            list((place / "audio").glob("*.flac"))
        )


def test_sounds_are_at_one_gain_and_as_loud_as_told(folder):
    text = (folder / "index.html").read_text(encoding="utf-8")
    gain = float(re.search(r"raised by the same ([+-]\d+) dB", text)[1])
    for path in (folder / "audio").glob("*wires-bar*.flac"):
        sound, rate = soundfile.read(path)
        heard = measure(sound.T * audio.FULL_SCALE * 10 ** (-gain / 20), rate)
        row = f"{heard.loudest:.0f} dB(A)"
        assert row in text, path
    peak = max(np.abs(soundfile.read(each)[0]).max() for each in (folder / "audio").glob("*.flac"))
    assert 10 ** (-2.1 / 20) < peak <= 10 ** (-0.9 / 20)  # whole decibels, one below full scale


def test_the_small_copy_is_the_same_sound(folder):
    whole = next((folder / "audio").glob("*wires-bar-at*.flac"))
    small = next(each for each in (folder / "audio").iterdir() if each.stem == whole.stem and each != whole)
    one, other = soundfile.read(whole)[0].mean(axis=1), soundfile.read(small)[0].mean(axis=1)
    assert abs(len(one) - len(other)) < 4800
    shared = min(len(one), len(other))
    ratio = np.sqrt(np.mean(other[:shared] ** 2) / np.mean(one[:shared] ** 2))
    assert ratio == pytest.approx(1.0, abs=0.1)
    assert small.stat().st_size < 0.5 * whole.stat().st_size


def test_the_print_reads_back_and_its_sums_are_the_cut_lists(folder):
    text = printed(folder / "proposal.pdf")
    count, about = pages(folder / "proposal.pdf")
    assert 2 <= count <= 6
    assert "A4" in about
    instrument = made()[1]
    cuts = cut_list(instrument, solve_row(instrument))
    costs = costs_of(made()[0], cuts)
    assert f"Stock together {cuts.cost:.2f}" in text
    assert f"Total {costs.total:.2f}" in text
    assert f"Together {cuts.cost:.2f} EUR" in printed(folder / "drawings" / "cutlist.pdf")
    for words in ("A bar for the quay", "Some words of mine.", "a quay", "a workshop", f"{cuts.mass:.1f} kg",
                  "wires", "Without a price", "local codes", MARK):  # fmt: skip
        assert words in text, words
    assert text.count("Tinewright") == 1


def test_the_page_says_the_same_sums(folder):
    text = (folder / "index.html").read_text(encoding="utf-8")
    instrument = made()[1]
    cuts = cut_list(instrument, solve_row(instrument))
    assert f"<td>Stock together</td><td></td><td></td><td>{cuts.cost:.2f}</td>" in text
    assert f"<td>{costs_of(made()[0], cuts).total:.2f}</td>" in text
    own = text.split('<script type="application/json"')[0]
    assert own.count("Tinewright") == 1


def test_a_letter_design_is_printed_on_letter(hostile):
    assert "letter" in pages(hostile / "proposal.pdf")[1]


def test_hostile_words_stay_words(hostile):
    text = (hostile / "index.html").read_text(encoding="utf-8")
    own = text.split('<script type="application/json"')[0]
    assert "<script>" not in own
    assert "<img" not in own
    assert "<b>" not in own
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;rail&quot; @BODY@" in own
    assert "[a link](javascript:alert(1)) ![p](http://x/p.png) &lt;b&gt;b&lt;/b&gt;" in own
    assert "<li>\N{BULLET} &lt;i&gt;item&lt;/i&gt; <strong>strong</strong></li>" in own
    assert text.count("</script") == 2  # the one page that it holds, and its own
    assert "<script>alert(1)</script>" in printed(hostile / "proposal.pdf")


def test_html5lib_finds_no_error(folder, hostile):
    html5lib = pytest.importorskip("html5lib")
    for place in (folder, hostile):
        parser = html5lib.HTMLParser(strict=True)
        parser.parse((place / "index.html").read_text(encoding="utf-8"))


def test_the_words_are_the_makers_and_are_kept(tmp_path):
    design, instrument = made()
    out = tmp_path / "out"
    out.mkdir()
    (out / "words.md").write_text("# Mine\n\nEdited by hand, 100 % \N{EURO SIGN}.\n", encoding="utf-8")
    (out / "beside.txt").write_text("the maker's", encoding="utf-8")
    found = write_proposal(design, instrument, [], out)
    assert found.words_kept
    assert (out / "words.md").read_text(
        encoding="utf-8"
    ) == "# Mine\n\nEdited by hand, 100 % \N{EURO SIGN}.\n"
    assert (out / "beside.txt").exists()
    assert "<h2>Mine</h2>" in (out / "index.html").read_text(encoding="utf-8")
    assert "Some words" not in (out / "index.html").read_text(encoding="utf-8")


def test_words_that_are_no_text_are_refused_and_kept(tmp_path):
    design, instrument = made()
    (tmp_path / "words.md").write_bytes(b"\xff\xfe\x00x")
    with pytest.raises(InputError, match="save it as text in UTF-8"):
        write_proposal(design, instrument, [], tmp_path)
    assert (tmp_path / "words.md").read_bytes() == b"\xff\xfe\x00x"
    assert [each.name for each in tmp_path.iterdir()] == ["words.md"]


def test_two_scores_of_one_name_are_refused(tmp_path):
    design, instrument = made()
    with pytest.raises(InputError, match="two scores are called 'a'"):
        write_proposal(design, instrument, [tmp_path / "a.toml", tmp_path / "a.mid"], tmp_path / "out")


def test_a_group_that_is_not_there_is_refused(tmp_path):
    import msgspec

    design, instrument = made()
    other = msgspec.structs.replace(design, proposal=msgspec.structs.replace(design.proposal, group="wire"))
    with pytest.raises(InputError, match=r"proposal\.group: there is no group 'wire'"):
        write_proposal(other, instrument, [], tmp_path / "out")
    assert not (tmp_path / "out").exists()
