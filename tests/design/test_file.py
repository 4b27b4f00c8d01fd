"""Files that cannot be read as a design are refused with one line."""

import os

import pytest

from synth.design.file import LARGEST, load
from synth.errors import InputError


def refusal(path):
    with pytest.raises(InputError) as caught:
        load(path)
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith(str(path))
    return line


def write(tmp_path, content):
    path = tmp_path / "design.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_the_example_loads_as_it_stands(two_tines):
    design = load(two_tines)
    assert [group.name for group in design.group] == ["low A", "by hand"]
    assert design.group[1].tine[1].trim_to.ratio == 6.0
    assert load(str(two_tines)) == design


def test_a_byte_order_mark_and_carriage_returns_are_read_over(two_tines, tmp_path):
    text = two_tines.read_bytes().replace(b"\n", b"\r\n")
    assert load(write(tmp_path, b"\xef\xbb\xbf" + text)) == load(two_tines)


def test_a_missing_file_is_said_to_be_missing(tmp_path):
    assert "no such file" in refusal(tmp_path / "nothing.toml")


def test_a_directory_is_said_to_be_one(tmp_path):
    assert "is a directory" in refusal(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert "not a regular file" in refusal(tmp_path / "pipe")


@pytest.mark.skipif(not os.path.exists("/dev/zero"), reason="no devices here")
def test_an_endless_device_is_refused():
    assert "not a regular file" in refusal("/dev/zero")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_said_so(tmp_path):
    path = write(tmp_path, "name = 'x'")
    path.chmod(0)
    assert "may not be read" in refusal(path)


@pytest.mark.parametrize("name", ["a\0b", "a" * 5000])
def test_a_name_no_file_can_have_is_refused(name):
    assert "cannot be opened" in refusal(name)


def test_a_file_over_one_mebibyte_is_refused(tmp_path):
    assert "larger than 1 MiB" in refusal(write(tmp_path, b"#" * (LARGEST + 1)))


def test_a_file_of_one_mebibyte_is_read(tmp_path, two_tines):
    text = two_tines.read_bytes() + b"\n"
    padding = (b"# " + b"x" * 97 + b"\n") * LARGEST
    assert load(write(tmp_path, (text + padding)[: LARGEST - 1] + b"\n")) == load(two_tines)


def test_what_is_not_utf8_names_the_line(tmp_path):
    assert "line 2 is not UTF-8" in refusal(write(tmp_path, b'name = "x"\n# caf\xe9\n'))


def test_what_is_not_toml_names_the_line(tmp_path):
    line = refusal(write(tmp_path, 'name = "x"\n[bar\nmaterial = 1\n'))
    assert "not TOML" in line
    assert "line 2" in line


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 4000,
        "a = " + "[" * 3000 + "]" * 3000,
        "a = " + "{b=" * 2000 + "1" + "}" * 2000,
        "a = " + "9" * 5000,
        "a = 2024-02-31",
        "a = 0x" + "f" * 5000,
        "a" + ".a" * 4000 + " = 1",
        "[" + "a." * 4000 + "a]",
        'name = "\\ud800"',
        "\0",
        "a = 1\na = 2",
        "",
        "[[bar]]\n",
        "bar = 1",
        "group = {}",
    ],
    ids=range(15),
)
def test_hostile_text_gives_one_line(tmp_path, text):
    refusal(write(tmp_path, text))


@pytest.mark.parametrize(
    "line",
    [
        "a{}" + ".a" * 299 + " = 1",
        pytest.param("[a{}" + ".a" * 299 + "]", marks=pytest.mark.slow),
        "[[a.b{}]]",
        "a{} = [{{}}]",
    ],
)
def test_a_mebibyte_made_to_keep_the_parser_busy_is_answered(tmp_path, line):
    # Without the limit on a line's length one key of half a million parts keeps the parser busy for hours.
    count = (LARGEST - 1) // (len(line) + 8)
    refusal(write(tmp_path, "\n".join(line.format(number) for number in range(count))))


def test_a_line_no_one_writes_is_refused_before_it_is_parsed(tmp_path):
    assert "line 2 has over" in refusal(write(tmp_path, "\n" + "a." * 500_000 + "a = 1"))
