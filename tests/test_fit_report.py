"""A cell at a glance: text of at most 80 columns, dataset with units."""

from __future__ import annotations

import pytest

from socband.fit_report import cell_dataset, cell_text
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
