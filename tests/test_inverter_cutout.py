"""An inverter that cuts out by itself: what the answer of `tonight` says of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from socband.demand import INVERTER
from socband.models import load_cell
from socband.plots import tonight_figure
from socband.report import chance_words
from socband.site import Setup, setup_from_table
from socband.tonight import WHAT_IF_MEMBERS, tonight, tonight_json
from socband.tonight_report import tonight_text

CELL = load_cell("lfp-prismatic-100ah")
KETTLE = {"name": "kettle", "power_w": 2500.0, "through_inverter": True, "at": ["23:00"],
          "for_min": 3.0}  # fmt: skip
RADIO = {"name": "radio", "power_w": 20.0, "through_inverter": True}
SURE = {"offset_a": 0.0, "gain_error": 0.0, "dead_band_a": 0.0, "drift_a_per_k": 0.0,
        "re_zero": {"false_probability": 0.0}}  # fmt: skip


def boat(cutout_v: float, display: float = 0.6, **sections: Any) -> Setup:
    """100 Ah, of charge known; a kettle at 23:00 pulls it down to some 11.5 V, for less than the
    bank's own delay."""
    return setup_from_table(
        {
            "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4,
                     "rated_capacity_ah": 100.0, "capacity_fraction": 1.0},
            "monitor": SURE,
            "loads": [KETTLE, RADIO],
            "inverter": {"efficiency": 0.9, "idle_w": 30.0, "cutout_v": cutout_v},
            "untracked_load": {"probability": 0.0},
            "ambient": {"temperature_c": 15.0},
            "present": {"display_soc": display, "hours_since_full": 20.0, "clock": "21:00"},
            "limits": {"disconnect_v": 12.2, "delay_s": 600.0},
            "question": {"until": ["22:30", "07:00"], "horizon_hours": 20.0},
        } | sections
    )  # fmt: skip


def said(night: Any) -> str:
    return " ".join(tonight_text(night).split())


@pytest.fixture(scope="module")
def trips() -> Any:
    """The night with a cut-out at 11.9 V, which the kettle nearly always reaches at 23:00."""
    return tonight(boat(11.9), CELL, 400, 0)


def test_an_inverter_that_the_kettle_trips_is_said_with_what_stops(trips: Any) -> None:
    """Two hours from now, and not before 22:30; the bank lasts without it."""
    cutout = trips["inverter_cutout_hours"].values
    early, late = trips["inverter_cuts_out"].values
    assert (early, late > 0.95) == (0.0, True)
    assert np.min(cutout) > 1.99
    assert np.mean(cutout < 2.06) > 0.95
    text = said(trips)
    assert "Inverter stops 2.0 h 90 % sure: 2.0 h to 2.0 h" in text
    words = f"cuts out by itself before 07:00 is {chance_words(late, 400)} (below 11.9 V)"
    assert words in text
    assert "the loads through it (kettle, radio) then stop" in text
    assert "before 22:30 is" not in text.split("lasts until 07:00")[1].split("What switching")[0]
    assert max(map(len, tonight_text(trips).splitlines())) <= 80
    answer = tonight_json(trips)["inverter"]
    assert answer["loads"] == ["kettle", "radio"]
    assert answer["cuts_out_before"] == {"22:30": 0.0, "07:00": late}
    assert answer["cuts_out_within_horizon"] >= late
    assert answer["stops_hours"]["p50"] == pytest.approx(2.0, abs=0.06)


def test_nothing_has_to_go_off_is_never_said_without_the_inverter() -> None:
    """Asked about a morning that the bank reaches, without the kettle's inverter."""
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    night = tonight(boat(11.9, question=asked), CELL, 400, 0)
    text = said(night)
    assert "nothing has to go off. But that is the bank alone: the chance that the inverter" in text
    cuts = night["inverter_cuts_out"].values[0]
    assert cuts > 0.95
    words = f"cuts out before 07:00 is {chance_words(cuts, 400)}. With kettle off it is less than"
    assert words in text
    off = {entry["load"]: entry for entry in tonight_json(night)["switch_offs"]}
    assert off["kettle"]["inverter_cuts_out"] == 0.0
    assert 0.9 < off["radio"]["inverter_cuts_out"] <= cuts
    assert off[INVERTER]["inverter_cuts_out"] == 0.0
    assert tonight_json(night)["enough"]["inverter_cuts_out"] == cuts


def test_a_load_that_trips_nothing_leaves_the_cut_out_as_it_is() -> None:
    """A clock of a milliwatt beside a kettle that may trip it: the few members that the switch-offs
    are told from, and all, are not the same sample."""
    clock = {"name": "clock", "power_w": 0.001}
    asked = {"until": ["07:00"], "horizon_hours": 12.0}
    doubt = {"probability": 0.4, "current_a": {"dist": "expon", "scale": 0.6}}
    setup = boat(11.1, 0.5, question=asked, loads=[KETTLE, clock], untracked_load=doubt)
    night = tonight(setup, CELL, WHAT_IF_MEMBERS + 3000, 3)
    cuts = float(night["inverter_cuts_out"][0])
    few = np.mean(night["inverter_cutout_hours"].values[:WHAT_IF_MEMBERS] <= 10.0)
    assert 0.05 < cuts < 0.95
    assert abs(few - cuts) > 0.001
    off = dict(zip(night["load"].values, night["off_inverter_cuts_out"].values, strict=True))
    assert off["clock"] == pytest.approx(cuts, abs=0.0005)
    assert night.attrs["enough_inverter_cuts_out"] == pytest.approx(
        off.get(night.attrs["enough_off"], cuts)
    )


def test_a_switch_off_that_shortens_the_night_says_why() -> None:
    """Without the kettle the inverter's 30 W and the radio go on all night: some 4 A, for which
    36 Ah are not enough until the morning."""
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    fridge = {"name": "fridge", "power_w": 25.0}
    night = tonight(boat(11.9, 0.37, question=asked, loads=[KETTLE, RADIO, fridge]), CELL, 1000, 0)
    change = dict(zip(night["load"].values, night["off_chance_change"].values, strict=True))
    assert change["kettle"] < -0.05
    text = said(night)
    assert "With kettle off the chance is lower: the inverter then cuts out less often (" in text
    assert "so that what else it feeds, and its own draw, go on." in text
    assert "With fridge off" not in text


HOLDS = boat(8.0, loads=[KETTLE | {"power_w": 500.0}, RADIO])


def test_an_inverter_that_holds_says_nothing() -> None:
    night = tonight(HOLDS, CELL, 300, 0)
    text = said(night)
    assert "cuts out" not in text
    assert "Inverter stops" not in text
    assert tonight_json(night)["inverter"]["cuts_out_within_horizon"] < 0.01
    without = boat(8.0, loads=[{"name": "fan", "power_w": 10.0}])
    assert tonight_json(tonight(without, CELL, 300, 0))["inverter"] is None


def test_the_picture_shows_the_inverter_where_it_goes_before_the_bank(trips: Any) -> None:
    def lines(night: Any) -> list[str]:
        return [line.get_label() for line in tonight_figure(night).axes[1].get_lines()]

    assert "inverter still on" in lines(trips)
    assert "inverter still on" not in lines(tonight(HOLDS, CELL, 300, 0))
