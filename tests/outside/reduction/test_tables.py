"""Results over temperature and field as pandas reads them."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

SAMPLE = 'kind = "sample"\nname = "film, \\"B\\""\nthickness_m = 480e-9\nthickness_u_m = 6e-9\n'
COLUMNS = "time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,current_a,voltage_v,voltage_u_v"
TEMPERATURES = (80.0, 100.0, 125.0)
FIELDS = (0.4, 1.1)


def r_a(kelvin):
    return 37.0 * math.exp(300.0 / kelvin - 3.0)


def r_b(kelvin):
    return 211.0 * math.exp(300.0 / kelvin - 3.0)


def slope(kelvin, field):
    """Hall slope in ohms per tesla, falling with the field as of two kinds of carriers."""
    return -3.7 * kelvin / 100.0 / (1.0 + 0.05 * field**2)


def van_der_pauw(a, b):
    return brentq(lambda rs: math.exp(-math.pi * a / rs) + math.exp(-math.pi * b / rs) - 1, a + b, 10 * (a + b), xtol=1e-12)


def readings():
    lines = [COLUMNS]

    def row(kelvin, field, contacts, ohm):
        volts = 1e-4 * ohm
        cells = (len(lines), kelvin, field, *contacts, 1e-4, volts, 1e-8)
        lines.append(",".join(repr(cell) if isinstance(cell, float) else str(cell) for cell in cells))

    for kelvin in TEMPERATURES:
        a, b = r_a(kelvin), r_b(kelvin)
        for contacts, ohm in {"2134": a, "1243": a, "4312": a, "3421": a, "3241": b, "2314": b, "1423": b, "4132": b}.items():
            row(kelvin, 0.0, contacts, ohm)
        for field in FIELDS:
            for b_z in (field, -field):
                hall = slope(kelvin, field) * b_z
                offset = b - a
                for contacts, ohm in {"1324": offset + hall, "3142": offset + hall, "4213": hall - offset, "2431": hall - offset}.items():
                    row(kelvin, b_z, contacts, ohm)
    return "\n".join(lines) + "\n"


@pytest.fixture
def written(quadrille, tmp_path):
    def run(name):
        (tmp_path / "film.toml").write_text(SAMPLE)
        (tmp_path / "readings.csv").write_text(readings())
        path = tmp_path / name
        answer = quadrille("reduce", "--sample", tmp_path / "film.toml", tmp_path / "readings.csv", "--table", path)
        assert answer.code == 0, answer.out + answer.err
        return path

    return run


def test_the_table_opens_in_pandas_with_a_row_for_each_temperature_and_field(written):
    frame = pd.read_csv(written("results.csv"))
    assert len(frame) == len(TEMPERATURES) * (1 + len(FIELDS))
    assert set(frame["sample"]) == {'film, "B"'}
    assert frame["accepted"].dtype == bool and frame["accepted"].all()
    assert (frame["left_out"] == 0).all() and (frame["unsettled"] == 0).all()
    no_field = frame[frame.field_t == 0].set_index("temperature_k")
    assert no_field["hall_coefficient_m3_per_c"].isna().all()
    for kelvin in TEMPERATURES:
        expected = van_der_pauw(r_a(kelvin), r_b(kelvin))
        assert no_field.loc[kelvin, "sheet_resistance_ohm"] == pytest.approx(expected, rel=1e-11)
    for _, row in frame[frame.field_t > 0].iterrows():
        here = slope(row.temperature_k, row.field_t)
        assert row.hall_coefficient_m3_per_c == pytest.approx(here * 480e-9, rel=1e-10)
        rs = van_der_pauw(r_a(row.temperature_k), r_b(row.temperature_k))
        assert row.mobility_m2_per_v_s == pytest.approx(abs(here) / rs, rel=1e-10)
        assert row.sheet_field_t == 0 and row.carrier_sign == -1
    for quantity in ("sheet_resistance_ohm", "resistivity_ohm_m"):
        assert (frame[f"{quantity}_u"] > 0).all()
        np.testing.assert_allclose(frame[f"{quantity}_expanded"], frame["coverage_factor"] * frame[f"{quantity}_u"], rtol=1e-15)


def test_json_and_csv_hold_the_same_numbers(written):
    from_csv, from_json = pd.read_csv(written("results.csv")), pd.read_json(written("results.json"), precise_float=True)
    # A column of texts that are all empty reads as one of no numbers.
    numbers = from_csv.select_dtypes("number").columns.drop("failed_checks", errors="ignore")
    assert len(numbers) > 20
    for name in numbers:
        np.testing.assert_allclose(from_json[name].astype(float), from_csv[name], rtol=1e-14)
