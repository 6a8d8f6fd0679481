"""Cell model files: the same bytes, every number with spread and source, all problems at once."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from socband.errors import InputError
from socband.models import CellModel, available_cells, dump_cell, load_cell
from socband.models_schema import SECTIONS

SHIPPED = available_cells()

# OCV [V] of the open BPX example cell (2 Ah 18650, 298 K): computed beforehand from the
# electrode functions published with the BPX standard.
BPX_OCV = {
    0.20: 3.2296, 0.30: 3.2674, 0.40: 3.2750, 0.50: 3.2781, 0.60: 3.2864,
    0.70: 3.3057, 0.80: 3.3181, 0.90: 3.3218, 0.95: 3.3227,
}  # fmt: skip


def _text(name: str = "lfp-26650-2ah") -> str:
    return dump_cell(load_cell(name))


def test_shipped_models_are_there():
    assert {"lfp-18650-2ah", "lfp-26650-2ah", "lfp-prismatic-100ah"} <= set(SHIPPED)
    assert "loads" not in SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_round_trip_is_byte_for_byte(name):
    text = _text(name)
    assert dump_cell(CellModel.from_tree(tomllib.loads(text))) == text


def test_any_words_come_back():
    """Tabs, quotes, backslashes and characters that no TOML text may hold bare."""
    words = 'a "quoted" \\ title\twith\na tab, a bell \a and \x7f; 25 °C'
    cell = replace(load_cell("lfp-26650-2ah"), title=words)
    assert CellModel.from_tree(tomllib.loads(dump_cell(cell))).title == words


@pytest.mark.parametrize("name", SHIPPED)
def test_every_number_has_spread_and_source(name):
    cell = load_cell(name)
    keys = {f"{s}.{e.key}" for s, part in SECTIONS.items() for e in part.entries if e.has_spread}
    assert set(cell.spread) == keys
    assert set(cell.sources) == keys
    assert cell.name == name
    for key in ("capacity.capacity_ah", "ocv.voltage_v", "resistance.r0.ref_ohm"):
        assert cell.spread[key] > 0


def test_ocv_of_the_2_ah_cell_against_bpx():
    """Within 12 mV of the published table over 20..95 % (issue 2)."""
    cell = load_cell("lfp-18650-2ah")
    got = np.interp(list(BPX_OCV), cell.ocv.soc, cell.ocv.value)
    assert np.max(np.abs(got - list(BPX_OCV.values()))) <= 0.012


def test_relative_spread():
    cell = load_cell("lfp-26650-2ah")
    want = cell.spread["resistance.r0.ref_ohm"] / cell.r0.ref_ohm
    assert cell.relative_spread("resistance.r0.ref_ohm") == pytest.approx(want)


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("capacity_ah = 2", "capacity_ah = -2", "capacity.capacity_ah"),
        ("[thermal]", "[thermel]", "thermel"),
        ("tau_s = ", "tau = ", "resistance.r1.tau_s"),
        ("lower_v = 2.0", "lower_v = 3.3", "limits.lower_v"),
        ("upper_v = 3.6", "upper_v = 3.2 #", "limits.upper_v"),
        ("coulombic_efficiency = 0.99", "coulombic_efficiency = 9.99", "capacity.coulombic"),
        ("[ocv.spread]\nsoc = ", "[ocv.spread]\nsoc = -", "ocv.spread.soc"),
        ("[ocv.spread]\n", "[ocv.spread]\nvoltage = 0.1\n", "ocv.spread.voltage"),
        ("[limits.source]\n", '[limits.source]\nheat = "x"\n', "limits.source.heat"),
        ('name = "', "name = 3 # ", "about.name"),
        ("decay = ", "decay = nan # ", "hysteresis.decay"),
    ],
)
def test_one_broken_key(old, new, where, tmp_path):
    text = _text()
    assert old in text
    path = tmp_path / "broken.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_cell(path)
    assert any(where in problem.where for problem in caught.value.problems)
    assert "broken.toml" in str(caught.value)


def test_all_problems_at_once(tmp_path):
    text = _text().replace("capacity_ah = 2", "capacity_ah = -2", 1)
    text = text.replace("decay = ", "decoy = ", 1).replace("lower_v = 2.0", "lower_v = 4.0", 1)
    path = tmp_path / "broken.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_cell(path)
    where = " ".join(problem.where for problem in caught.value.problems)
    for part in ("capacity.capacity_ah", "hysteresis.decoy", "hysteresis.decay", "limits.lower_v"):
        assert part in where
    assert "did you mean 'decay'" in str(caught.value)


def sized(capacity_ah: float, **factors: float) -> dict:
    """The 100 Ah model as one of another size: resistances go down, heat goes up with it."""
    tree = tomllib.loads(_text("lfp-prismatic-100ah"))
    tree["capacity"]["capacity_ah"] = capacity_ah
    for name in ("r0", "r1", "r2"):
        tree["resistance"][name]["ref_ohm"] *= 100.0 / capacity_ah * factors.get(name, 1.0)
    tree["thermal"]["heat_capacity_j_per_k"] *= capacity_ah / 100.0 * factors.get("heat", 1.0)
    return tree


@pytest.mark.parametrize("capacity_ah", [0.01, 0.5, 2.0, 100.0, 1000.0, 1e5])
def test_a_cell_of_any_size_is_read_and_a_wrong_unit_found_at_any_size(capacity_ah):
    """A resistance in milliohm is a thousand times what it should be, a heat in kJ a thousandth."""
    assert CellModel.from_tree(sized(capacity_ah)).capacity_ah == capacity_ah
    for factors, where in (
        ({"r0": 1e3}, "resistance.r0.ref_ohm"),
        ({"r2": 1e3}, "resistance.r2.ref_ohm"),
        ({"heat": 1e-3}, "thermal.heat_capacity_j_per_k"),
    ):
        with pytest.raises(InputError, match=f"for a cell of {capacity_ah:g} Ah") as caught:
            CellModel.from_tree(sized(capacity_ah, **factors))
        assert [p.where for p in caught.value.problems] == [where]


def test_falling_ocv_is_found(tmp_path):
    tree = tomllib.loads(_text())
    tree["ocv"]["voltage_v"][50] = tree["ocv"]["voltage_v"][40]
    with pytest.raises(InputError, match="rising"):
        CellModel.from_tree(tree)


def test_table_lengths_are_compared():
    tree = tomllib.loads(_text())
    tree["entropy"]["slope_v_per_k"].pop()
    with pytest.raises(InputError, match="as many as `soc`"):
        CellModel.from_tree(tree)


def test_a_calibration_keeps_what_it_says_and_what_it_leaves_out():
    cell = load_cell("lfp-26650-2ah")
    for number in (0.2, None):
        kept = replace(cell.calibration, slow_spread=number, charge_shift=number)
        kept = replace(kept, lag_share=number)
        text = dump_cell(replace(cell, calibration=kept))
        for name in ("slow_spread", "charge_shift", "lag_share"):
            assert (name in text) is (number is not None)
        assert CellModel.from_tree(tomllib.loads(text)).calibration == kept


def test_unknown_name_suggests_the_nearest():
    with pytest.raises(InputError, match="lfp-26650-2ah"):
        load_cell("lfp-26650-2hh")


def test_missing_file_and_broken_toml(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load_cell(tmp_path / "none.toml")
    path = tmp_path / "broken.toml"
    path.write_text("[about\n", encoding="utf-8")
    with pytest.raises(InputError, match="no valid TOML"):
        load_cell(path)


def test_a_byte_order_mark_is_read_over(tmp_path):
    path = tmp_path / "marked.toml"
    path.write_text(_text(), encoding="utf-8-sig")
    assert dump_cell(load_cell(path)) == _text()
