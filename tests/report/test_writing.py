"""The report's folder: complete, the same bytes twice, and never half-written."""

import json

import pytest

from yieldsim.report import writing
from yieldsim.report.writing import write_report
from yieldsim.words.errors import WorkError


def content(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def report(result, tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports") / "sluice"
    files = write_report(result, folder)
    return folder, files


def test_the_folder_holds_what_is_listed_and_nothing_is_empty(report):
    folder, files = report
    held = content(folder)
    assert sorted(held) == list(files)
    assert all(held.values())
    assert {"index.html", "result.json", "design.toml", "tables/cells.csv"} <= set(files)
    figures = {name.removesuffix(".svg") for name in files if name.endswith(".svg")}
    assert figures == {name.removesuffix(".png") for name in files if name.endswith(".png")}
    assert len(figures) == 11
    assert list(folder.parent.iterdir()) == [folder]  # nothing left beside it


def test_the_answer_for_machines_is_the_result(report, result):
    folder, files = report
    answer = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    assert answer == json.loads(json.dumps(result.as_json(files)))
    assert answer["files"] == list(files)


def test_the_configuration_is_the_one_used(report, result):
    folder, _ = report
    assert (folder / "design.toml").read_text(encoding="utf-8") == result.design.text


def test_the_page_names_its_files_and_no_others(report):
    folder, files = report
    page = (folder / "index.html").read_text(encoding="utf-8")
    for name in files:
        assert (f'href="{name}"' in page) is (name != "index.html")


def test_written_twice_every_byte_is_the_same(report, result, tmp_path):
    folder, _ = report
    write_report(result, tmp_path / "again")
    assert content(tmp_path / "again") == content(folder)


def test_an_earlier_report_is_replaced_whole(result, tmp_path):
    folder = tmp_path / "sluice"
    files = write_report(result, folder)
    stale = folder / "tables" / "cells.csv"
    stale.write_text("stale")
    assert write_report(result, folder) == files
    assert stale.read_text() != "stale"
    assert list(tmp_path.iterdir()) == [folder]


def test_a_folder_with_something_else_is_refused(result, tmp_path):
    (tmp_path / "thesis.txt").write_text("ten years of work")
    with pytest.raises(WorkError) as caught:
        write_report(result, tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: thesis.txt: the folder holds a file that no report wrote; move it away, or name another folder"
    )
    assert content(tmp_path) == {"thesis.txt": b"ten years of work"}


def test_a_file_of_that_name_is_refused(result, tmp_path):
    (tmp_path / "sluice").write_text("")
    with pytest.raises(WorkError, match="a file of this name exists; name another folder"):
        write_report(result, tmp_path / "sluice")
    with pytest.raises(WorkError, match="it cannot be written"):
        write_report(result, tmp_path / "sluice" / "below")


def test_a_failure_leaves_the_earlier_report_and_no_rests(result, tmp_path, monkeypatch):
    folder = tmp_path / "sluice"
    write_report(result, folder)
    before = content(folder)

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing, "write_csv", full)
    with pytest.raises(WorkError) as caught:
        write_report(result, folder)
    assert str(caught.value) == (
        f"{folder}: it cannot be written (No space left on device); name a folder that can be written"
    )
    assert content(folder) == before
    assert list(tmp_path.iterdir()) == [folder]
