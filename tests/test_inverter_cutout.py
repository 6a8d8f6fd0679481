"""An inverter that cuts out by itself: what the answer of `tonight` says of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from socband.demand import INVERTER
from socband.evidence import ClampReading
from socband.forward import prepare, run
from socband.kernels_columns import O_INVERTER, O_LVD
from socband.models import load_cell
from socband.nights import counted_loads
from socband.plots import tonight_figure
from socband.report import chance_words
from socband.site import Setup, setup_from_table
from socband.site_parts import may_burn_fuel
from socband.snapshot import take_snapshot
from socband.tonight import WHAT_IF_MEMBERS, tonight
from socband.tonight_json import tonight_json
from socband.tonight_report import tonight_text

CELL = load_cell("lfp-prismatic-100ah")
KETTLE = {"name": "kettle", "power_w": 2500.0, "through_inverter": True, "at": ["23:00"],
          "for_min": 3.0}  # fmt: skip
RADIO = {"name": "radio", "power_w": 20.0, "through_inverter": True}
UNTIL_SIX = RADIO | {"hours": ["00:00-06:00", "21:00-24:00"]}  # at 07:00 nobody wants it
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


MEMBERS = take_snapshot(boat(11.9), CELL, 20, 0).members


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
    """Asked about a morning that the bank reaches, and at which nothing behind the inverter is
    wanted: only the bank counts, and that is said."""
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    night = tonight(boat(11.9, question=asked, loads=[KETTLE, UNTIL_SIX]), CELL, 400, 0)
    text = said(night)
    assert "Counted is the bank alone: nothing behind the inverter is wanted at 07:00." in text
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
    assert tonight_json(night)["enough"]["with_inverter"] is False
    assert tonight_json(night)["inverter"]["counts_for"] == []


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
    """Without the kettle the inverter's 30 W and the radio go on until six: some 4 A, for which
    36 Ah are not enough until the morning."""
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    fridge = {"name": "fridge", "power_w": 25.0}
    loads = [KETTLE, UNTIL_SIX, fridge]
    night = tonight(boat(11.9, 0.37, question=asked, loads=loads), CELL, 1000, 0)
    change = dict(zip(night["load"].values, night["off_chance_change"].values, strict=True))
    assert change["kettle"] < -0.05
    text = said(night)
    assert "With kettle off the chance is lower: the inverter then cuts out less often (" in text
    assert "so that what else it feeds, and its own draw, go on." in text
    assert "With fridge off" not in text


@pytest.mark.parametrize("radio", [RADIO, UNTIL_SIX | {"essential": True}])
def test_gains_and_chances_are_those_of_what_hangs_on_the_inverter(radio: dict) -> None:
    """A radio that is wanted at 07:00, or must never go off: the night ends with the inverter. The
    gain is, member by member, that of the two nights run one by one."""
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    setup = boat(11.9, question=asked, loads=[KETTLE, radio])
    night = tonight(setup, CELL, 400, 0)

    def stops(off: tuple[str, ...]) -> np.ndarray:
        alone = prepare(setup, CELL, take_snapshot(setup, CELL, 400, 0).members, seed=0)
        there = run(alone, off)
        return np.minimum(there.column(O_LVD), there.column(O_INVERTER)) / 3600.0

    whole, without = stops(()), stops(("kettle",))
    until_h = float(night["until_hours"][0])
    gained = np.minimum(without, 20.0) - np.minimum(whole, 20.0)
    off = {entry["load"]: entry for entry in tonight_json(night)["switch_offs"]}
    assert off["kettle"]["gain_hours"] == pytest.approx(gained.mean(), abs=1e-6)
    assert off["kettle"]["gain_hours"] > 6.0  # the inverter trips at 23:00, two hours from now
    assert off["kettle"]["chance"] == pytest.approx(np.mean(without > until_h), abs=0.005)
    assert float(night["served_until"][0]) == np.mean(whole > until_h) < 0.05
    assert float(night["lasts_until"][0]) > 0.99
    answer = tonight_json(night)
    assert answer["served_until"] == {"07:00": float(night["served_until"][0])}
    assert answer["inverter"]["counts_for"] == ["radio"]
    assert answer["enough"]["off"] == ["kettle"]
    text = said(night)
    assert "the bank lasts until 07:00 (10.0 h from now) is more than 99 %, and that its" in text
    assert f"its inverter does too {chance_words(float(night['served_until'][0]), 400)}." in text
    assert "Counted are bank and inverter together" in text
    assert ("must not go off hangs on the inverter: radio." in text) is ("essential" in radio)
    assert "switch off: kettle. The chance is then more than 99 %." in text
    assert "the bank alone" not in text
    assert max(map(len, tonight_text(night).splitlines())) <= 80


def test_whom_the_cut_out_ends_the_night_for() -> None:
    """Essential before wanted; a load that is off, or done by then, counts for nothing."""

    def counted(loads: list[dict], until_h: float, off: tuple[str, ...] = ()) -> tuple[str, ...]:
        setup = boat(11.9, loads=loads)
        return counted_loads(prepare(setup, CELL, MEMBERS, seed=0).demand, until_h, off)

    assert counted([KETTLE, RADIO], 10.0) == ("radio",)
    assert counted([KETTLE, RADIO], 10.0, ("radio",)) == ()
    assert counted([KETTLE, RADIO], 10.0, (INVERTER,)) == ()
    assert counted([KETTLE, UNTIL_SIX], 10.0) == ()
    assert counted([KETTLE, UNTIL_SIX], 9.0) == ("radio",)  # 06:00, the very end of its hours
    assert counted([KETTLE | {"essential": True}, RADIO], 10.0) == ("kettle",)
    assert counted([{"name": "fan", "power_w": 5.0, "essential": True}], 10.0) == ()


def test_what_is_left_behind_an_inverter_that_counts_no_more_is_named() -> None:
    """With a lamp off nothing is wanted at 07:00: the kettle may still trip the inverter."""
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    lamp = RADIO | {"name": "lamp", "power_w": 2.0}  # 22 Wh; the kettle takes 0.14 kWh
    night = tonight(boat(11.9, question=asked, loads=[KETTLE, lamp]), CELL, 400, 0)
    assert float(night["served_until"][0]) < 0.05
    assert night.attrs["enough_off"] == "lamp"
    assert "To be 90 % sure, switch off: lamp." in said(night)
    assert "But that is the bank alone: the chance that the inverter cuts out" in said(night)
    assert "Behind it is then still: kettle." in said(night)
    only = boat(11.9, question=asked, loads=[KETTLE | {"essential": True}, RADIO])
    night = tonight(only, CELL, 400, 0)
    assert not night.attrs["enough_reached"]
    assert "No switching off makes it 90 % sure: with radio off, the chance is" in said(night)


def test_a_heater_is_not_switched_off_in_the_frost_without_a_word() -> None:
    heater = {"name": "warm air", "like": "diesel-heater"}
    kept = heater | {"essential": True}
    for degrees, offered in ((-8.0, heater), (1.5, heater), (12.0, heater), (-8.0, kept)):
        setup = boat(8.0, loads=[offered, RADIO], ambient={"temperature_c": degrees})
        text = said(tonight(setup, CELL, 200, 0))
        may_go = offered is heater
        frost = may_go and degrees < 2.0
        assert ("Frost: think of people, pipes and the bank before warm air goes" in text) is frost
        assert ("never cut its power while it burns" in text) is may_go
    pump = boat(8.0, loads=[{"name": "Heat pump", "power_w": 200.0}, RADIO],
                ambient={"temperature_c": -8.0})  # fmt: skip
    text = said(tonight(pump, CELL, 200, 0))
    assert "Frost: think of people, pipes and the bank before Heat pump goes off." in text
    assert "burns" not in text
    named = boat(8.0, loads=[{"name": "Hot water boiler", "power_w": 200.0}])
    assert [load.is_heater for load in named.loads] == [True]
    named = boat(8.0, loads=[{"name": "Fan heater", "power_w": 200.0}])
    assert [load.is_heater for load in named.loads] == [True]
    assert not boat(8.0, loads=[{"name": "warm white lights", "power_w": 9.0}]).loads[0].is_heater
    # what starts it is not what it burns
    assert may_burn_fuel("Diesel heater, electric start")
    assert not may_burn_fuel("electric heater")
    assert not any(load.is_heater for load in HOLDS.loads)


def test_in_the_frost_it_is_asked_whether_a_load_heats_where_none_is_known_to() -> None:
    """No name tells what the grey box does, nor a thermostat that is on as much as ever."""
    box = {"name": "grey box", "power_w": 60.0, "duty": 0.5}
    asks = "Frost: none of these is known to heat. If one does, say heats = true in its section"
    for degrees, load, asked in (
        (-8.0, box, True),
        (12.0, box, False),
        (-8.0, box | {"heats": True}, False),
        (-8.0, box | {"duty_per_k": -0.02, "duty_at_c": 5.0}, False),
    ):
        setup = boat(8.0, loads=[load, RADIO], ambient={"temperature_c": degrees})
        text = said(tonight(setup, CELL, 200, 0))
        assert (asks in text) is asked
        assert ("before grey box goes off" in text) is (degrees < 0.0 and not asked)
    kept = [box | {"essential": True}]
    frozen = boat(8.0, loads=kept, ambient={"temperature_c": -8.0})
    assert asks not in said(tonight(frozen, CELL, 200, 0))  # it is not offered


@pytest.mark.parametrize(("degrees", "first"), [(15.0, "small heater"), (-8.0, "lamp")])
def test_in_the_frost_a_heater_is_the_last_to_go(degrees: float, first: str) -> None:
    """52 Ah at 80 W last some eight hours of ten; without either load more than ten."""
    loads = [{"name": "small heater", "power_w": 38.0}, {"name": "lamp", "power_w": 42.0}]
    asked = {"until": ["07:00"], "horizon_hours": 30.0}
    setup = boat(8.0, 0.52, loads=loads, ambient={"temperature_c": degrees}, question=asked)
    night = tonight(setup, CELL, 300, 0)
    assert float(night["served_until"][0]) < 0.5
    assert night["off_chance"].values.min() > 0.95
    assert night.attrs["enough_off"] == first


def test_in_the_frost_more_other_loads_go_before_a_heater_does() -> None:
    """88 W empty 52 Ah in eight hours of ten: the heater goes, or both lamps."""
    loads = [{"name": "small heater", "power_w": 44.0}]
    loads += [{"name": name, "power_w": 22.0} for name in ("lamp", "other lamp")]
    asked = {"until": ["07:00"], "horizon_hours": 30.0}
    off = {}
    for degrees in (15.0, -8.0):
        setup = boat(8.0, 0.52, loads=loads, ambient={"temperature_c": degrees}, question=asked)
        off[degrees] = tonight(setup, CELL, 300, 0).attrs["enough_off"]
    assert off[15.0] == "small heater"
    assert off[-8.0] == "lamp; other lamp"


def test_a_switch_off_comes_with_what_to_think_of_before() -> None:
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    fan = {"name": "fan", "power_w": 200.0}
    night = tonight(boat(8.0, loads=[fan, RADIO], question=asked), CELL, 200, 0)
    assert night.attrs["enough_off"] == "fan"
    assert "Before anything goes off: medical devices, alarms" in said(night)
    assert "essential = true" in said(night)
    light = tonight(boat(8.0, loads=[RADIO], question=asked), CELL, 200, 0)
    assert not light.attrs["enough_off"]
    assert "Before anything goes off" not in said(light)


def test_what_goes_off_with_the_inverter_is_named_beside_it() -> None:
    """Two loads on it, of which the longer name does not fit into the row's own line."""
    long = "television and a recorder of a very old kind"
    loads = [
        {"name": "freezer", "power_w": 40.0, "through_inverter": True},
        {"name": long, "power_w": 60.0, "through_inverter": True},
        {"name": "fan", "power_w": 40.0},
    ]
    lines = tonight_text(tonight(boat(8.0, 0.17, loads=loads), CELL, 300, 0)).splitlines()
    row = next(i for i, line in enumerate(lines) if line.startswith(f"  {INVERTER}"))
    assert f"{lines[row + 1].strip()} {lines[row + 2].strip()}".startswith(
        f"(and with it: freezer, {long})"
    )
    advice = " ".join(lines).partition("sure until 22:30, switch off:")[2]
    assert f"{INVERTER} (and with it: freezer" in advice
    assert max(map(len, lines)) <= 80
    # an inverter with nothing on it takes nothing along
    bare = boat(8.0, 0.3, loads=loads[2:], inverter={"idle_w": 20.0})
    assert "and with it" not in said(tonight(bare, CELL, 300, 0))


