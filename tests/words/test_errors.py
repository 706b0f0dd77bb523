import pytest

from yieldsim.words.errors import InputError, Problem, WorkError, YieldsimError

FULL = Problem("valve.toml", "storage.esr", '"-1 ohm"', "must not be below 0 ohm", "give a possible value")


def test_one_line_with_file_key_value_reason_and_remedy():
    assert str(FULL) == ('valve.toml: storage.esr = "-1 ohm": must not be below 0 ohm; give a possible value')


@pytest.mark.parametrize(
    ("problem", "text"),
    [
        (Problem(None, "a.b", None, "missing", "add it"), "a.b: missing; add it"),
        (
            Problem("f.toml", None, None, "the file is empty", "write it"),
            "f.toml: the file is empty; write it",
        ),
        (Problem(None, None, '"x"', "no number", "write 1"), '"x": no number; write 1'),
        (Problem(None, None, None, "no", "yes"), "no; yes"),
    ],
)
def test_parts_that_are_none_are_left_out(problem, text):
    assert str(problem) == text


def test_all_problems_are_shown_one_a_line_and_the_first_leads_in_json():
    other = Problem(None, "radio", None, "missing", "add it")
    error = InputError(FULL, other)
    assert str(error).splitlines() == [str(FULL), str(other)]
    document = error.as_json()
    assert document["error"] == {
        "file": "valve.toml",
        "key": "storage.esr",
        "value": '"-1 ohm"',
        "remedy": "give a possible value",
        "reason": "must not be below 0 ohm",
    }
    assert document["errors"] == [FULL.as_json(), other.as_json()]


def test_an_input_error_is_also_a_value_error_and_both_end_with_code_1():
    assert issubclass(InputError, ValueError)
    assert issubclass(WorkError, YieldsimError)
    assert InputError(FULL).exit_code == WorkError(FULL).exit_code == 1


def test_an_error_without_a_problem_cannot_be_made():
    with pytest.raises(TypeError, match="at least one problem"):
        InputError()
