import pytest

from yieldsim.words.names import QUANTITIES, axis_label, json_name


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("start margin", "start_margin_V"),
        ("run margin", "run_margin_V"),
        ("voltage margin", "voltage_margin_V"),
        ("reserve", "reserve_V"),
        ("start time", "start_time_s"),
        ("complete time", "complete_time_s"),
        ("hold-up", "hold_up_s"),
        ("run time", "run_time_s"),
        ("peak voltage", "peak_voltage_V"),
        ("peak current", "peak_current_A"),
        ("lowest input", "lowest_input_V"),
        ("required input", "required_input_V"),
        ("temperature", "temperature_degC"),
        ("age", "age_yr"),
        ("completion", "completion"),
        ("delivered", "delivered"),
        ("energy sufficed", "energy_sufficed"),
        ("unit yield", "unit_yield"),
        ("start stroke", "start_stroke"),
        ("model calls", "model_calls"),
    ],
)
def test_json_names_carry_their_unit(name, expected):
    assert json_name(name) == expected


def test_axis_labels_carry_their_unit_in_brackets():
    assert axis_label("reserve") == "reserve [V]"
    assert axis_label("completion") == "completion"


def test_rows_are_told_apart_and_complete():
    assert all(key == row.name for key, row in QUANTITIES.items())
    assert len({json_name(name) for name in QUANTITIES}) == len(QUANTITIES)
    assert len({row.meaning for row in QUANTITIES.values()}) == len(QUANTITIES)
    assert all(row.symbol and row.meaning and not row.meaning.endswith(".") for row in QUANTITIES.values())