def test_an_inverter_that_is_off_does_not_cut_out() -> None:
    """The kettle would trip it; with the inverter off nothing can, and nothing is behind it."""
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    fan = {"name": "fan", "power_w": 60.0}
    night = tonight(boat(11.9, 0.5, question=asked, loads=[KETTLE, RADIO, fan]), CELL, 300, 0)
    off = dict(zip(night["load"].values, night["off_inverter_cuts_out"].values, strict=True))
    assert float(night["inverter_cuts_out"][0]) > 0.5
    assert off[INVERTER] == 0.0
    told = night.assign_attrs(enough_off=INVERTER, enough_with_inverter=0, enough_reached=1,
                              enough_inverter_cuts_out=0.5)  # fmt: skip
    assert "Behind it is then still" not in said(told)


def test_a_refrigerator_that_idles_in_the_cold_is_said() -> None:
    """0.41 - 0.015 · (20 - 0) = 0.11 of the time at 0 °C."""
    cold = boat(
        8.0, loads=[{"name": "box", "like": "small-fridge"}], ambient={"temperature_c": 0.0}
    )
    text = said(tonight(cold, CELL, 200, 0))
    assert "standing in the cold with the bank: box 11 % of the time (usually 41)" in text
    warm = boat(
        8.0, loads=[{"name": "box", "like": "small-fridge"}], ambient={"temperature_c": 18.0}
    )
    assert "standing in the cold" not in said(tonight(warm, CELL, 200, 0))


