"""Readings by hand: what is accepted, and one clear error for everything that is not."""

from __future__ import annotations

import pytest

from socband.errors import InputError
from socband.readings import KINDS, describe_readings, parse_readings


def test_good_readings_with_units_signs_and_commas():
    assert parse_readings(["clamp=-1.8", "display=−0.4"]) == {"clamp": -1.8, "display": -0.4}
    assert parse_readings(["rested=13.1V", "rested_hours = 2 h"]) == {
        "rested": 13.1,
        "rested_hours": 2.0,
    }
    assert parse_readings(["capacity=180,5"]) == {"capacity": 180.5}
    assert parse_readings([]) == {}


@pytest.mark.parametrize(
    ("texts", "needle"),
    [
        (["clamp"], "name=number"),
        (["clmp=1", "display=2"], "did you mean 'clamp'"),
        (["clamp=1"], "display= with it"),
        (["display_soc=0.86"], "so 86 for 86 %"),
        (["rested=1e9"], "0.1 to 1000 V"),
        (["rested=13.1A"], "the unit 'A'"),
        (["capacity=180", "capacity=170"], "twice"),
        (["fuse_in=13.2"], "fuse_out= with it"),
        (["capacity=1,8,0"], "a number"),
        (["display_soc=162"], "0 to 100 %"),
    ],
)
def test_bad_readings(texts, needle):
    with pytest.raises(InputError) as caught:
        parse_readings(texts)
    assert needle in str(caught.value)


def test_all_problems_of_a_list_come_at_once():
    with pytest.raises(InputError) as caught:
        parse_readings(["nonsense", "volts=-3", "wat=1"])
    assert len(caught.value.problems) == 3


def test_every_reading_is_described_and_needs_exist():
    text = describe_readings()
    for name, kind in KINDS.items():
        assert f"{name}= " in text
        assert set(kind.needs) <= set(KINDS)
