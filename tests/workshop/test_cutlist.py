"""The cut list: sums by hand, pieces from bars, counts, costs, and the pages read back."""

import csv
import html.parser
import re
import shutil
import subprocess
from collections import Counter

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from synth.errors import InputError
from synth.units import MM
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import tune
from synth.workshop.cut_list_pages import COLUMNS, cut_list_document, write_csv
from synth.workshop.cutlist import cut_list
from synth.workshop.paper import write_html, write_pages

HUNDREDTH = 0.01 * MM
PRICES = """
[stock.M4]
kind = "threaded"
thread = "M4"
price_per_m = 3.0
[nut."M4 hex"]
price = 0.05
[bench]
currency = "EUR"
washer_price = 0.02
stock_length_mm = 500.0
"""


@pytest.fixture
def listed(made):
    def make(text):
        instrument = made(text)
        return instrument, cut_list(instrument, tune(instrument, mounting(instrument)))

    return make


class Reader(html.parser.HTMLParser):
    """Tags and words of a page."""

    def __init__(self):
        super().__init__()
        self.tags, self.words = Counter(), []

    def handle_starttag(self, tag, attrs):
        self.tags[tag] += 1

    def handle_data(self, data):
        self.words.append(data)


def test_a_cut_is_free_and_clamped_length_and_both_allowances(listed, straight):
    _, cuts = listed(straight)
    # 150 free, 29.1 clamped (test_joint), 1 for the saw, 3 for tuning
    assert cuts.pieces[0].cut == pytest.approx(183.1 * MM, abs=HUNDREDTH)
    # 100 free, 30 through the bar's width
    assert cuts.pieces[2].cut == pytest.approx(134.0 * MM, abs=HUNDREDTH)


def test_every_piece_comes_from_one_bar_of_its_own_stock_and_fits(listed, straight):
    instrument, cuts = listed(straight + "[bench]\nstock_length_mm = 200.0\nkerf_mm = 2.0\n")
    assert sorted(index for bar in cuts.bars for index in bar.pieces) == [0, 1, 2, 3]
    for bar in cuts.bars:
        assert {cuts.pieces[index].stock for index in bar.pieces} == {bar.stock}
        sawn = sum(cuts.pieces[index].cut for index in bar.pieces) + 2.0 * MM * (len(bar.pieces) - 1)
        assert bar.left == pytest.approx(instrument.bench.stock_length - sawn)
        assert bar.left >= 0.0


def test_a_piece_longer_than_the_stock_is_refused_by_its_key(listed, straight):
    with pytest.raises(InputError, match=r"bench\.stock_length_mm: a piece of 183\.1 does not fit"):
        listed(straight + "[bench]\nstock_length_mm = 150.0\n")


def test_what_to_buy_and_what_it_costs(listed, straight):
    _, cuts = listed(straight + PRICES)
    bought = {each.what: each for each in cuts.purchases}
    assert bought["M4 hex"].count == 2 * 2 + 1  # two on each threaded tine, one to trim
    assert bought["M4 plain washer, 9 x 0.8 mm"].count == 4
    assert bought["M4, A2-70, bar of 500 mm"].count == 1
    # 0.5 m of rod at 3, five nuts at 0.05, four washers at 0.02; plain rod and bar have no price
    assert cuts.cost == pytest.approx(1.5 + 0.25 + 0.08)
    assert cuts.unpriced == (
        "rod3: 3 mm rod, 304 spring wire, bar of 500 mm",
        "bar 30.00 x 20.00 mm, mild steel, saw to 300.00 mm",
    )


BATCHES = """
[stock."{first}"]
kind = "threaded"
thread = "M4"
bend_diameter_mm = {thin}
price_per_m = {price}
[stock."{second}"]
kind = "threaded"
thread = "M4"
"""


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    names=st.permutations(["M4", "m4", "batch 1", "Batch 1", "вторая"]),
    thin=st.floats(3.2, 3.4),
    price=st.floats(0.0, 9.0),
)
def test_two_batches_of_one_thread_are_sawn_bought_and_priced_apart(listed, straight, names, thin, price):
    first, second = names[:2]
    text = straight.replace('stock = "M4"', f'stock = "{first}"').replace(
        'stock = "rod3"', f'stock = "{second}"'
    )
    _, cuts = listed(text + BATCHES.format(first=first, second=second, thin=thin, price=price))
    assert len({piece.stock for piece in cuts.pieces}) == 2
    rods = [each for each in cuts.purchases if each.unit == "bar"]
    assert [each.price for each in rods] == [pytest.approx(price), None]
    for bar in cuts.bars:
        assert len({cuts.pieces[index].group for index in bar.pieces}) == 1


