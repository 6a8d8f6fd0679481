"""A cell at a glance: text of at most 80 columns, dataset with units."""

from __future__ import annotations

from dataclasses import replace

import pytest

from socband.fit_report import cell_dataset, cell_figure, cell_text, write_fit_report
from socband.identify import Fitted
from socband.models import available_cells, load_cell


@pytest.mark.parametrize("name", available_cells())
def test_text_fits_the_screen(name):
    text = cell_text(load_cell(name))
    assert max(map(len, text.splitlines())) <= 80
    assert "Not measured" in text


def test_dataset_carries_units():
    data = cell_dataset(load_cell("lfp-prismatic-100ah"))
    assert all("units" in data[name].attrs for name in data.variables)
    assert float(data.ocv.min()) < float(data.ocv.max())


def test_only_what_was_fitted_or_measured_counts_as_measured():
    """Limits from data sheets, a specific heat and a published dU/dT were not."""
    attrs = cell_dataset(load_cell("lfp-18650-2ah")).attrs
    measured, others = (attrs[key].split(", ") for key in ("measured", "not_measured"))
    assert {"ocv.voltage_v", "resistance.r0.ref_ohm", "voltage_error.std_v"} <= set(measured)
    for key in ("limits.upper_v", "thermal.heat_capacity_j_per_k", "entropy.slope_v_per_k"):
        assert key in others
    # Of two low-rate branches at several temperatures, dU/dT is.
    fitted = cell_dataset(load_cell("lfp-26650-2ah")).attrs["measured"]
    assert "entropy.slope_v_per_k" in fitted


@pytest.mark.parametrize("name", available_cells())
def test_every_number_is_counted_once(name):
    cell = load_cell(name)
    attrs = cell_dataset(cell).attrs
    kinds = ("measured", "means_of_measured_cells", "not_measured")
    keys = [key for kind in kinds for key in attrs[kind].split(", ") if key]
    assert sorted(keys) == sorted(cell.sources)


def test_nothing_of_a_cell_nobody_measured_is_measured():
    text = cell_text(load_cell("lfp-prismatic-100ah"))
    assert "  0 of 39 numbers or tables are measured, 18 are means of other cells" in text


def test_a_cell_without_a_title_is_named_once():
    cell = load_cell("lfp-26650-2ah")
    assert cell_text(replace(cell, title=cell.name)).splitlines()[0] == "lfp-26650-2ah"
    assert cell_text(cell).splitlines()[0] == "2.06 Ah 26650 LFP cell (lfp-26650-2ah)"


def test_the_picture_holds_the_whole_upper_end():
    """A curve that ends at 3.6 V, and where the cell rests after charge above it."""
    cell = load_cell("lfp-26650-2ah")
    full = replace(cell.ocv, value=(*cell.ocv.value[:-1], 3.6))
    axes = cell_figure(replace(cell, ocv=full)).axes[0]
    assert axes.get_ylim()[1] > 3.6 + cell.hysteresis.value[-1]


@pytest.mark.parametrize("name", ["report.PNG", "report.Html"])
def test_a_report_in_any_case_of_its_ending(name, tmp_path):
    """The command lets it pass before the fit, so it must be written after it."""
    cell = load_cell("lfp-26650-2ah")
    row = {"name": "x", "used_for": "fit", "rms_mv": {"2-10": None, "10-95": 2.0, "20-95": 1.0}}
    write_fit_report(Fitted(cell, [row], None, ("a note",)), tmp_path / name)
    head = b"\x89PNG" if name.endswith("PNG") else b"<!doctype html>"
    assert (tmp_path / name).read_bytes().startswith(head)
