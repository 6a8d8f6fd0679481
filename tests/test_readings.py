"""Readings by hand: what is accepted, and one clear error for everything that is not."""

from __future__ import annotations

import numpy as np
import pytest

from socband.errors import InputError
from socband.readings import (
    KINDS,
    against_setup,
    describe_readings,
    parse_readings,
    readings_for,
)
from socband.site import read_setup


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
        (["hour=3"], "clamp= or clamp_off= with it"),
        (["load=5"], "load_display= or load_sag= with it"),
    ],
)
def test_bad_readings(texts, needle):
    with pytest.raises(InputError) as caught:
        parse_readings(texts)
    assert needle in str(caught.value)


@pytest.mark.parametrize("question", ["suspects", "charging"])
def test_an_unknown_reading_lists_those_that_the_command_knows(question):
    with pytest.raises(InputError) as caught:
        parse_readings(["foo=3"], question)
    (problem,) = caught.value.problems
    assert problem.expected == "one of " + ", ".join(readings_for(question))
    assert (" clamp, " in problem.expected) == (question == "suspects")
    assert (" amps, " in problem.expected) == (question == "charging")


@pytest.mark.parametrize("name", ["rested", "volts"])
def test_the_voltage_of_one_cell_is_not_that_of_the_bank(name):
    assert parse_readings([f"{name}=13.2"], cells_in_series=4) == {name: 13.2}
    with pytest.raises(InputError) as caught:
        parse_readings([f"{name}=3.3"], cells_in_series=4)
    (problem,) = caught.value.problems
    assert problem.where == f"--reading {name}"
    assert "0.825 V a cell" in problem.found
    assert "4 LFP cells in series" in problem.expected
    assert "whole bank" in problem.hint
    with pytest.raises(InputError, match=r"6\.6 V a cell"):  # a bank of eight cells
        parse_readings([f"{name}=26.4"], cells_in_series=4)


def test_a_bank_whose_protection_has_opened_shows_next_to_nothing():
    for volts in (0.0, 1.2, 6.0):
        assert parse_readings([f"volts={volts}"], cells_in_series=4) == {"volts": volts}
    with pytest.raises(InputError):  # at rest it would have to be switched on
        parse_readings(["rested=6.0"], cells_in_series=4)


def test_a_reading_of_another_question_is_refused_not_ignored():
    for question, name, text in (
        ("charging", "rested", "rested=13.2"),
        ("suspects", "amps", "amps=3"),
    ):
        assert name in parse_readings([text])
        with pytest.raises(InputError, match=f"`{question}` makes no use of"):
            parse_readings([text], question)
    assert {*readings_for("suspects"), *readings_for("charging")} == set(KINDS)
    assert parse_readings(["display_soc=60"], "charging") == {"display_soc": 60.0}


def test_one_clamp_meter_is_as_good_everywhere():
    """As evidence over a log, and as a reading of `suspects`."""
    from socband.evidence_text import parse_evidence
    from socband.suspects_draws import GOOD_METERS

    for amps in (0.0, -1.8, -60.0):
        (piece,) = parse_evidence([f"clamp={amps}/{amps}"])
        expected = np.hypot(GOOD_METERS.clamp_a, GOOD_METERS.clamp_share * amps)
        assert piece.reading_std_a == pytest.approx(expected)


def test_readings_and_setup_together_are_no_bank_emptied_at_once(tmp_path, capsys):
    """200 Ah: 0.78 of them take 0.156 h at five times that an hour; what is not read, the setup
    says."""
    from socband.cli import main

    bank = 'cell = "lfp-prismatic-100ah"\ncells_in_series = 4\nrated_capacity_ah = 200'
    path = tmp_path / "setup.toml"
    path.write_text(f"[bank]\n{bank}\n[present]\ndisplay_soc = 0.2\nhours_since_full = 30\n")
    setup = read_setup(path)
    assert against_setup({}, setup) == []
    assert against_setup({"since_full": 0.157}, setup) == []
    [problem] = against_setup({"since_full": 0.155}, setup)
    assert problem.where == "--reading since_full"
    assert against_setup({"since_full": 0.0, "display_soc": 100.0}, setup) == []
    assert against_setup({"display_soc": 0.0}, setup) == []  # in 30 h
    readings = ("--reading", "since_full=0", "--reading", "display_soc=20")
    for command in ("suspects", "charging"):
        assert main([command, str(path), *readings]) == 2
        assert "0 h since full, and 20 % on the display" in " ".join(
            capsys.readouterr().err.split()
        )


def test_leads_are_those_of_several_batteries_and_the_least_is_not_the_most(tmp_path):
    bank = 'cell = "lfp-prismatic-100ah"\ncells_in_series = 4\nrated_capacity_ah = 200\n'
    path = tmp_path / "setup.toml"
    found = []
    for strings, least in ((2, 3.0), (2, 12.0), (1, 3.0)):
        path.write_text(f"[bank]\n{bank}strings_in_parallel = {strings}\n")
        problems = against_setup({"lead_least": least, "lead_most": 11.0}, read_setup(path))
        found.append([f"{p.found}; {p.expected}" for p in problems])
    several = "a bank of several, such as bank.strings_in_parallel = 2"
    assert found == [
        [],
        ["12; no more than lead_most, 11"],
        [f"one battery in the setup file; {several}"],
    ]
    with pytest.raises(InputError, match="lead_most= with it"):
        parse_readings(["lead_least=3"], "suspects")


def test_all_problems_of_a_list_come_at_once():
    with pytest.raises(InputError) as caught:
        parse_readings(["nonsense", "volts=-3", "wat=1"])
    assert len(caught.value.problems) == 3


def test_every_reading_is_described_and_needs_exist():
    text = describe_readings()
    for name, kind in KINDS.items():
        assert f"{name}= " in text
        assert set(kind.needs) <= set(KINDS)
