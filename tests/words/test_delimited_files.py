import csv

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.words.errors import InputError
from yieldsim.words.tables import read_columns


def read(folder, name, *columns, **more):
    return read_columns(name, columns, base=folder, key="harvester.emf_waveform.file", **more)


def refused(folder, name, *columns, **more):
    with pytest.raises(InputError) as caught:
        read(folder, name, *columns, **more)
    return str(caught.value)


def write(folder, name, content):
    (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return name


@pytest.mark.parametrize("separator", [",", ";", "\t", ", "])
def test_columns_by_name_whatever_the_separator(tmp_path, separator):
    name = write(tmp_path, "a.csv", "t_s,note,e_V\n0,x,1.5\n1e-3,y,-2\n\n".replace(",", separator))
    assert read(tmp_path, name, "e_V", "t_s") == {"e_V": [1.5, -2.0], "t_s": [0.0, 1e-3]}


def test_byte_order_mark_quotes_and_windows_line_ends(tmp_path):
    name = write(tmp_path, "a.csv", b'\xef\xbb\xbf"a, b",c\r\n"1",2\r\n')
    assert read(tmp_path, name, "a, b", "c") == {"a, b": [1.0], "c": [2.0]}


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=20))
def test_what_the_standard_writer_writes_is_read_to_the_bit(tmp_path_factory, numbers):
    path = tmp_path_factory.mktemp("csv") / "a.csv"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([["x", "y"], *([n, 0] for n in numbers)])
    assert read(path.parent, "a.csv", "x")["x"] == numbers


AT = "harvester.emf_waveform.file = "


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", "the file is empty; give a CSV file with a header line and numbers below it"),
        (" \n\n", "the file is empty; give a CSV file with a header line and numbers below it"),
        ("x,y\n", "no rows below its header line; give at least one row of numbers"),
        (b"\x89PNG\r\n\x1a\n\x00\x01", "not a text file; give a CSV file in UTF-8"),
        ("x\0,y\n1,2\n", "not a text file; give a CSV file in UTF-8"),
        ("X,z\n1,2\n", 'no column "x" in its header line; did you mean X?'),
        ("time,emf\n1,2\n", 'no column "x" in its header line; known here: time, emf'),
        ("x,x\n1,2\n", 'more than one column "x" in its header line; did you mean x?'),
        (
            "x,y\n1,2\nnan,3\n",
            '"nan" in column "x", row 2 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
        (
            "x;y\n1,5;2\n",
            '"1,5" in column "x", row 1 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
        (
            "y,x\n1,2\n1\n",
            'an empty cell in column "x", row 2 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
        (
            "x,y\n1_000,2\n",
            '"1_000" in column "x", row 1 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
        (
            "x,y\n1e999,2\n",
            '"1e999" in column "x", row 1 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
    ],
)
def test_every_fault_in_plain_words(tmp_path, content, told):
    assert refused(tmp_path, write(tmp_path, "a.csv", content), "x") == f"{AT}a.csv: {told}"


def test_a_missing_file(tmp_path):
    told = "no such file; check its name; files are named relative to the configuration"
    assert refused(tmp_path, "none.csv", "x") == f"{AT}none.csv: {told}"


def test_files_outside_the_folder_are_refused(tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    write(tmp_path, "a.csv", "x\n1\n")
    (inner / "link.csv").symlink_to(tmp_path / "a.csv")
    told = "the file lies outside the configuration's folder; put it beside the configuration or below it"
    for name in ("../a.csv", str(tmp_path / "a.csv"), "link.csv"):
        assert refused(inner, name, "x") == f"{AT}{name}: {told}"
    assert read_columns(tmp_path / "a.csv", ["x"], base=None, key="file") == {"x": [1.0]}


def test_too_many_rows(tmp_path):
    name = write(tmp_path, "a.csv", "x\n" + "1\n" * 6)
    assert refused(tmp_path, name, "x", max_rows=5) == f"{AT}a.csv: more than 5 rows; give fewer rows"
    assert len(read(tmp_path, name, "x", max_rows=6)["x"]) == 6
