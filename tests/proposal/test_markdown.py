"""Markdown's plain subset: what is known, and what stays text."""

from __future__ import annotations

import html

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.proposal.markdown import Block, Run, html_of, paper_of, parsed_blocks
from synth.workshop.paper import style


def test_headings_paragraphs_emphasis_and_lists_are_known():
    found = parsed_blocks(
        "# Title\n\nSome *slanted* and **strong** words\non two lines.\n\n- one\n- two\n\n3. three\n4. four\n"
    )
    assert [(each.kind, each.mark, each.words) for each in found] == [
        ("heading", "", "Title"),
        ("paragraph", "", "Some slanted and strong words on two lines."),
        ("item", "\N{BULLET}", "one"),
        ("item", "\N{BULLET}", "two"),
        ("item", "3.", "three"),
        ("item", "4.", "four"),
    ]
    assert found[1].runs[1] == Run("slanted", slanted=True)
    assert found[1].runs[3] == Run("strong", strong=True)
    assert html_of(found, level=2) == (
        "<h2>Title</h2>\n<p>Some <em>slanted</em> and <strong>strong</strong> words on two lines.</p>\n"
        '<ul class="own">\n<li>\N{BULLET} one</li>\n<li>\N{BULLET} two</li>\n'
        "<li>3. three</li>\n<li>4. four</li>\n</ul>"
    )


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        "<b>bold</b>",
        "[link](http://example.org)",
        "![picture](x.png)",
        "<http://example.org>",
        "`code`",
        "&lt;b&gt;",
        "a | b",
    ],
)
def test_what_is_not_known_stays_the_characters_that_it_is(text):
    (found,) = parsed_blocks(text)
    assert found.words == text
    assert html_of([found], level=2) == f"<p>{html.escape(text)}</p>"
    assert paper_of(found) == html.escape(text)


def test_strong_words_are_bold_on_paper():
    assert paper_of(Block("item", (Run("a <"), Run("b", strong=True)), "2.")) == "2. a &lt;<b>b</b>"


def test_slanted_words_are_slanted_on_paper_as_on_the_page():
    """They were bold, as strong ones are; in a heading they are bold as all of it is."""
    from reportlab.platypus import Paragraph

    (block,) = parsed_blocks("a *slow* stroke, a **fast** one, ***both***")
    assert paper_of(block) == "a <i>slow</i> stroke, a <b>fast</b> one, <b><i>both</i></b>"
    for name, faces in (
        ("plain", ("", "-Oblique", "-Bold", "-BoldOblique")),
        ("head", ("-Bold", "-BoldOblique")),
    ):
        found = {each.text.strip(): each.fontName for each in Paragraph(paper_of(block), style(name)).frags}
        wanted = faces if name == "plain" else (faces[0], faces[1], faces[0], faces[1])
        words = ("a", "slow", "fast", "both")
        assert [found[each] for each in words] == [f"DejaVuSans{face}" for face in wanted]


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=80))
def test_no_text_makes_a_tag_of_its_own(text):
    out = html_of(parsed_blocks(text), level=2)
    known = ("p", "/p", "h2", "/h2", 'ul class="own"', "/ul", "li", "/li", "em", "/em", "strong", "/strong")
    for tag in known:
        out = out.replace(f"<{tag}>", "")
    assert "<" not in out
    assert ">" not in out