def test_hours_that_are_none_carry_no_sign() -> None:
    """A milliwatt for ten hours gains nothing that a screen shows."""
    clock = {"name": "clock", "power_w": 0.001}
    heavy = {"name": "fan", "power_w": 200.0}
    text = tonight_text(tonight(boat(8.0, loads=[heavy, clock]), CELL, 200, 0))
    row = next(row for row in text.splitlines() if row.startswith("  clock"))
    assert row.endswith("   0.0 h")


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


def test_the_picture_says_the_inverters_chance_beside_its_line() -> None:
    asked = {"until": ["07:00"], "horizon_hours": 20.0}
    night = tonight(boat(11.9, question=asked), CELL, 400, 0)
    lower = tonight_figure(night).axes[1]
    both = float(night["inverter_lasts_until"][0])
    assert both == np.mean(
        np.minimum(night["lvd_hours"], night["inverter_cutout_hours"]).values > 10.0
    )
    assert [text.get_text() for text in lower.texts] == [f"{100 * both:.0f} %", ">99 %"]
    holds = tonight_figure(tonight(HOLDS, CELL, 300, 0)).axes[1]
    assert len(holds.texts) == 2  # one for each hour asked about


def test_what_people_may_depend_on_is_never_proposed_unless_its_name_misleads() -> None:
    for name, said_of_it, offered in (
        ("CPAP", {}, False),
        ("smoke alarm", {}, False),
        ("alarm clock with lamp", {"essential": False}, True),
        ("lamp", {}, True),
    ):
        aid = {"name": name, "power_w": 30.0, **said_of_it}
        night = tonight(boat(8.0, loads=[aid, RADIO]), CELL, 200, 0)
        assert (name in night["load"].values) is offered
        kept = f"Never proposed, going by the name: {name}" in said(night)
        assert kept is not offered
    setup = boat(8.0, loads=[{"name": "CPAP", "power_w": 30.0}])
    assert any(a.key == "loads.CPAP.essential" for a in setup.assumptions)


