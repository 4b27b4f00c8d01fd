"""What the commands at the bench share: tines by name, number and file, taps with their tines, what is approved."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from synth.doors.cli import bench
from synth.doors.cli.arguments import Number, surroundings_of
from synth.doors.cli.calibrate import _as_cut, _goal
from synth.doors.cli.suggest import _section
from synth.errors import InputError

TINES = [
    SimpleNamespace(group=group, number=number) for group, number in ((0, 1), (0, 2), (1, 1), (1, 2), (1, 3))
]
GROUPS = [SimpleNamespace(name="low D"), SimpleNamespace(name="High_2")]
INSTRUMENT = SimpleNamespace(bench=SimpleNamespace(units="mm"), file="a.toml", tines=TINES, groups=GROUPS)


@pytest.mark.parametrize(
    ("name", "tine"),
    [("low D.2", 1), ("low-d.2", 1), ("LOW_D.1", 0), ("1.2", 1), ("2.3", 4), ("high 2.1", 2)],
)
def test_a_tine_is_called_by_its_groups_name_or_number_and_its_own(name, tine):
    assert bench.find_tine(INSTRUMENT, name) == tine


@pytest.mark.parametrize("name", ["0.1", "3.1", "low D.3", "low D", "2", "low D.0"])
def test_what_is_no_tine_is_refused(name):
    with pytest.raises(InputError, match=f"there is no tine '{name}'"):
        bench.find_tine(INSTRUMENT, name)


@pytest.mark.parametrize(
    ("file", "tine"),
    [
        ("take.low_D-2.wav", 1),
        ("a.b.2-3.flac", 4),
        ("low D-1.wav", 0),
        ("take-2.wav", None),
        ("take.wav", None),
    ],
)
def test_a_file_may_say_of_which_tine_it_is(file, tine):
    assert bench.tine_in_file_name(INSTRUMENT, Path("some-1") / file) == tine


@pytest.mark.parametrize(
    ("file", "heard", "says"),
    [
        ("take.low_D-2.wav", "low D.2", ""),
        ("take.low_D-2.wav", None, ""),
        ("take.low_D-2.wav", "low D.1", "its name says low D.2, it sounds like low D.1"),
        ("low D-9.wav", "low D.1", "its name says low D.9, and the design has no such tine; did you mean"),
        ("K9-3.wav", "low D.1", ""),  # no group here is called so
        ("one.K9-3.wav", None, "its name says K9.3, and the design has no such tine"),
        ("high E-1.wav", None, "its name says high E.1, and the design has no such tine"),
        ("8-1.wav", None, "its name says 8.1, and the design has no such tine"),
        ("take.wav", "low D.1", ""),
        ("take.a-b.wav", "low D.1", ""),
        ("2024-05-06.wav", "low D.1", ""),
    ],
)
def test_a_file_name_that_says_another_tine_or_none_there_is_draws_a_remark(file, heard, says):
    told = bench.doubts_of_file_name(INSTRUMENT, Path("some-1") / file, heard)
    assert [each.startswith(says) for each in told] == [True] * bool(says)


@pytest.mark.parametrize(
    ("heard", "may_be", "says"),
    [
        (None, ["low D.1", "high E.2"], ["its name says low D.2, it sounds like low D.1 or high E.2"]),
        (None, ["low D.1", "low D.2"], []),
        ("low D.2", ["low D.1", "low D.2"], []),
        ("low D.1", ["low D.1", "low D.2"], ["its name says low D.2, it sounds like low D.1"]),
    ],
)
def test_a_file_name_is_doubted_where_no_tine_is_known_for_certain_and_it_is_none_of_the_likely(
    heard, may_be, says
):
    assert bench.doubts_of_file_name(INSTRUMENT, Path("take.low_D-2.wav"), heard, may_be) == says


MEASURED = [
    SimpleNamespace(file="one.low_D-2.wav", taps=("a", "b")),
    SimpleNamespace(file="two.wav", taps=("c",)),
]


@pytest.mark.parametrize(
    ("named", "tines"),
    [
        ([], [1, 1, None]),
        (["2.1", "1.1"], [2, 2, 0]),  # a name a file
        (["2.1", "2.2", "1.1"], [2, 3, 0]),  # a name a tap
    ],
)
def test_taps_are_of_the_tines_that_were_named_a_file_or_a_tap(named, tines):
    assert bench.tines_of_taps(INSTRUMENT, MEASURED, named) == list(zip("abc", tines, strict=True))


def test_a_file_named_after_no_tine_is_told_of_where_names_of_files_are_all_there_is(capsys):
    odd = [SimpleNamespace(file="one.low_D-9.wav", taps=("a",)), *MEASURED]
    assert bench.tines_of_taps(INSTRUMENT, odd, []) == [("a", None), ("a", 1), ("b", 1), ("c", None)]
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(
        "warning: one.low_D-9.wav: its name says low_D.9, and the design has no such tine;"
    )
    assert line.endswith("it is heard as if it said nothing")
    bench.tines_of_taps(INSTRUMENT, odd, ["2.1", "1.1", "1.1"])
    assert not capsys.readouterr().err


def test_names_that_are_neither_a_file_nor_a_tap_each_are_refused():
    with pytest.raises(InputError, match="1 name for 2 recordings with 3 taps"):
        bench.tines_of_taps(INSTRUMENT, MEASURED, ["2.1"])


def claim(tine, found, others=()):
    return SimpleNamespace(
        tap=SimpleNamespace(time=1.234), tine=tine, offset=-7.4, found=found, others=others
    )


@pytest.mark.parametrize(
    ("claims", "yes", "terminal", "answer", "said"),
    [
        ([claim(0, False)], False, False, None, None),  # named: nothing is to be asked
        ([claim(0, False), claim(1, True)], False, False, None, "found, not named"),
        ([claim(1, True)], True, False, None, None),
        ([claim(1, True)], False, True, True, None),
        ([claim(1, True)], False, True, False, "not approved"),
    ],
)
def test_tines_that_were_found_are_approved_and_those_named_are_not_asked_about(
    claims, yes, terminal, answer, said, monkeypatch, capsys
):
    asked = []
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: terminal))
    monkeypatch.setattr("click.confirm", lambda *_, **__: asked.append(answer) or answer)
    if said is None:
        bench.approve(INSTRUMENT, claims, yes)
    else:
        with pytest.raises(InputError, match=said):
            bench.approve(INSTRUMENT, claims, yes)
    assert len(asked) == (answer is not None)
    assert "1.23" in capsys.readouterr().err


def test_who_else_it_may_be_stands_beside_what_was_found():
    table = bench.claims_table(INSTRUMENT, [claim(0, False, (1,)), claim(4, True), claim(2, True, (3, 0))])
    rows = [line.split() for line in table.splitlines()[1:]]
    assert rows == [
        ["1", "1.23", "low", "D.1", "named", "-7"],
        ["2", "1.23", "High_2.3", "found", "-7"],
        ["3", "1.23", "High_2.1", "found,", "or", "High_2.2,", "low", "D.1", "-7"],
    ]


def test_a_corrected_copy_never_takes_the_place_of_its_design(tmp_path):
    design, copy = tmp_path / "a.toml", tmp_path / "a-measured.toml"
    design.write_text("design")
    assert _goal(design, None, False) == copy
    (tmp_path / "link.toml").hardlink_to(design)
    for same in (design, tmp_path / "link.toml"):
        with pytest.raises(InputError, match="may not replace the design"):
            _goal(design, same, True)
    copy.write_text("mine")
    with pytest.raises(InputError, match="is already there"):
        _goal(design, None, False)
    assert _goal(design, None, True) == copy
    assert _goal(design, tmp_path / "b.toml", False) == tmp_path / "b.toml"


def test_lengths_as_measured_stand_in_the_place_of_the_designs():
    import numpy as np

    row = SimpleNamespace(length=np.array([0.1, 0.11, 0.12, 0.13, 0.14]))
    found = _as_cut(INSTRUMENT, row, ["low D.2=98.5", "2.3=150"])
    np.testing.assert_allclose(found, [0.1, 0.0985, 0.12, 0.13, 0.15])
    assert row.length[1] == 0.11
    np.testing.assert_allclose(_as_cut(INSTRUMENT, row, ["1.1=20", "1.2=600"])[:2], [0.02, 0.6])
    for wrong in ("low D.2", "low D.2=", "low D.2=19", "low D.2=601", "low D.2=nan", "98.5"):
        with pytest.raises(InputError):
            _as_cut(INSTRUMENT, row, [wrong])


@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e400", "0.4", "6"])
def test_a_number_in_a_range_is_finite_and_in_it(word):
    import click

    number = Number(0.5, 5.0)
    assert number.convert("0.5", None, None) == 0.5
    with pytest.raises(click.BadParameter):
        number.convert(word, None, None)
    if word in ("inf", "1e400"):
        with pytest.raises(click.BadParameter):
            Number(0.5).convert(word, None, None)


def test_a_room_is_as_noisy_as_is_asked(monkeypatch):
    asked = []
    monkeypatch.setattr("synth.sound.room_noise.noise_octaves", asked.append)
    hall = SimpleNamespace(name="Hall", noise="NR 25")
    instrument = SimpleNamespace(room=lambda name, *, location: hall)
    for noise in (False, True):
        found = surroundings_of(instrument, "hall", noise)
        assert (found.room, found.noise) == ("Hall", noise)
    assert asked == ["NR 25"]
    free = surroundings_of(instrument, "", False)
    assert (free.room, free.noise) == ("", False)
    with pytest.raises(InputError, match="no room to be noisy"):
        surroundings_of(instrument, "", True)


@pytest.mark.parametrize(
    ("units", "shape", "words", "size"),
    [
        ("mm", "rectangle", "60x10", (60.0, 10.0, 0.0)),
        ("mm", "rectangle", "30", (30.0, 30.0, 0.0)),
        ("mm", "rectangle", "1.25x0.5in", (31.75, 12.7, 0.0)),
        ("inch", "rectangle", "1.25 x 0.5", (31.75, 12.7, 0.0)),
        ("inch", "rectangle", "60x10mm", (60.0, 10.0, 0.0)),
        ("inch", "round", "1", (25.4, 25.4, 0.0)),
        ("mm", "tube", "30x2", (30.0, 30.0, 2.0)),
    ],
)
def test_a_size_of_the_bar_is_in_the_benchs_units_or_those_it_names(units, shape, words, size):
    from synth.design.instrument import Section

    bar = SimpleNamespace(section=Section(shape, 0.04, 0.02, 0.003 if shape == "tube" else 0.0))
    instrument = SimpleNamespace(bar=bar, bench=SimpleNamespace(units=units))
    found = _section(instrument, words)
    assert (1e3 * found.width, 1e3 * found.height) == pytest.approx(size[:2])
    assert 1e3 * found.wall == pytest.approx(size[2])


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        ([], (0.0, None)),
        (["--start-s", "1.5", "--seconds", "4"], (1.5, 4.0)),
        (["--start-in", "1"], None),
    ],
)
def test_measure_reads_the_part_that_is_asked_for(words, asked, monkeypatch):
    from synth.doors.cli import run

    given = []

    def read(path, *part):
        given.append((path, part))
        raise InputError("enough")

    monkeypatch.setattr("synth.recording.audio_input.read_recording", read)
    assert run(["measure", "a.wav", *words]) == 2
    assert given == ([] if asked is None else [(Path("a.wav"), asked)])


@pytest.mark.parametrize(
    ("shape", "words", "said"),
    [
        ("round", "30x20", "is no size of this bar; write 20 in mm"),
        ("tube", "30", "write 30x2 (diameter and wall) in mm"),
        ("tube", "30x15", "the wall leaves no bore"),
        ("rectangle", "60 by 10", "write 30 or 30x20 in mm"),
        ("rectangle", "1x10", "cannot be a bar"),
        ("rectangle", "10x501", "cannot be a bar"),
    ],
)
def test_what_is_no_size_of_the_bars_shape_is_refused(shape, words, said):
    from synth.design.instrument import Section

    bar = SimpleNamespace(section=Section(shape, 0.04, 0.02, 0.003 if shape == "tube" else 0.0))
    instrument = SimpleNamespace(bar=bar, bench=SimpleNamespace(units="mm"))
    with pytest.raises(InputError) as refused:
        _section(instrument, words)
    assert said in str(refused.value)
    assert refused.value.location == "--bar-size"


LISTENING = [
    *(["--tones"], ["--page"], ["--phone"], ["--in-order"], ["--again"], ["--tune-to-what-is-there"]),
    *(["--from", "low.1"], ["--device", "2"]),
]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["a.wav", "--target-hz", "220"], "the pitch of which tine?; say --tine GROUP.N"),
        (["a.wav", "b.wav", "--tine", "low.1"], "2 recordings of one tine"),
        ([], "which recording?"),
        *((["a.wav", *each], "go with --listen") for each in LISTENING),
        *(
            (["a.wav", "--listen", *each], "are for taps on file")
            for each in (["--tine", "low.1"], ["b.wav"], ["--json"])
        ),
    ],
)
def test_words_of_tune_that_do_not_go_together_are_refused_before_anything_is_read(words, said, capsys):
    from synth.doors.cli import run

    assert run(["tune", "nowhere.toml", *words]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line


def test_a_name_too_long_for_what_is_kept_beside_it_is_the_words_fault(tmp_path, capsys, monkeypatch):
    """ENAMETOOLONG is bad input, exit code 2; a disk that fails is not, 1."""
    import errno

    from synth.doors import cli

    monkeypatch.setattr("synth.doors.streams.give_up", lambda: None)
    for number, code in ((errno.ENAMETOOLONG, 2), (errno.EIO, 1)):
        assert cli._failed(OSError(number, "why", str(tmp_path / "long"))) == code
        assert "long: cannot be read or written (why)" in capsys.readouterr().err