def test_the_mass_is_that_of_bar_rods_nuts_and_washers(listed, straight):
    instrument, cuts = listed(straight)
    assert cuts.bar_mass == pytest.approx(7850.0 * 0.03 * 0.02 * 0.3, rel=1e-6)
    plain = cuts.pieces[2]
    assert plain.mass == pytest.approx(8000.0 * np.pi / 4 * (3 * MM) ** 2 * (plain.cut - 1.0 * MM), rel=1e-6)
    nut = instrument.tines[0].root.base_nut.mass
    washer = 7850.0 * np.pi / 4 * ((9 * MM) ** 2 - (4.3 * MM) ** 2) * 0.8 * MM
    assert cuts.hardware_mass == pytest.approx(5 * nut + 4 * washer)


@pytest.mark.parametrize(("plane", "thick"), [(0.0, 40.0), (90.0, 12.0)])
def test_of_a_bent_bar_what_is_sawn_is_its_flat_length(listed, straight, plane, thick):
    """Bought as long as it is before it is bent: K of the thickness from the inside, not along the middle."""
    path = f"{{ straight_mm = 260.0 }}, {{ bend_deg = 70.0, radius_mm = 95.0, plane_deg = {plane} }}"
    flat_bar = straight.replace("width_mm = 30.0, height_mm = 20.0", "width_mm = 40.0, height_mm = 12.0")
    text = flat_bar.replace("{ straight_mm = 300.0 }", path)
    _, cuts = listed(text + "[bench]\nneutral_axis = 0.38\n")
    bar = cuts.purchases[-1]
    flat = 260.0 + np.radians(70.0) * (95.0 - thick / 2.0 + 0.38 * thick)
    assert bar.unit == "m"
    assert bar.count == pytest.approx(1e-3 * flat, abs=1e-5)
    assert f"saw to {flat:.2f} mm" in bar.what


def test_csv_reads_back(listed, straight, tmp_path):
    instrument, cuts = listed(straight)
    write_csv(instrument, cuts, tmp_path / "a.csv")
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    assert [float(row["cut_mm"]) * MM for row in rows] == pytest.approx(
        [p.cut for p in cuts.pieces], abs=1e-5
    )
    assert rows[1]["trim_nuts"] == "M4 hex at 60.00 mm"


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_page_has_a_box_for_every_tine_and_the_cautions(listed, straight, tmp_path, units):
    instrument, cuts = listed(straight.replace('"Offcut"', '"<Off & cut>"') + f'[bench]\nunits = "{units}"\n')
    write_html(cut_list_document(instrument, cuts), tmp_path / "a.html")
    reader = Reader()
    reader.feed((tmp_path / "a.html").read_text(encoding="utf-8"))
    words = " ".join(reader.words)
    assert reader.tags["input"] == len(cuts.pieces) + len(cuts.bars) + len(cuts.purchases)
    assert "<Off & cut>" in words
    assert "safety glasses" in words
    assert ("183.1" if units == "mm" else "7 13/64") in words  # 183.1 mm = 7.2087 in, and 13/64 = 0.2031


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext (Debian: poppler-utils)")
def test_the_pdf_says_the_same_in_any_script(listed, straight, tmp_path):
    instrument, cuts = listed(straight.replace('name = "up"', 'name = "вверх é"'))
    write_pages(cut_list_document(instrument, cuts), tmp_path / "a.pdf", paper="Letter")
    text = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "a.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "вверх é" in text
    assert "183.1" in text
    assert text.count("☐") == len(cuts.pieces) + len(cuts.bars) + len(cuts.purchases)
    assert "licensed professional" in re.sub(r"\s+", " ", text)
    info = subprocess.run(["pdfinfo", tmp_path / "a.pdf"], capture_output=True, text=True, check=True).stdout
    assert "612 x 792 pts" in info