def test_a_bank_too_cold_to_deliver_is_said() -> None:
    """By the cell model's own limit, -20 °C."""
    for degrees, cold in ((-26.0, True), (-10.0, False)):
        night = tonight(boat(8.0, ambient={"temperature_c": degrees}), CELL, 200, 0)
        assert (night.attrs["too_cold_to_discharge"] > 0.5) is cold
        assert ("Too cold to deliver" in said(night)) is cold
        assert tonight_json(night)["too_cold_to_discharge"] == night.attrs["too_cold_to_discharge"]


def test_a_clamp_reading_without_its_minus_sign_is_asked_about() -> None:
    for amps, asked in ((1.2, True), (-1.2, False)):
        pieces = [ClampReading(0.0, amps, 0.1, amps)]
        assert ("CHECK THE SIGN" in said(tonight(boat(8.0), CELL, 200, 0, evidence=pieces))) is asked


def test_a_display_at_full_long_after_the_last_full_charge_is_asked_about() -> None:
    for display, hours, asked in ((1.0, 120.0, True), (1.0, 2.0, False), (0.9, 120.0, False)):
        present = {"display_soc": display, "hours_since_full": hours, "clock": "21:00"}
        text = said(tonight(boat(8.0, present=present), CELL, 200, 0))
        assert ("The display says full, and the last full charge" in text) is asked
